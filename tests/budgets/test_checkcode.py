"""Check codes held against published code tables, classical weight enumerators and plain enumeration."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from itertools import product
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chainplan.budgets import checkcode, codeweights
from chainplan.budgets.checkcode import (
    CodewordSearchError,
    data_bits_at_distance,
    dual_weights,
    estimate,
    from_implicit_plus_one,
    hamming_distance,
    residual,
    residual_errors_per_hour,
    undetected_probability,
    undetected_with_parity,
    undetected_with_repetition,
    undetected_with_xor_sum,
    undetected_without_check,
    weight_distribution,
    weight_limits,
)

CRC32 = 0x04C11DB7  # IEEE 802.3
TINY = Fraction(1, 10**9)
quick = settings(max_examples=40, deadline=None)


def remainder(bits: list[int], polynomial: int, width: int) -> int:
    """Return the check bits of a bit list by long division, one bit at a time (the textbook register)."""
    register = 0
    for bit in bits:
        out = register >> (width - 1) & 1 ^ bit
        register = register << 1 & (1 << width) - 1
        if out:
            register ^= polynomial
    return register


def weights_by_division(polynomial: int, width: int, data_bits: int) -> tuple[int, ...]:
    """Return the weight distribution by computing the check bits of every data word."""
    found: Counter[int] = Counter()
    for data in product((0, 1), repeat=data_bits):
        found[sum(data) + remainder(list(data), polynomial, width).bit_count()] += 1
    return tuple(found[k] for k in range(data_bits + width + 1))


@st.composite
def codes(draw: st.DrawFn, max_width: int = 10) -> tuple[int, int]:
    width = draw(st.integers(1, max_width))
    return draw(st.integers(0, (1 << (width - 1)) - 1)) << 1 | 1, width


# --- Hamming distance -----------------------------------------------------------------------------

# Greatest data bits at distance 3, 4, 5, 6, by exhaustive search; the rows 0x1021 and 0x3D65 agree with
# Koopman and Chakravarty, DSN 2004.
EXHAUSTIVE = [
    (8, 0x2F, (119, 119, 3, 3)),
    (8, 0x07, (119, 119, 0, 0)),
    (8, 0x1D, (247, 13, 6, 0)),
    (8, 0x4D, (247, 15, 6, 0)),
    (8, 0xD5, (85, 85, 2, 2)),
    (15, 0x4599, (112, 112, 112, 112)),
    (16, 0x1021, (32751, 32751, 0, 0)),
    (16, 0x8005, (32751, 32751, 0, 0)),
    (16, 0x90D9, (135, 135, 135, 135)),
    (16, 0x3D65, (135, 135, 135, 135)),
    (16, 0x5935, (241, 241, 241, 35)),
    (16, 0x755B, (7985, 7985, 108, 20)),
]


@pytest.mark.parametrize(("width", "polynomial", "data_bits"), EXHAUSTIVE)
def test_data_bits_at_distance_3_to_6(width: int, polynomial: int, data_bits: tuple[int, ...]) -> None:
    assert tuple(data_bits_at_distance(polynomial, width, d) for d in (3, 4, 5, 6)) == data_bits


# Koopman and Chakravarty, "Cyclic redundancy code (CRC) polynomial selection for embedded networks", DSN
# 2004, table 3 (implicit-+1 notation): distance, width, polynomial, greatest data bits. Written down from
# memory; entries that did not agree were taken for misremembered and left out.
SELECTION = [
    (3, 5, 0x12, 26),
    (3, 6, 0x21, 57),
    (3, 7, 0x48, 120),
    (3, 8, 0xA6, 247),
    (3, 9, 0x110, 502),
    (3, 10, 0x240, 1013),
    (3, 11, 0x5D7, 2036),
    (3, 16, 0x8D95, 65519),
    (4, 5, 0x15, 10),
    (4, 6, 0x2C, 25),
    (4, 7, 0x5B, 56),
    (4, 8, 0x97, 119),
    (4, 9, 0x17D, 246),
    (4, 10, 0x247, 501),
    (4, 11, 0x583, 1012),
    (4, 14, 0x2322, 8177),
    (4, 15, 0x4306, 16368),
    (4, 16, 0xD175, 32751),
    (5, 8, 0x9C, 9),
    (5, 9, 0x185, 13),
    (5, 10, 0x2B9, 21),
    (5, 11, 0x5D7, 26),
    (5, 14, 0x212D, 113),
    (5, 15, 0x6A8D, 136),
    (5, 16, 0xAC9A, 241),
    (6, 9, 0x13C, 8),
    (6, 10, 0x28E, 12),
    (6, 11, 0x532, 22),
    (6, 12, 0xB41, 27),
    (6, 13, 0x1909, 52),
    (6, 14, 0x372B, 57),
    (6, 15, 0x573A, 114),
    (6, 16, 0xC86C, 135),
    (7, 11, 0x571, 12),
    (7, 16, 0x968B, 19),
    (8, 16, 0x8FDB, 15),
]


@pytest.mark.parametrize(("distance", "width", "polynomial", "data_bits"), SELECTION)
def test_polynomial_selection_table(distance: int, width: int, polynomial: int, data_bits: int) -> None:
    assert data_bits_at_distance(from_implicit_plus_one(polynomial, width), width, distance) == data_bits


@pytest.mark.parametrize(
    ("distance", "data_bits", "limit"),
    [(4, 91607, 131072), (5, 2974, 3000), (6, 268, 400), (7, 171, 300), (8, 91, 200)],
)
def test_crc32_of_ethernet_by_length(distance: int, data_bits: int, limit: int) -> None:
    # Koopman, "32-bit cyclic redundancy codes for Internet applications", DSN 2002, table 1 (from memory).
    assert data_bits_at_distance(CRC32, 32, distance, limit) == data_bits


def test_can_polynomial_corrects_to_127_bits() -> None:
    # Bosch CAN specification 2.0 (1991), CRC field: best for frames of less than 127 bits (from memory).
    assert data_bits_at_distance(0x4599, 15, 6) + 15 == 127


def test_24_bit_distance_6_to_2024_bits() -> None:
    # FlexRay protocol specification 2.1: distance 6 for payloads up to 248 bytes (from memory), after 5 bytes
    # of header.
    assert data_bits_at_distance(0x5D6DCB, 24, 6, limit=2040) == (5 + 248) * 8


def test_limit_is_returned_where_the_distance_still_holds() -> None:
    assert data_bits_at_distance(0x1021, 16, 4, limit=500) == 500
    assert data_bits_at_distance(0x1021, 16, 2, limit=10**6) == 10**6
    assert data_bits_at_distance(0x1021, 16, 17) == 0


def test_search_that_grows_too_large_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(codeweights, "_MAX_SEARCH_STEPS", 1000)
    with pytest.raises(CodewordSearchError, match="takes too long"):
        hamming_distance.__wrapped__(CRC32, 32, 2000)


# --- weights --------------------------------------------------------------------------------------


@quick
@given(codes(max_width=8), st.integers(1, 8))
def test_weights_equal_those_of_all_codewords(code: tuple[int, int], data_bits: int) -> None:
    polynomial, width = code
    expected = weights_by_division(polynomial, width, data_bits)
    assert weight_distribution(polynomial, width, data_bits + width) == expected
    assert hamming_distance(polynomial, width, data_bits) == next(
        k for k, n in enumerate(expected) if k and n
    )
    assert codeweights._enumerated_weights(1 << width | polynomial, width, data_bits + width) == expected


@quick
@given(codes(), st.integers(1, 150))
def test_weights_of_longer_frames_are_a_code(code: tuple[int, int], data_bits: int) -> None:
    polynomial, width = code
    frame_bits = data_bits + width
    weights = weight_distribution(polynomial, width, frame_bits)
    assert len(weights) == frame_bits + 1
    assert weights[0] == 1
    assert min(weights) >= 0
    assert sum(weights) == 1 << data_bits
    assert hamming_distance(polynomial, width, data_bits) == next(k for k, n in enumerate(weights) if k and n)
    assert sum(words for _, words in dual_weights(polynomial, width, frame_bits)) == 1 << width
    if (polynomial.bit_count() + 1) % 2 == 0:  # x + 1 is a factor
        assert not any(weights[1::2])
    assert undetected_probability(polynomial, width, frame_bits, 0.5) == Fraction(
        (1 << data_bits) - 1, 1 << frame_bits
    )


def dual_by_register(polynomial: int, width: int, frame_bits: int) -> Counter[int]:
    """Return the dual's weights by playing the shift register from every start, one bit at a time."""
    found: Counter[int] = Counter()
    for start in range(1 << width):
        state, ones = start, 0
        for _ in range(frame_bits):
            ones += state & 1
            state = state >> 1 ^ ((1 << width | polynomial) >> 1 if state & 1 else 0)
        found[ones] += 1
    return found


