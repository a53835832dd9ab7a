"""The weights of any check code: how many error patterns of k bits it does not see, at the most.

Exact where :mod:`chainplan.budgets.errors.code_weights` counts them all. Otherwise the lightest words are
counted, which at small bit error probabilities are nearly all that matters, and the rest is bounded from
above by the packing argument of Johnson (IRE Trans. IT-8, 1962). The literature is cited from memory; the
bounds are checked against exact weights.
"""

from __future__ import annotations

from collections import Counter
from functools import lru_cache
from math import comb
from typing import NamedTuple

from chainplan.budgets.errors.code_distance import hamming_distance
from chainplan.budgets.errors.code_weights import has_all_weights, least_weight, weight_distribution
from chainplan.budgets.errors.code_words import add_column, generator_of, next_column, only_even_weights

# Steps of about 0.1 us, entries of about 70 bytes.
_MAX_STEPS = 10_000_000
_MAX_TABLE = 1_000_000


class WeightLimits(NamedTuple):
    """Codewords per weight: ``counts[k]`` is exact for k <= ``exact_up_to`` and an upper bound above it."""

    hamming_distance: int
    counts: tuple[int, ...]
    exact_up_to: int

    @property
    def exact(self) -> bool:
        """Whether every count is exact."""
        return self.exact_up_to >= len(self.counts) - 1


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
        return WeightLimits(least_weight(exact), exact, frame_bits)
    distance = hamming_distance(polynomial, width, data_bits)
    counts = [1] + [0] * frame_bits
    exact_up_to = distance - 1
    for weight, count in _lightest_counts(generator, width, frame_bits, distance):
        counts[weight] = count
        exact_up_to = weight
    binomials = [1]
    for k in range(frame_bits):
        binomials.append(binomials[k] * (frame_bits - k) // (k + 1))
    only_even = only_even_weights(generator)
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
        if weight % 2 and only_even_weights(generator):
            result.append((weight, 0))
            continue
        inner = weight - 2
        low, high = inner // 2, inner - inner // 2
        if comb(frame_bits, low + 1) > _MAX_STEPS or comb(frame_bits, high) > _MAX_TABLE:
            break
        lighter = found.get(weight - 2)
        tops = [0] * frame_bits
        table: Counter[int] = Counter([0] if high == 0 else [])
        sums: list[list[int]] = [[0], *([] for _ in range(low))]
        column = 1
        for top in range(1, frame_bits):
            column = next_column(column, generator, width)
            partners = map(table.get, map((column ^ 1).__xor__, sums[low]))
            matches = sum(filter(None, partners))
            if lighter is not None and lighter[top]:
                matches -= lighter[top] * comb(inner - 2, high - 1) * (top - 1 - (inner - 2))
            tops[top] = matches // comb(inner, low)
            if high:
                table.update(map(column.__xor__, sums[high - 1]))
            add_column(sums, column)
        found[weight] = tops
        result.append((weight, sum(words * (frame_bits - top) for top, words in enumerate(tops))))
    return result
