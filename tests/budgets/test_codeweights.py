"""Weights of check codes checked against classical enumerators, plain enumeration and a shift register."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from code_oracles import by_krawtchouk, codes, dual_by_register, weights_by_division
from hypothesis import given, settings
from hypothesis import strategies as st

from chainplan.budgets.errors import code_limits as codelimits
from chainplan.budgets.errors import code_weights as codeweights
from chainplan.budgets.errors.code_distance import hamming_distance
from chainplan.budgets.errors.code_limits import weight_limits
from chainplan.budgets.errors.code_weights import enumerated_weights, weight_distribution
from chainplan.budgets.errors.code_words import CodewordSearchError

CRC32 = 0x04C11DB7  # IEEE 802.3
quick = settings(max_examples=40, deadline=None)


@quick
@given(codes(max_width=8), st.integers(1, 8))
def test_weights_equal_those_of_all_codewords(code: tuple[int, int], data_bits: int) -> None:
    polynomial, width = code
    expected = weights_by_division(polynomial, width, data_bits)
    assert weight_distribution(polynomial, width, data_bits + width) == expected
    assert hamming_distance(polynomial, width, data_bits) == next(
        k for k, n in enumerate(expected) if k and n
    )
    assert enumerated_weights(1 << width | polynomial, width, data_bits + width) == expected


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
    if (polynomial.bit_count() + 1) % 2 == 0:  # x + 1 is a factor
        assert not any(weights[1::2])


@quick
@given(codes(max_width=7), st.integers(1, 200))
def test_weights_follow_from_the_shift_register(code: tuple[int, int], data_bits: int) -> None:
    # MacWilliams and Sloane, chapter 5: the identity in its two forms
    polynomial, width = code
    frame_bits = data_bits + width
    dual = dual_by_register(polynomial, width, frame_bits)
    assert list(weight_distribution(polynomial, width, frame_bits)) == by_krawtchouk(dual, width, frame_bits)


@pytest.mark.parametrize("frame_bits", [17, 40, 127, 300])
@pytest.mark.parametrize("polynomial", [0x1021, 0x755B])
def test_wider_codes_by_the_same_two_ways(polynomial: int, frame_bits: int) -> None:
    dual = dual_by_register(polynomial, 16, frame_bits)
    assert list(weight_distribution(polynomial, 16, frame_bits)) == by_krawtchouk(dual, 16, frame_bits)


@pytest.mark.parametrize("frame_bits", [2, 11, 64])
def test_parity_is_the_one_bit_polynomial(frame_bits: int) -> None:
    # Single parity check code: all words of even weight (textbook).
    even = [comb(frame_bits, k) if k % 2 == 0 else 0 for k in range(frame_bits + 1)]
    assert list(weight_distribution(1, 1, frame_bits)) == even


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
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(codeweights, "_MAX_DUAL_WIDTH", 0)  # send a narrow code down the way of the wide ones
        limits = weight_limits.__wrapped__(polynomial, width, frame_bits)
    assert limits.exact_up_to >= limits.hamming_distance
    assert limits.counts[: limits.exact_up_to + 1] == exact[: limits.exact_up_to + 1]
    assert all(bound >= count for bound, count in zip(limits.counts, exact, strict=True))
    assert not limits.exact


@pytest.mark.parametrize(
    ("polynomial", "width", "frame_bits"), [(0x90D9, 16, 150), (0x5935, 16, 250), (0x1021, 16, 300)]
)
def test_packing_bound_holds_where_little_is_counted(
    polynomial: int, width: int, frame_bits: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    exact = weight_distribution(polynomial, width, frame_bits)
    monkeypatch.setattr(codeweights, "_MAX_DUAL_WIDTH", 0)
    monkeypatch.setattr(codelimits, "_MAX_STEPS", 0)
    limits = weight_limits.__wrapped__(polynomial, width, frame_bits)
    assert limits.exact_up_to == limits.hamming_distance - 1
    assert all(bound >= count for bound, count in zip(limits.counts, exact, strict=True))


def test_crc32_is_bounded_and_says_so() -> None:
    # Koopman, DSN 2002, table 1: distance 5 from 269 to 2974 bits (from memory).
    limits = weight_limits(CRC32, 32, 400)
    assert not limits.exact
    assert limits.hamming_distance == 5
    # The lightest words alone are a lower bound; at this p they are nearly everything.
    p = Fraction(1, 10**6)
    passing = [count * p**k * (1 - p) ** (400 - k) for k, count in enumerate(limits.counts)]
    assert sum(passing[1:]) <= 2 * passing[5]


def test_crc32_with_little_data_is_exact() -> None:
    limits = weight_limits(CRC32, 32, 42)
    assert limits.exact
    assert limits.hamming_distance == 15  # Koopman, DSN 2002, table 1, at 8 to 10 bits (from memory)
    assert limits.counts == weights_by_division(CRC32, 32, 10)


def test_wide_exact_weights_out_of_reach() -> None:
    with pytest.raises(CodewordSearchError, match="out of reach"):
        weight_distribution(CRC32, 32, 400)


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
    for function in (weight_distribution, weight_limits):
        with pytest.raises(ValueError, match=message):
            function(polynomial, width, frame_bits)
