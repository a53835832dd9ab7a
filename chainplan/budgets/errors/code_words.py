"""The words of a check code: its polynomial, and which error patterns are words of it.

A cyclic redundancy check of ``width`` r is given by its polynomial in *normal form*: the term x^r is
implied, every other term is written, the lowest bit is the "+1". ``0x1021`` with width 16 is
x^16 + x^12 + x^5 + 1. Start value, final inversion and bit order change which frames are valid, not which
error patterns are seen, so they do not appear here.

A frame of n bits is n - r data bits and r check bits. An error pattern goes undetected exactly if it is a
codeword, that is, a multiple of the polynomial: if the syndromes of its positions, x^t modulo the polynomial,
cancel. All of this holds for the bits that the check sees. Bit stuffing moves bits and voids it.
"""

from __future__ import annotations


class CodewordSearchError(ValueError):
    """The exact answer needs more steps or memory than is allowed for it."""


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


def only_even_weights(generator: int) -> bool:
    """Return whether x + 1 divides the polynomial, so that no odd number of bit errors passes."""
    return generator.bit_count() % 2 == 0


def next_column(column: int, generator: int, width: int) -> int:
    """Return the syndrome of the next position: x times this one, modulo the polynomial."""
    column <<= 1
    return column ^ generator if column >> width else column


def add_column(sums: list[list[int]], column: int) -> None:
    """Extend sums[s], the syndromes of all sets of s positions, by the sets that hold a new position."""
    for size in range(len(sums) - 1, 0, -1):
        sums[size].extend([partial ^ column for partial in sums[size - 1]])
