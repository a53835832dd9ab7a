"""What a sample of drawn figures says of all, and how surely: without an assumption on their distribution.

Shares and probabilities are floats here: they are estimates. Figures stay whole ticks.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import ceil, exp, isqrt, lgamma, log, log1p
from typing import NamedTuple

CONFIDENCE = 0.95
"""Confidence of every interval and bound."""

PERCENTILES = (Fraction(50), Fraction(95), Fraction(99), Fraction(999, 10))
"""What is reported of a sample, percent."""


class Quantile(NamedTuple):
    """A percentile of a sample, ticks, and the interval that holds that of all with :data:`CONFIDENCE`.

    An end is None where so small a sample says nothing of it.
    """

    percent: Fraction
    value: int
    low: int | None
    high: int | None


def quantile(ordered: Sequence[int], percent: Fraction, confidence: float = CONFIDENCE) -> Quantile:
    """Return a percentile of a sample in rising order, with its interval between two order statistics.

    The value is the least that at least so many percent of the sample do not exceed. Of n draws the number
    below the p-quantile of all is binomial, so [X(l), X(u)] holds it with at least P(l <= B <= u - 1),
    B ~ Bin(n, p), whatever the distribution; both tails get half of what is left (David & Nagaraja, Order
    Statistics, 3rd ed., 7.1; quoted from memory). Raises ValueError for an empty sample.
    """
    number = len(ordered)
    if not number:
        raise ValueError("a sample without draws has no percentile")
    share = percent / 100
    rank = max(1, ceil(share * number))
    below, above = _ranks(number, float(share), (1 - confidence) / 2)
    return Quantile(
        percent,
        ordered[rank - 1],
        ordered[below - 1] if below >= 1 else None,
        ordered[above - 1] if above <= number else None,
    )


def _ranks(number: int, share: float, tail: float) -> tuple[int, int]:
    """Return the largest l with P(B <= l - 1) <= tail and the smallest u with P(B <= u - 1) >= 1 - tail.

    `l` is 0 and `u` is number + 1 where there is no such rank.
    """
    below, above = 0, number + 1
    so_far = 0.0
    for count in range(number):  # P(B <= count) belongs to rank count + 1
        so_far += _probability(number, count, share)
        if so_far <= tail:
            below = count + 1
        if so_far >= 1 - tail:
            above = count + 1
            break
    return below, above


def _probability(number: int, count: int, share: float) -> float:
    """Return P(B = count) for B ~ Bin(number, share), 0 < share < 1."""
    ways = lgamma(number + 1) - lgamma(count + 1) - lgamma(number - count + 1)
    return exp(ways + count * log(share) + (number - count) * log1p(-share))


def upper_share(hits: int, number: int, confidence: float = CONFIDENCE) -> float:
    """Return the share of all that, with a confidence, is not exceeded when `hits` of `number` were hit.

    The one-sided bound of Clopper & Pearson (Biometrika 26, 1934): the share at which so few hits have the
    probability 1 - confidence; for none of n it is 1 - (1 - confidence)^(1/n). Rounded up in its last digits.
    Raises ValueError for counts that cannot be.
    """
    if not 0 <= hits <= number or number < 1:
        raise ValueError(f"{hits} of {number} draws cannot be")
    if hits == number:
        return 1.0
    low, high = hits / number, 1.0
    for _ in range(60):  # halves down to the last digit of a float
        middle = (low + high) / 2
        if _at_most(hits, number, middle) > 1 - confidence:
            low = middle
        else:
            high = middle
    return high


def _at_most(hits: int, number: int, share: float) -> float:
    """Return P(B <= hits) for B ~ Bin(number, share), by its shorter tail."""
    if share >= 1.0:
        return 0.0
    if hits < number // 2:
        return sum(_probability(number, count, share) for count in range(hits + 1))
    return 1 - sum(_probability(number, count, share) for count in range(hits + 1, number + 1))


def root_sum_square(effects: Sequence[int]) -> int:
    """Return the root of the sum of squares, ticks, rounded up (JCGM 100:2008, equation 10, all c_i u_i)."""
    total = sum(effect * effect for effect in effects)
    root = isqrt(total)
    return root + (root * root < total)