def by_krawtchouk(dual: dict[int, int], width: int, n: int) -> list[int]:
    """Return the A_k by Krawtchouk polynomials, (k+1) K_(k+1) = (n-2j) K_k - (n-k+1) K_(k-1)."""
    total = [0] * (n + 1)
    for j, words in dual.items():
        before, now = 0, words
        for k in range(n + 1):
            total[k] += now
            before, now = now, ((n - 2 * j) * now - (n - k + 1) * before) // (k + 1)
    assert all(each % (1 << width) == 0 for each in total)
    return [each >> width for each in total]


@quick
@given(codes(max_width=7), st.integers(1, 200))
def test_dual_words_are_those_of_the_shift_register(code: tuple[int, int], data_bits: int) -> None:
    polynomial, width = code
    frame_bits = data_bits + width
    dual = dict(dual_weights(polynomial, width, frame_bits))
    assert dual == dual_by_register(polynomial, width, frame_bits)
    # MacWilliams and Sloane, chapter 5: the identity in its two forms
    assert list(weight_distribution(polynomial, width, frame_bits)) == by_krawtchouk(dual, width, frame_bits)


@pytest.mark.parametrize("frame_bits", [17, 40, 127, 300])
@pytest.mark.parametrize("polynomial", [0x1021, 0x755B])
def test_wider_codes_by_the_same_two_ways(polynomial: int, frame_bits: int) -> None:
    dual = dict(dual_weights(polynomial, 16, frame_bits))
    assert list(weight_distribution(polynomial, 16, frame_bits)) == by_krawtchouk(dual, 16, frame_bits)


