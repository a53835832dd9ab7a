"""What a check code lets through: weights, Hamming distance and residual error probability.

A cyclic redundancy check of ``width`` r is given by its polynomial in *normal form*: the term x^r is
implied, every other term is written, the lowest bit is the "+1". ``0x1021`` with width 16 is
x^16 + x^12 + x^5 + 1. Tables that leave out the +1 instead (implicit-+1 notation, as in Koopman and
Chakravarty, DSN 2004) are converted by :func:`from_implicit_plus_one`. Start value, final inversion and bit
order change which frames are valid, not which error patterns are seen, so they do not appear here.

A frame of n bits is n - r data bits and r check bits. An error pattern goes undetected exactly if it is a
codeword, that is, a multiple of the polynomial. With A_k codewords of weight k and independent bit
errors of probability p

    R(p) = sum over k >= 1 of A_k * p^k * (1 - p)^(n - k)

Three ways lead to A_k here, and each result says whether it is exact:

* up to 21 check bits: all 2^r words of the dual code and the MacWilliams identity (MacWilliams and Sloane,
  The Theory of Error-Correcting Codes, chapter 5, theorem 1). Exact.
* more check bits, at most 18 data bits: all codewords. Exact.
* otherwise: the lightest words are counted, the rest bounded from above by the packing argument of
  Johnson (IRE Trans. IT-8, 1962). R(p) is then an upper bound.

All of this holds for the bits that the check sees. Bit stuffing moves bits and voids it. The literature is
cited from memory; the formulas are checked against plain enumeration.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from fractions import Fraction
from functools import lru_cache
from math import comb
from operator import sub
from typing import NamedTuple

__all__ = [
    "CodewordSearchError",
    "Residual",
    "WeightLimits",
    "data_bits_at_distance",
    "dual_weights",
    "estimate",
    "from_implicit_plus_one",
    "hamming_distance",
    "residual",
    "residual_errors_per_hour",
    "undetected_probability",
    "undetected_with_parity",
    "undetected_with_repetition",
    "undetected_with_xor_sum",
    "undetected_without_check",
    "weight_distribution",
    "weight_limits",
]

# What one call may cost: the dual of a 21-bit code (2^21 words) takes about 1 s, 2^18 codewords 0.04 s.
_MAX_DUAL_WIDTH = 21
_MAX_ENUMERATED_DATA_BITS = 18
# Steps of about 0.1 us, entries of about 70 bytes.
_MAX_SEARCH_STEPS = 100_000_000
_MAX_COUNT_STEPS = 10_000_000
_MAX_SEARCH_TABLE = 3_000_000
_MAX_COUNT_TABLE = 1_000_000


class CodewordSearchError(ValueError):
    """The exact answer needs more steps or memory than this module allows itself."""


class WeightLimits(NamedTuple):
    """Codewords per weight: ``counts[k]`` is exact for k <= ``exact_up_to`` and an upper bound above it."""

    hamming_distance: int
    counts: tuple[int, ...]
    exact_up_to: int

    @property
    def exact(self) -> bool:
        """Whether every count is exact."""
        return self.exact_up_to >= len(self.counts) - 1


class Residual(NamedTuple):
    """Probability that a frame arrives wrong and is taken for right.

    ``exact`` tells an exact value from an upper bound. Up to a bit error probability of ``rising_up_to`` the
    value grows with p, so that the largest p is the worst case; above it, that is not guaranteed.
    """

    probability: Fraction
    exact: bool
    hamming_distance: int
    rising_up_to: Fraction


def from_implicit_plus_one(polynomial: int, width: int) -> int:
    """Return the normal form of a polynomial whose x^width is written and whose +1 is implied.

    ``0xC86C`` of width 16 becomes ``0x90D9``. Raises ValueError if the term x^width is missing.
    """
    if polynomial >> (width - 1) != 1:
        msg = f"0x{polynomial:X} has no term x^{width} in implicit-+1 notation"
        raise ValueError(msg)
    return (polynomial << 1 | 1) & ((1 << width) - 1)


def _generator(polynomial: int, width: int, frame_bits: int) -> int:
    """Return the polynomial with all its terms, after checking the code's parameters."""
    if not 1 <= width <= 64:
        msg = f"a check of {width} bits: 1 to 64 are supported"
        raise ValueError(msg)
    if not 0 < polynomial < 1 << width or not polynomial & 1:
        msg = f"0x{polynomial:X} is no normal form of width {width}: it needs the +1 and no x^{width}"
        raise ValueError(msg)
    if frame_bits <= width:
        msg = f"a frame of {frame_bits} bits has no data beside its {width} check bits"
        raise ValueError(msg)
    return 1 << width | polynomial


