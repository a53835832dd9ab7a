"""The weights of a check code: how many error patterns of k bits it does not see, exactly.

Polynomials are in the normal form of :mod:`chainplan.budgets.errors.code_words`. Two ways lead to all A_k,
the numbers of codewords of weight k:

* up to 21 check bits: all 2^r words of the dual code and the MacWilliams identity (MacWilliams and Sloane,
  The Theory of Error-Correcting Codes, chapter 5, theorem 1).
* more check bits, at most 18 data bits: all codewords.

Other codes have bounds, see :mod:`chainplan.budgets.errors.code_limits`. The literature is cited from
memory; the formulas are checked against plain enumeration.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import lru_cache

from chainplan.budgets.errors.code_words import CodewordSearchError, generator_of, next_column

# What one call may cost: the dual of a 21-bit code (2^21 words) takes about 0.1 s at 200 bits, 2^18
# codewords 0.04 s.
_MAX_DUAL_WIDTH = 21
MAX_ENUMERATED_DATA_BITS = 18


def has_all_weights(width: int, data_bits: int) -> bool:
    """Tell whether every A_k of such a code can be had exactly."""
    return width <= _MAX_DUAL_WIDTH or data_bits <= MAX_ENUMERATED_DATA_BITS


@lru_cache(maxsize=64)
def weight_distribution(polynomial: int, width: int, frame_bits: int) -> tuple[int, ...]:
    """Return the exact number A_k of codewords of weight k, k = 0 .. frame_bits.

    With 16 check bits 300 bits take about 5 ms, 4000 bits about 1 s. Raises ValueError for parameters that
    are no code, CodewordSearchError for more than 21 check bits with more than 18 data bits.
    """
    generator = generator_of(polynomial, width, frame_bits)
    if width > _MAX_DUAL_WIDTH:
        return enumerated_weights(generator, width, frame_bits)
    return _of_dual(_dual_weights(generator, width, frame_bits), width, frame_bits)


def _dual_weights(generator: int, width: int, frame_bits: int) -> dict[int, int]:
    """Return how many words of the dual code have each weight; 2^width words in all.

    Bit t of dual word s is the parity of s and the syndrome of position t, s = 0 .. 2^width - 1. One whole
    number holds bit t of all words, and all words are counted at once: see :func:`_ones`.
    """
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
        column = next_column(column, generator, width)


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


def _histogram(digits: list[int], words: int) -> dict[int, int]:
    """Return how many words have each number; bit s of ``digits[i]`` is bit i of the number of word s."""
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
    return {number: members.bit_count() for number, members in groups}


def _of_dual(words: dict[int, int], width: int, frame_bits: int) -> tuple[int, ...]:
    """Return the A_k by the MacWilliams identity (MacWilliams and Sloane, chapter 5, theorem 1).

    2^r * sum of A_k x^k = sum over dual ``words`` of (1 - x)^w (1 + x)^(n - w), w a word's weight. Taken
    at x a power of two above every coefficient, so that the coefficients stand side by side in one whole
    number. The word without ones, and the one without zeros where it is one, give plain binomials. What all
    others have in common, (1 - x^2)^m, is multiplied last, for their weights lie close about n/2.
    """
    size = -(-(frame_bits + width + 1) // 8)  # bytes of a coefficient
    slot = 8 * size
    words = dict(words)
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


def enumerated_weights(generator: int, width: int, frame_bits: int) -> tuple[int, ...]:
    """Return the A_k by listing all multiples of the generator that fit into the frame."""
    data_bits = frame_bits - width
    if data_bits > MAX_ENUMERATED_DATA_BITS:
        msg = (
            f"exact weights of a {width}-bit check with {data_bits} data bits are out of reach: "
            f"at most {_MAX_DUAL_WIDTH} check bits or {MAX_ENUMERATED_DATA_BITS} data bits"
        )
        raise CodewordSearchError(msg)
    words = [0]
    for shift in range(data_bits):
        row = generator << shift
        words += [word ^ row for word in words]
    found = Counter(map(int.bit_count, words))
    return tuple(found[k] for k in range(frame_bits + 1))


def least_weight(weights: tuple[int, ...]) -> int:
    """Return the least weight above 0 that occurs."""
    return next(k for k, count in enumerate(weights) if k and count)