@quick
@given(codes(max_width=12), st.integers(19, 120))
def test_the_distance_read_off_is_the_one_searched(code: tuple[int, int], data_bits: int) -> None:
    polynomial, width = code
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(codeweights, "_MAX_COUNTED_FRAME", 0)
        searched = hamming_distance.__wrapped__(polynomial, width, data_bits)
    assert hamming_distance(polynomial, width, data_bits) == searched


@pytest.mark.parametrize(("width", "polynomial"), [(3, 0b011), (4, 0b0011), (5, 0b00101), (8, 0x1D)])
def test_full_length_primitive_polynomial_is_the_hamming_code(width: int, polynomial: int) -> None:
    # MacWilliams and Sloane, chapter 1, section 9: Hamming codes (from memory); weights by the recurrence
    # i A_i + A_(i-1) + (n - i + 2) A_(i-2) = C(n, i-1).
    n = (1 << width) - 1
    weights = weight_distribution(polynomial, width, n)
    assert weights[:3] == (1, 0, 0)
    for i in range(2, n + 1):
        assert i * weights[i] + weights[i - 1] + (n - i + 2) * weights[i - 2] == comb(n, i - 1)


@pytest.mark.parametrize("generator", [0xC75, 0xAE3])
def test_golay_code(generator: int) -> None:
    # Binary Golay code, 23 bits, MacWilliams and Sloane, chapter 2, section 6: weights (from memory).
    weights = weight_distribution(generator - (1 << 11), 11, 23)
    expected = {0: 1, 7: 253, 8: 506, 11: 1288, 12: 1288, 15: 506, 16: 253, 23: 1}
    assert {k: n for k, n in enumerate(weights) if n} == expected


def test_double_error_correcting_bch_code() -> None:
    # (15, 7) BCH code, x^8 + x^7 + x^6 + x^4 + 1 (Lin and Costello, Error Control Coding; from memory).
    weights = weight_distribution(0xD1, 8, 15)
    assert {k: n for k, n in enumerate(weights) if n} == {
        0: 1, 5: 18, 6: 30, 7: 15, 8: 15, 9: 30, 10: 18, 15: 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("polynomial", "width", "frame_bits", "known"),
    [(0x2F, 8, 40, {4: 693, 6: 30358}), (0x1021, 16, 80, {4: 162}), (0x90D9, 16, 80, {6: 9153})],
)
def test_light_words(polynomial: int, width: int, frame_bits: int, known: dict[int, int]) -> None:
    # Computed before and apart from this code, from the published formula (MacWilliams identity).
    weights = weight_distribution(polynomial, width, frame_bits)
    first = min(known)
    assert not any(weights[1:first])
    assert {k: weights[k] for k in known} == known


# --- bounds for wide checks -----------------------------------------------------------------------


