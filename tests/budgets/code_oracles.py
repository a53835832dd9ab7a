"""Oracles for the tests of check codes: long division, a shift register, sums over the dual code.

None of it comes from the project's own arithmetic.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from itertools import product

import numpy as np
from hypothesis import strategies as st


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


def dual_by_register(polynomial: int, width: int, frame_bits: int) -> dict[int, int]:
    """Return the dual's weights by simulating the shift register from every start at once, bit by bit."""
    states = np.arange(1 << width)
    ones = np.zeros_like(states)
    for _ in range(frame_bits):
        low = states & 1
        ones += low
        states = states >> 1 ^ low * ((1 << width | polynomial) >> 1)
    weights, words = np.unique(ones, return_counts=True)
    return dict(zip(weights.tolist(), words.tolist(), strict=True))


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


def undetected(polynomial: int, width: int, frame_bits: int, p: Fraction) -> Fraction:
    """Return the probability that a frame is wrong and passes its check, bits hit alone with probability p.

    From the dual code's weights B_j: 2^-r * sum of B_j (1-2p)^j - (1-p)^n (MacWilliams and Sloane, chapter 5;
    Wolf, Michelson and Levesque, IEEE Trans. COM-30, 1982).
    """
    dual = dual_by_register(polynomial, width, frame_bits)
    passing = sum((words * (1 - 2 * p) ** weight for weight, words in dual.items()), start=Fraction(0))
    return passing / (1 << width) - (1 - p) ** frame_bits


@st.composite
def codes(draw: st.DrawFn, max_width: int = 10) -> tuple[int, int]:
    width = draw(st.integers(1, max_width))
    return draw(st.integers(0, (1 << (width - 1)) - 1)) << 1 | 1, width
