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

The A_k come from :mod:`chainplan.budgets.codeweights`, exact or as upper bounds; R(p) is then one, too.

All of this holds for the bits that the check sees. Bit stuffing moves bits and voids it. The literature is
cited from memory; the formulas are checked against plain enumeration.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from math import comb
from typing import NamedTuple

from chainplan.budgets.codeweights import (
    CodewordSearchError,
    WeightLimits,
    data_bits_at_distance,
    dual_weights,
    generator_of,
    hamming_distance,
    has_all_weights,
    has_dual,
    weight_distribution,
    weight_limits,
)

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


def _probability(p: Fraction | float) -> Fraction:
    """Return p as an exact fraction (a float stands for its exact binary value)."""
    if not 0 <= p <= 1:
        msg = f"{p} is no probability"
        raise ValueError(msg)
    return Fraction(p)


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
    generator_of(polynomial, width, frame_bits)
    if not has_dual(width):
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
    if has_all_weights(width, data_bits):
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