def _probability(p: Fraction | float) -> Fraction:
    """Return p as an exact fraction (a float stands for its exact binary value)."""
    if not 0 <= p <= 1:
        msg = f"{p} is no probability"
        raise ValueError(msg)
    return Fraction(p)


# --- weights --------------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def dual_weights(polynomial: int, width: int, frame_bits: int) -> tuple[tuple[int, int], ...]:
    """Return (weight, number of words) of the dual code, lightest first; 2^width words in all.

    A dual word is frame_bits successive output bits of the code's shift register, one word for each start
    state. The states form closed cycles, so a window sliding along each cycle gives all weights in 2^width
    steps at any frame length. Raises ValueError for parameters that are no code, CodewordSearchError for
    more than 21 check bits.
    """
    generator = _generator(polynomial, width, frame_bits)
    if width > _MAX_DUAL_WIDTH:
        msg = f"the dual of a {width}-bit check has 2^{width} words; at most 2^{_MAX_DUAL_WIDTH} are walked"
        raise CodewordSearchError(msg)
    weights: Counter[int] = Counter()
    for ones_before in _cycles(generator, width):
        length = len(ones_before) - 1
        rounds, rest = divmod(frame_bits, length)
        whole = rounds * ones_before[length]
        # A window of `rest` bits that runs over the cycle's end goes on at its begin.
        onward = (*ones_before[rest:], *(ones_before[length] + ones for ones in ones_before[1:rest]))
        for part, count in Counter(map(sub, onward, ones_before[:length])).items():
            weights[whole + part] += count
    return tuple(sorted(weights.items()))


@lru_cache(maxsize=8)
def _cycles(generator: int, width: int) -> tuple[tuple[int, ...], ...]:
    """Return the cycles of the code's shift register: of each, how many ones it has put out before each step.

    Kept for all frame lengths of a code, for walking all 2^width states is what takes longest.
    """
    taps = generator >> 1
    seen = bytearray(1 << width)
    cycles = []
    start = 0
    while start >= 0:
        ones = [0]
        state = start
        while not seen[state]:
            seen[state] = 1
            ones.append(ones[-1] + (state & 1))
            state = state >> 1 ^ taps if state & 1 else state >> 1
        cycles.append(tuple(ones))
        start = seen.find(0, start)
    return tuple(cycles)


@lru_cache(maxsize=32)
def weight_distribution(polynomial: int, width: int, frame_bits: int) -> tuple[int, ...]:
    """Return the exact number A_k of codewords of weight k, k = 0 .. frame_bits.

    MacWilliams identity: 2^r * A_k = sum over dual words of K_k(j), j the dual word's weight, K_k the
    Krawtchouk polynomial with (k+1) K_(k+1)(j) = (n-2j) K_k(j) - (n-k+1) K_(k-1)(j) (MacWilliams and Sloane,
    chapter 5). The upper half follows from K_(n-k)(j) = (-1)^j K_k(j). With 16 check bits 1000 bits take
    about 0.1 s, 4000 bits up to 1 s; :func:`undetected_probability` does without the A_k and is faster.
    Raises ValueError for parameters that are no code, CodewordSearchError for more than 21 check bits with
    more than 18 data bits.
    """
    generator = _generator(polynomial, width, frame_bits)
    if width > _MAX_DUAL_WIDTH:
        return _enumerated_weights(generator, width, frame_bits)
    half = frame_bits // 2
    by_parity = ([0] * (half + 1), [0] * (half + 1))
    for weight, words in dual_weights(polynomial, width, frame_bits):
        total = by_parity[weight & 1]
        slope = frame_bits - 2 * weight
        before, now = 0, words
        for k in range(half + 1):
            total[k] += now
            before, now = now, (slope * now - (frame_bits - k + 1) * before) // (k + 1)
    even, odd = by_parity
    lower = [(a + b) >> width for a, b in zip(even, odd, strict=True)]
    upper = [(a - b) >> width for a, b in zip(even, odd, strict=True)]
    return tuple(lower + upper[: frame_bits - half][::-1])


