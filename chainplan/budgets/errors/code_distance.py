"""The Hamming distance of a check code: the smallest number of bit errors that it may miss.

Polynomials are in the normal form of :mod:`chainplan.budgets.errors.code_words`.
"""

from __future__ import annotations

from functools import lru_cache

from chainplan.budgets.errors.code_weights import (
    MAX_ENUMERATED_DATA_BITS,
    enumerated_weights,
    least_weight,
    weight_distribution,
)
from chainplan.budgets.errors.code_words import (
    CodewordSearchError,
    add_column,
    generator_of,
    next_column,
    only_even_weights,
)

# Up to here the Hamming distance is read off all the A_k, which takes some ms; beyond it is searched for.
_MAX_COUNTED_WIDTH = 16
_MAX_COUNTED_FRAME = 512
# Steps of about 0.1 us, entries of about 70 bytes.
_MAX_STEPS = 100_000_000
_MAX_TABLE = 3_000_000


@lru_cache(maxsize=256)
def hamming_distance(polynomial: int, width: int, data_bits: int) -> int:
    """Return the smallest number of bit errors that can pass unseen in data_bits + width bits.

    Read off all weights where that is fast, else searched weight by weight, see :func:`_first_length`. At
    4096 data bits seven common 32-bit polynomials took 0.4 to 3 s on a busy machine. Raises ValueError for
    parameters that are no code, CodewordSearchError if the search grows too large.
    """
    frame_bits = data_bits + width
    generator = generator_of(polynomial, width, frame_bits)
    if data_bits <= MAX_ENUMERATED_DATA_BITS:
        return least_weight(enumerated_weights(generator, width, frame_bits))
    if width <= _MAX_COUNTED_WIDTH and frame_bits <= _MAX_COUNTED_FRAME:
        return least_weight(weight_distribution(polynomial, width, frame_bits))
    weight = 2
    while _first_length(generator, width, weight, frame_bits) is None:
        weight += 1
    return weight


def _first_length(generator: int, width: int, weight: int, limit: int) -> int | None:
    """Return the shortest frame, at most ``limit`` bits, that has a codeword of this weight.

    The first such word has ones at position 0 and at the frame's last position ``top``. The ones
    between are split into two halves: all sums of the larger half's syndromes are kept in a table, and the
    smaller half is tried against it. Halves that overlap would be a lighter word, so lighter words
    must have been excluded up to ``limit`` before: search the weights in rising order.
    """
    if weight % 2 and only_even_weights(generator):
        return None
    inner = weight - 2
    low, high = inner // 2, inner - inner // 2
    table: set[int] = {0} if high == 0 else set()
    sums: list[list[int]] = [[0], *([] for _ in range(low))]
    column = 1
    steps = 0
    for top in range(1, limit):
        column = next_column(column, generator, width)
        if not table.isdisjoint(map((column ^ 1).__xor__, sums[low])):
            return top + 1
        if high:
            table.update(map(column.__xor__, sums[high - 1]))
        add_column(sums, column)
        steps += len(sums[low])
        if steps > _MAX_STEPS or len(table) > _MAX_TABLE:
            msg = f"no codeword of weight {weight} up to {top} bits; searching to {limit} bits takes too long"
            raise CodewordSearchError(msg)
    return None