@quick
@given(codes(max_width=12), st.integers(20, 60))
def test_bounds_hold_and_their_exact_part_is_exact(code: tuple[int, int], data_bits: int) -> None:
    polynomial, width = code
    frame_bits = data_bits + width
    exact = weight_distribution(polynomial, width, frame_bits)
    chance = undetected_probability(polynomial, width, frame_bits, Fraction(1, 50))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(codeweights, "_MAX_DUAL_WIDTH", 0)  # send a narrow code down the way of the wide ones
        limits = weight_limits.__wrapped__(polynomial, width, frame_bits)
        patch.setattr(checkcode, "weight_limits", weight_limits.__wrapped__)
        bound = residual(polynomial, width, frame_bits, Fraction(1, 50))
    assert limits.exact_up_to >= limits.hamming_distance
    assert limits.counts[: limits.exact_up_to + 1] == exact[: limits.exact_up_to + 1]
    assert all(bound >= count for bound, count in zip(limits.counts, exact, strict=True))
    assert not limits.exact
    assert not bound.exact
    assert chance <= bound.probability <= undetected_without_check(frame_bits, Fraction(1, 50))


@pytest.mark.parametrize(
    ("polynomial", "width", "frame_bits"), [(0x90D9, 16, 150), (0x5935, 16, 250), (0x1021, 16, 300)]
)
def test_packing_bound_holds_where_little_is_counted(
    polynomial: int, width: int, frame_bits: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    exact = weight_distribution(polynomial, width, frame_bits)
    monkeypatch.setattr(codeweights, "_MAX_DUAL_WIDTH", 0)
    monkeypatch.setattr(codeweights, "_MAX_COUNT_STEPS", 0)
    limits = weight_limits.__wrapped__(polynomial, width, frame_bits)
    assert limits.exact_up_to == limits.hamming_distance - 1
    assert all(bound >= count for bound, count in zip(limits.counts, exact, strict=True))


def test_crc32_residual_is_a_flagged_bound() -> None:
    bound = residual(CRC32, 32, 400, 1e-6)
    assert not bound.exact
    assert bound.hamming_distance == 5
    # The lightest words alone are a lower bound; at this p they are nearly everything.
    counts = weight_limits(CRC32, 32, 400)
    lightest = counts.counts[5] * Fraction(1e-6) ** 5 * (1 - Fraction(1e-6)) ** 395
    assert lightest <= bound.probability <= lightest * 2


def test_crc32_with_little_data_is_exact() -> None:
    found = residual(CRC32, 32, 42, 1e-3)
    assert found.exact
    assert (
        found.hamming_distance == 15
    )  # Koopman, DSN 2002, table 1: distance 15 at 8 to 10 bits (from memory)
    assert found.probability == sum(
        n * Fraction(1e-3) ** k * (1 - Fraction(1e-3)) ** (42 - k)
        for k, n in enumerate(weights_by_division(CRC32, 32, 10))
        if k
    )


def test_wide_exact_weights_out_of_reach() -> None:
    with pytest.raises(CodewordSearchError, match="out of reach"):
        weight_distribution(CRC32, 32, 400)
    with pytest.raises(CodewordSearchError):
        undetected_probability(CRC32, 32, 400, 1e-6)
    with pytest.raises(CodewordSearchError):
        dual_weights(CRC32, 32, 400)


# --- probability ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("polynomial", "width", "frame_bits", "p", "exact", "guess"),
    [
        # Computed before and apart from this code, from the published formula; the usual estimate beside it.
        (0x2F, 8, 40, Fraction(1, 100), 4.84776e-6, 2.678e-6),
        (0x2F, 8, 40, Fraction(1, 10**4), 6.90510e-14, 3.560e-14),
        (0x1021, 16, 80, Fraction(1, 100), 7.59442e-7, 1.321e-7),
        (0x1021, 16, 80, Fraction(1, 10**4), 1.60774e-14, 2.399e-15),
        (0x90D9, 16, 80, Fraction(1, 100), 4.39411e-9, None),
        (0x90D9, 16, 80, Fraction(1, 10**4), 9.08552e-21, None),
    ],
)
def test_residual_probability_and_estimate(
    polynomial: int, width: int, frame_bits: int, p: Fraction, exact: float, guess: float | None
) -> None:
    value = undetected_probability(polynomial, width, frame_bits, p)
    assert float(value) == pytest.approx(exact, rel=1e-6)
    if guess is not None:
        rough = estimate(width, frame_bits, hamming_distance(polynomial, width, frame_bits - width), p)
        assert float(rough) == pytest.approx(guess, rel=3e-4)
        assert rough < value  # no upper bound