def _enumerated_weights(generator: int, width: int, frame_bits: int) -> tuple[int, ...]:
    """Return the A_k by listing all multiples of the generator that fit into the frame."""
    data_bits = frame_bits - width
    if data_bits > _MAX_ENUMERATED_DATA_BITS:
        msg = (
            f"exact weights of a {width}-bit check with {data_bits} data bits are out of reach: "
            f"at most {_MAX_DUAL_WIDTH} check bits or {_MAX_ENUMERATED_DATA_BITS} data bits"
        )
        raise CodewordSearchError(msg)
    words = [0]
    for shift in range(data_bits):
        row = generator << shift
        words += [word ^ row for word in words]
    found = Counter(map(int.bit_count, words))
    return tuple(found[k] for k in range(frame_bits + 1))


@lru_cache(maxsize=32)
def weight_limits(polynomial: int, width: int, frame_bits: int) -> WeightLimits:
    """Return the A_k, exact where they can be had, otherwise proven upper bounds.

    Two words of weight k at least d apart share at most k - ceil(d/2) ones, so no set of
    s = k - ceil(d/2) + 1 positions lies in two of them: A_k <= C(n, s) / C(k, s) (Johnson 1962). Raises
    ValueError for parameters that are no code, CodewordSearchError if not even the Hamming distance is found.
    """
    generator = _generator(polynomial, width, frame_bits)
    data_bits = frame_bits - width
    distance = hamming_distance(polynomial, width, data_bits)
    if width <= _MAX_DUAL_WIDTH or data_bits <= _MAX_ENUMERATED_DATA_BITS:
        return WeightLimits(distance, weight_distribution(polynomial, width, frame_bits), frame_bits)
    counts = [1] + [0] * frame_bits
    exact_up_to = distance - 1
    for weight, count in _lightest_counts(generator, width, frame_bits, distance):
        counts[weight] = count
        exact_up_to = weight
    binomials = [1]
    for k in range(frame_bits):
        binomials.append(binomials[k] * (frame_bits - k) // (k + 1))
    only_even = _only_even_weights(generator)
    shared = (distance + 1) // 2 - 1  # ones that a set of s positions leaves out of a word: k - s
    for k in range(exact_up_to + 1, frame_bits + 1):
        if not (only_even and k % 2):
            packing = binomials[k - shared] // comb(k, shared)
            counts[k] = min(packing, binomials[k], 1 << data_bits)
    return WeightLimits(distance, tuple(counts), exact_up_to)


def _lightest_counts(generator: int, width: int, frame_bits: int, distance: int) -> list[tuple[int, int]]:
    """Return (k, A_k) for k = distance .. distance + 3, as far as the permitted effort reaches.

    A word is a shift of one whose lowest one is at position 0. With ``top`` its highest position, it fits
    frame_bits - top times. The t = k - 2 ones between are found as two parts of u and t - u positions whose
    syndromes cancel; each word shows up C(t, u) times. Two parts that share one position leave a word of
    weight k - 2, which is taken off again; two shared positions would leave one of k - 4 < distance, which
    does not exist.
    """
    result = []
    found: dict[int, list[int]] = {}
    for weight in range(distance, distance + 4):
        if weight % 2 and _only_even_weights(generator):
            result.append((weight, 0))
            continue
        inner = weight - 2
        low, high = inner // 2, inner - inner // 2
        if comb(frame_bits, low + 1) > _MAX_COUNT_STEPS or comb(frame_bits, high) > _MAX_COUNT_TABLE:
            break
        lighter = found.get(weight - 2)
        tops = [0] * frame_bits
        table: Counter[int] = Counter([0] if high == 0 else [])
        sums: list[list[int]] = [[0], *([] for _ in range(low))]
        column = 1
        for top in range(1, frame_bits):
            column = _next_column(column, generator, width)
            partners = map(table.get, map((column ^ 1).__xor__, sums[low]))
            matches = sum(filter(None, partners))
            if lighter is not None and lighter[top]:
                matches -= lighter[top] * comb(inner - 2, high - 1) * (top - 1 - (inner - 2))
            tops[top] = matches // comb(inner, low)
            if high:
                table.update(map(column.__xor__, sums[high - 1]))
            _add_column(sums, column)
        found[weight] = tops
        result.append((weight, sum(words * (frame_bits - top) for top, words in enumerate(tops))))
    return result


def _next_column(column: int, generator: int, width: int) -> int:
    """Return the syndrome of the next position: x times this one, modulo the polynomial."""
    column <<= 1
    return column ^ generator if column >> width else column


def _add_column(sums: list[list[int]], column: int) -> None:
    """Extend sums[s], the syndromes of all sets of s positions, by the sets that hold a new position."""
    for size in range(len(sums) - 1, 0, -1):
        sums[size].extend([partial ^ column for partial in sums[size - 1]])


def _only_even_weights(generator: int) -> bool:
    """Return whether x + 1 divides the polynomial, so that no odd number of bit errors passes."""
    return generator.bit_count() % 2 == 0


# --- Hamming distance -----------------------------------------------------------------------------


@lru_cache(maxsize=256)
def hamming_distance(polynomial: int, width: int, data_bits: int) -> int:
    """Return the smallest number of bit errors that can pass unseen in data_bits + width bits.

    Searched, not looked up: weight by weight, see :func:`_first_length`. At 4096 data bits seven common
    32-bit polynomials took 0.4 to 3 s on a busy machine. Raises ValueError for parameters that are no code,
    CodewordSearchError if the search grows too large.
    """
    frame_bits = data_bits + width
    generator = _generator(polynomial, width, frame_bits)
    if data_bits <= _MAX_ENUMERATED_DATA_BITS:
        weights = _enumerated_weights(generator, width, frame_bits)
        return next(k for k in range(1, frame_bits + 1) if weights[k])
    weight = 2
    while _first_length(generator, width, weight, frame_bits) is None:
        weight += 1
    return weight


def data_bits_at_distance(polynomial: int, width: int, distance: int, limit: int = 65535) -> int:
    """Return the greatest number of data bits at which the Hamming distance is at least ``distance``.

    0 if there is none; ``limit`` if the distance still holds there (the true figure may be larger; two bits
    of distance hold at every length). Raises as :func:`hamming_distance`.
    """
    longest = limit + width
    generator = _generator(polynomial, width, longest)
    for weight in range(2, distance):
        first = _first_length(generator, width, weight, longest)
        if first is not None:
            longest = first - 1
        if longest - width <= _MAX_ENUMERATED_DATA_BITS:
            break
    data_bits = max(longest - width, 0)
    while (
        0 < data_bits <= _MAX_ENUMERATED_DATA_BITS
        and hamming_distance(polynomial, width, data_bits) < distance
    ):
        data_bits -= 1
    return data_bits


def _first_length(generator: int, width: int, weight: int, limit: int) -> int | None:
    """Return the shortest frame, at most ``limit`` bits, that has a codeword of this weight.

    The first such word has ones at position 0 and at the frame's last position ``top``. The ones
    between are split into two halves: all sums of the larger half's syndromes are kept in a table, and the
    smaller half is tried against it. Halves that overlap would be a lighter word, so lighter words
    must have been excluded up to ``limit`` before: search the weights in rising order.
    """
    if weight % 2 and _only_even_weights(generator):
        return None
    inner = weight - 2
    low, high = inner // 2, inner - inner // 2
    table: set[int] = {0} if high == 0 else set()
    sums: list[list[int]] = [[0], *([] for _ in range(low))]
    column = 1
    steps = 0
    for top in range(1, limit):
        column = _next_column(column, generator, width)
        if not table.isdisjoint(map((column ^ 1).__xor__, sums[low])):
            return top + 1
        if high:
            table.update(map(column.__xor__, sums[high - 1]))
        _add_column(sums, column)
        steps += len(sums[low])
        if steps > _MAX_SEARCH_STEPS or len(table) > _MAX_SEARCH_TABLE:
            msg = f"no codeword of weight {weight} up to {top} bits; searching to {limit} bits takes too long"
            raise CodewordSearchError(msg)
    return None


# --- residual error probability -------------------------------------------------------------------


def _homogeneous(coefficients: Mapping[int, int], degree: int, x: int, y: int) -> int:
    """Return the sum of c_k * x^k * y^(degree - k)."""
    total, y_power, last = 0, 1, degree
    for k in sorted(coefficients, reverse=True):
        total *= pow(x, last - k)
        y_power *= pow(y, last - k)
        total += coefficients[k] * y_power
        last = k
    return total * int(x**last)


def _sum_of_weights(counts: Mapping[int, int], frame_bits: int, p: Fraction) -> Fraction:
    """Return the sum of A_k p^k (1-p)^(n-k), exactly."""
    a, b = p.numerator, p.denominator
    return Fraction(_homogeneous(counts, frame_bits, a, b - a), b**frame_bits)


def undetected_probability(polynomial: int, width: int, frame_bits: int, p: Fraction | float) -> Fraction:
    """Return R(p) exactly: the probability that a frame of frame_bits bits is wrong and passes the check.

    From the dual code's weights B_j, without the A_k: R(p) = 2^-r * sum of B_j (1-2p)^j - (1-p)^n
    (MacWilliams and Sloane, chapter 5; Wolf, Michelson and Levesque, IEEE Trans. COM-30, 1982). The
    difference cancels almost completely for small p; it is taken in whole numbers, so nothing is lost, and
    ``float()`` of the result is correctly rounded. Raises ValueError for a p outside 0..1 or parameters that
    are no code, CodewordSearchError where only a bound can be had: see :func:`residual`.
    """
    p = _probability(p)
    _generator(polynomial, width, frame_bits)
    if width > _MAX_DUAL_WIDTH:
        counts = dict(enumerate(weight_distribution(polynomial, width, frame_bits)))
        return _sum_of_weights({k: n for k, n in counts.items() if k}, frame_bits, p)
    a, b = p.numerator, p.denominator
    dual = dict(dual_weights(polynomial, width, frame_bits))
    passing = _homogeneous(dual, frame_bits, b - 2 * a, b)
    return Fraction(passing - ((b - a) ** frame_bits << width), b**frame_bits << width)


def residual(polynomial: int, width: int, frame_bits: int, p: Fraction | float) -> Residual:
    """Return R(p), exact where it can be had, otherwise an upper bound (see :func:`weight_limits`).

    p^k (1-p)^(n-k) rises up to p = k/n, hence the whole sum up to d/n, d the Hamming distance. A bound takes
    about 0.6 s at 1000 bits and 4 s at 4000. Raises as
    :func:`undetected_probability`, CodewordSearchError only if not even the Hamming distance is found.
    """
    p = _probability(p)
    data_bits = frame_bits - width
    distance = hamming_distance(polynomial, width, data_bits)
    rising = Fraction(distance, frame_bits)
    if width <= _MAX_DUAL_WIDTH or data_bits <= _MAX_ENUMERATED_DATA_BITS:
        return Residual(undetected_probability(polynomial, width, frame_bits, p), True, distance, rising)
    counts = weight_limits(polynomial, width, frame_bits).counts
    passing = {k: count for k, count in enumerate(counts) if k and count}
    return Residual(_sum_of_weights(passing, frame_bits, p), False, distance, rising)


def estimate(width: int, frame_bits: int, distance: int, p: Fraction | float) -> Fraction:
    """Return 2^-width * sum over k >= distance of C(n,k) p^k (1-p)^(n-k): for comparison only, NOT a bound.

    The usual estimate takes the codewords as spread evenly over all weights. Real codes have more light
    words than that: 16 check bits at 80 bits and p = 1e-4 let through 6.7 times the estimate.
    """
    p = _probability(p)
    counts = {k: comb(frame_bits, k) for k in range(distance, frame_bits + 1)}
    return _sum_of_weights(counts, frame_bits, p) / (1 << width)


def undetected_without_check(frame_bits: int, p: Fraction | float) -> Fraction:
    """Return the probability that a frame without check is wrong: 1 - (1-p)^n."""
    return 1 - (1 - _probability(p)) ** frame_bits


def undetected_with_parity(characters: int, bits_per_character: int, p: Fraction | float) -> Fraction:
    """Return R(p) of one parity bit per character (bits_per_character counts it).

    A character passes with an even number of errors, (1 + (1-2p)^m) / 2; the frame, if all pass and not
    all are right. Even and odd parity alike.
    """
    p = _probability(p)
    passes = (1 + (1 - 2 * p) ** bits_per_character) / 2
    return passes**characters - (1 - p) ** (characters * bits_per_character)


def undetected_with_xor_sum(characters: int, bits_per_character: int, p: Fraction | float) -> Fraction:
    """Return R(p) of a last character that is the exclusive-or of the others (characters counts it).

    Each bit column carries even parity, so it is the parity code read by columns.
    """
    return undetected_with_parity(bits_per_character, characters, p)


def undetected_with_repetition(data_bits: int, p: Fraction | float) -> Fraction:
    """Return R(p) of data sent twice and compared, the copy plain or inverted: 2 * data_bits on the wire.

    It passes if every bit pair is hit twice or not at all.
    """
    p = _probability(p)
    return (p**2 + (1 - p) ** 2) ** data_bits - (1 - p) ** (2 * data_bits)


def residual_errors_per_hour(
    probability: Fraction, messages_per_hour: Fraction | int, sinks: int = 1
) -> Fraction:
    """Return the residual error rate per hour, R(p) * v * m.

    IEC 61784-3 form (from memory): v messages per hour from one source, m information sinks that act
    on them; every sink counts, because each may be fooled. A chain read by one controller has m = 1.
    """
    return probability * messages_per_hour * sinks
