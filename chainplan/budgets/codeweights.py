"""Codewords of a check code by weight: how many error patterns of k bits no check sees, and the least k.

A cyclic redundancy check of ``width`` r is given by its polynomial in *normal form*: the term x^r is
implied, every other term is written, the lowest bit is the "+1". ``0x1021`` with width 16 is
x^16 + x^12 + x^5 + 1. Start value, final inversion and bit order change which frames are valid, not which
error patterns are seen, so they do not appear here.

A frame of n bits is n - r data bits and r check bits. An error pattern goes undetected exactly if it is a
codeword, that is, a multiple of the polynomial. Three ways lead to A_k, the number of codewords of weight k,
and each result says whether it is exact:

* up to 21 check bits: all 2^r words of the dual code and the MacWilliams identity (MacWilliams and Sloane,
  The Theory of Error-Correcting Codes, chapter 5, theorem 1). Exact.
* more check bits, at most 18 data bits: all codewords. Exact.
* otherwise: the lightest words are counted, the rest bounded from above by the packing argument of
  Johnson (IRE Trans. IT-8, 1962).

All of this holds for the bits that the check sees. Bit stuffing moves bits and voids it. The literature is
cited from memory; the formulas are checked against plain enumeration.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import lru_cache
from math import comb
from typing import NamedTuple

# What one call may cost: the dual of a 21-bit code (2^21 words) takes about 0.1 s at 200 bits, 2^18
# codewords 0.04 s.
_MAX_DUAL_WIDTH = 21
_MAX_ENUMERATED_DATA_BITS = 18
# Up to here the Hamming distance is read off all the A_k, which takes some ms; beyond it is searched for.
_MAX_COUNTED_WIDTH = 16
_MAX_COUNTED_FRAME = 512
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


def generator_of(polynomial: int, width: int, frame_bits: int) -> int:
    """Return the polynomial with all its terms, after checking the code's parameters.

    Raises ValueError for parameters that are no code.
    """
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


def has_all_weights(width: int, data_bits: int) -> bool:
    """Tell whether every A_k of such a code can be had exactly."""
    return width <= _MAX_DUAL_WIDTH or data_bits <= _MAX_ENUMERATED_DATA_BITS


def has_dual(width: int) -> bool:
    """Tell whether the dual of a code with so many check bits is small enough to be walked through."""
    return width <= _MAX_DUAL_WIDTH


# --- weights --------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def dual_weights(polynomial: int, width: int, frame_bits: int) -> tuple[tuple[int, int], ...]:
    """Return (weight, number of words) of the dual code, lightest first; 2^width words in all.

    Bit t of dual word s is the parity of s and the syndrome of position t, s = 0 .. 2^width - 1. One whole
    number holds bit t of all words, and all words are counted at once: see :func:`_ones`. Raises ValueError
    for parameters that are no code, CodewordSearchError for more than 21 check bits.
    """
    generator = generator_of(polynomial, width, frame_bits)
    if not has_dual(width):
        msg = f"the dual of a {width}-bit check has 2^{width} words; at most 2^{_MAX_DUAL_WIDTH} are walked"
        raise CodewordSearchError(msg)
    return _histogram(_ones(_dual_bits(generator, width, frame_bits)), 1 << width)


def _dual_bits(generator: int, width: int, frame_bits: int) -> Iterator[int]:
    """Yield position by position a number whose bit s is that bit of dual word s.

    Positions whose syndromes are one bit give the words' own numbers, bit by bit; any other is a sum of
    those, looked up by four bits of the syndrome at a time.
    """
    tables = []
    for low in range(0, width, 4):
        table = [0]
        for bit in range(low, min(low + 4, width)):
            stripes = _stripes(bit, width)
            table += [entry ^ stripes for entry in table]
        tables.append(table)
    column = 1
    for _ in range(frame_bits):
        bits, rest = 0, column
        for table in tables:
            if rest & 15:
                bits ^= table[rest & 15]
            rest >>= 4
        yield bits
        column = _next_column(column, generator, width)


def _stripes(bit: int, width: int) -> int:
    """Return a number whose bit s is the given bit of s itself, s = 0 .. 2^width - 1."""
    run = 1 << bit
    stripes = ((1 << run) - 1) << run
    run *= 2
    while run < 1 << width:
        stripes |= stripes << run
        run *= 2
    return stripes


def _ones(columns: Iterator[int]) -> list[int]:
    """Return how many of the numbers have bit s set, for all s at once: bit s of entry i is its bit i.

    A tree of full adders that work on whole numbers: of every three numbers of one power of two, the sum
    stays and the carry moves up, so a number costs five operations in all.
    """
    powers: list[list[int]] = [[]]

    def add(number: int, power: int) -> None:
        while True:
            if power == len(powers):
                powers.append([])
            waiting = powers[power]
            if len(waiting) < 2:
                waiting.append(number)
                return
            one, two = waiting
            either = one ^ two
            powers[power] = [either ^ number]
            number = one & two | either & number
            power += 1

    for column in columns:
        add(column, 0)
    power = 0
    while power < len(powers):  # the last of each pair: a half adder
        if len(powers[power]) == 2:
            one, two = powers[power]
            powers[power] = [one ^ two]
            if one & two:
                add(one & two, power + 1)
        power += 1
    return [waiting[0] if waiting else 0 for waiting in powers]


def _histogram(digits: list[int], words: int) -> tuple[tuple[int, int], ...]:
    """Return (number, how many words have it): bit s of ``digits[i]`` is bit i of the number of word s."""
    groups = [(0, (1 << words) - 1)]
    for power in range(len(digits) - 1, -1, -1):
        split = []
        for number, members in groups:
            with_bit = members & digits[power]
            without = members ^ with_bit
            if without:
                split.append((number, without))
            if with_bit:
                split.append((number + (1 << power), with_bit))
        groups = split
    return tuple((number, members.bit_count()) for number, members in groups)


@lru_cache(maxsize=64)
def weight_distribution(polynomial: int, width: int, frame_bits: int) -> tuple[int, ...]:
    """Return the exact number A_k of codewords of weight k, k = 0 .. frame_bits.

    With 16 check bits 300 bits take about 5 ms, 4000 bits about 1 s. Raises ValueError for parameters that
    are no code, CodewordSearchError for more than 21 check bits with more than 18 data bits.
    """
    generator = generator_of(polynomial, width, frame_bits)
    if not has_dual(width):
        return _enumerated_weights(generator, width, frame_bits)
    return _of_dual(dual_weights(polynomial, width, frame_bits), width, frame_bits)


def _of_dual(dual: tuple[tuple[int, int], ...], width: int, frame_bits: int) -> tuple[int, ...]:
    """Return the A_k by the MacWilliams identity (MacWilliams and Sloane, chapter 5, theorem 1).

    2^r * sum of A_k x^k = sum over dual words of (1 - x)^w (1 + x)^(n - w), w the dual word's weight. Taken
    at x a power of two above every coefficient, so that the coefficients stand side by side in one whole
    number. The word without ones, and the one without zeros where it is one, give plain binomials. What all
    others have in common, (1 - x^2)^m, is multiplied last, for their weights lie close about n/2.
    """
    size = -(-(frame_bits + width + 1) // 8)  # bytes of a coefficient
    slot = 8 * size
    words = dict(dual)
    none, all_ones = words.pop(0), words.pop(frame_bits, 0)
    inner = 0
    if words:
        lightest, heaviest = min(words), max(words)
        minus, plus = lightest, frame_bits - heaviest
        power = 1  # (1 + x)^(heaviest - w)
        for weight in range(heaviest, lightest - 1, -1):
            inner += words.get(weight, 0) * power - (inner << slot)
            power += power << slot
        for _ in range(min(minus, plus)):
            inner -= inner << 2 * slot
        for _ in range(minus - plus):
            inner -= inner << slot
        for _ in range(plus - minus):
            inner += inner << slot
    binomial = 1
    outer = bytearray()
    for k in range(frame_bits + 1):
        outer += (binomial * (none - all_ones if k % 2 else none + all_ones)).to_bytes(size, "little")
        binomial = binomial * (frame_bits - k) // (k + 1)
    found = (inner + int.from_bytes(outer, "little") >> width).to_bytes(size * (frame_bits + 1), "little")
    return tuple(
        int.from_bytes(found[start : start + size], "little") for start in range(0, len(found), size)
    )


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


@lru_cache(maxsize=64)
def weight_limits(polynomial: int, width: int, frame_bits: int) -> WeightLimits:
    """Return the A_k, exact where they can be had, otherwise proven upper bounds.

    Two words of weight k at least d apart share at most k - ceil(d/2) ones, so no set of
    s = k - ceil(d/2) + 1 positions lies in two of them: A_k <= C(n, s) / C(k, s) (Johnson 1962). Raises
    ValueError for parameters that are no code, CodewordSearchError if not even the Hamming distance is found.
    """
    generator = generator_of(polynomial, width, frame_bits)
    data_bits = frame_bits - width
    if has_all_weights(width, data_bits):
        exact = weight_distribution(polynomial, width, frame_bits)
        return WeightLimits(_least(exact), exact, frame_bits)
    distance = hamming_distance(polynomial, width, data_bits)
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

    Read off all weights where that is fast, else searched weight by weight, see :func:`_first_length`. At
    4096 data bits seven common 32-bit polynomials took 0.4 to 3 s on a busy machine. Raises ValueError for
    parameters that are no code, CodewordSearchError if the search grows too large.
    """
    frame_bits = data_bits + width
    generator = generator_of(polynomial, width, frame_bits)
    if data_bits <= _MAX_ENUMERATED_DATA_BITS:
        return _least(_enumerated_weights(generator, width, frame_bits))
    if width <= _MAX_COUNTED_WIDTH and frame_bits <= _MAX_COUNTED_FRAME:
        return _least(weight_distribution(polynomial, width, frame_bits))
    weight = 2
    while _first_length(generator, width, weight, frame_bits) is None:
        weight += 1
    return weight


def _least(weights: tuple[int, ...]) -> int:
    """Return the least weight above 0 that occurs."""
    return next(k for k, count in enumerate(weights) if k and count)


def data_bits_at_distance(polynomial: int, width: int, distance: int, limit: int = 65535) -> int:
    """Return the greatest number of data bits at which the Hamming distance is at least ``distance``.

    0 if there is none; ``limit`` if the distance still holds there (the true figure may be larger; two bits
    of distance hold at every length). Raises as :func:`hamming_distance`.
    """
    longest = limit + width
    generator = generator_of(polynomial, width, longest)
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