@quick
@given(codes(), st.integers(1, 60), st.fractions(0, 1, max_denominator=10**6))
def test_dual_form_equals_sum_over_weights(code: tuple[int, int], data_bits: int, p: Fraction) -> None:
    polynomial, width = code
    n = data_bits + width
    weights = weight_distribution(polynomial, width, n)
    direct = sum(count * p**k * (1 - p) ** (n - k) for k, count in enumerate(weights) if k)
    assert undetected_probability(polynomial, width, n, p) == direct


@pytest.mark.parametrize(("polynomial", "frame_bits"), [(0x1021, 80), (0x90D9, 140), (0x755B, 2000)])
def test_tiny_probability_keeps_its_digits(polynomial: int, frame_bits: int) -> None:
    weights = weight_distribution(polynomial, 16, frame_bits)
    distance = next(k for k, n in enumerate(weights) if k and n)
    value = undetected_probability(polynomial, 16, frame_bits, 1e-9)
    leading = weights[distance] * Fraction(1e-9) ** distance
    assert float(value) > 0
    assert abs(value / leading - 1) < frame_bits * TINY
    assert undetected_probability(polynomial, 16, frame_bits, 0) == 0


@quick
@given(codes(max_width=9), st.integers(1, 60), st.integers(1, 20))
def test_probability_rises_up_to_distance_over_length(
    code: tuple[int, int], data_bits: int, step: int
) -> None:
    polynomial, width = code
    n = data_bits + width
    top = residual(polynomial, width, n, Fraction(1, 1000)).rising_up_to
    here = residual(polynomial, width, n, top * Fraction(step - 1, 20)).probability
    there = residual(polynomial, width, n, top * Fraction(step, 20)).probability
    assert here < there


def chance_that_wrong_passes(bits: int, p: Fraction, passes: object) -> Fraction:
    """Return the probability of all error patterns but none that ``passes`` accepts, by listing them."""
    total = Fraction(0)
    for error in product((0, 1), repeat=bits):
        if any(error) and passes(error):  # type: ignore[operator]
            total += p ** sum(error) * (1 - p) ** (bits - sum(error))
    return total


def test_simple_checks_equal_all_error_patterns() -> None:
    p = Fraction(1, 7)
    assert undetected_without_check(6, p) == chance_that_wrong_passes(6, p, lambda _: True)
    assert undetected_with_parity(3, 4, p) == chance_that_wrong_passes(
        12, p, lambda e: all(sum(e[i : i + 4]) % 2 == 0 for i in (0, 4, 8))
    )
    assert undetected_with_xor_sum(3, 4, p) == chance_that_wrong_passes(
        12, p, lambda e: all((e[i] + e[i + 4] + e[i + 8]) % 2 == 0 for i in range(4))
    )
    assert undetected_with_repetition(5, p) == chance_that_wrong_passes(10, p, lambda e: e[:5] == e[5:])


def test_parity_is_the_one_bit_polynomial() -> None:
    for p in (Fraction(1, 3), TINY):
        assert undetected_with_parity(1, 11, p) == undetected_probability(1, 1, 11, p)


def test_residual_error_rate_counts_messages_and_sinks() -> None:
    # IEC 61784-3 form: R * v * m; 100 messages a second, two sinks, by hand.
    assert residual_errors_per_hour(Fraction(1, 10**15), 360_000, 2) == Fraction(72, 10**11)


# --- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("polynomial", "width", "frame_bits", "message"),
    [
        (0x1020, 16, 80, "needs the \\+1"),
        (0x11021, 16, 80, "normal form"),
        (0, 8, 80, "normal form"),
        (1, 0, 80, "1 to 64"),
        (1, 65, 80, "1 to 64"),
        (0x1021, 16, 16, "no data"),
    ],
)
def test_refuses_what_is_no_code(polynomial: int, width: int, frame_bits: int, message: str) -> None:
    for function in (weight_distribution, weight_limits, dual_weights):
        with pytest.raises(ValueError, match=message):
            function(polynomial, width, frame_bits)
    for chance in (undetected_probability, residual):
        with pytest.raises(ValueError, match=message):
            chance(polynomial, width, frame_bits, 1e-6)


@pytest.mark.parametrize("p", [-1e-9, 1.5, float("nan")])
def test_refuses_what_is_no_probability(p: float) -> None:
    for function in (undetected_probability, residual):
        with pytest.raises(ValueError, match="no probability"):
            function(0x1021, 16, 80, p)
    with pytest.raises(ValueError, match="no probability"):
        undetected_without_check(80, p)


def test_refuses_a_wrong_notation() -> None:
    with pytest.raises(ValueError, match="implicit"):
        from_implicit_plus_one(0x1021, 16)
    assert from_implicit_plus_one(0xC86C, 16) == 0x90D9
