"""Keys that carry their unit: ``worst_s``, ``stress_V``, ``needed_m``, ``total_bit``, ``margin_ratio``."""

from __future__ import annotations

from fractions import Fraction

from chainplan.quantity import (
    BIT_RATE,
    BITS,
    CAPACITY,
    COUNT,
    CURRENT,
    DATA_PER_SAMPLE,
    LENGTH,
    LEVEL,
    RATE,
    RATIO,
    TIME,
    VOLTAGE,
    Dimension,
    to_unit,
)

# By name of the dimension: what ends the key, and the unit of the figure.
SUFFIXES: dict[str, tuple[str, str]] = {
    TIME.name: ("s", "s"),
    VOLTAGE.name: ("V", "V"),
    LENGTH.name: ("m", "m"),
    BITS.name: ("bit", "bit"),
    DATA_PER_SAMPLE.name: ("byte", "byte"),
    RATIO.name: ("ratio", ""),
    COUNT.name: ("count", ""),
    LEVEL.name: ("dB", "dB"),
    RATE.name: ("per_hour", "/h"),
    CAPACITY.name: ("Ah", "Ah"),
    CURRENT.name: ("A", "A"),
    BIT_RATE.name: ("bit_per_s", "bit/s"),
}

Number = float | int | None
"""A figure in its unit; None where it is not known."""


def unit_of(dimension: Dimension) -> str:
    """Return a dimension's unit as keys and records write it: s, V, m, bit, byte, ratio, count, dB, ..."""
    return SUFFIXES[dimension.name][0]


def number(ticks: int | Fraction | None, dimension: Dimension) -> Number:
    """Return ticks in that unit as the nearest float, whole bits and counts as integers, unknown as None."""
    if ticks is None:
        return None
    if isinstance(ticks, int):
        if dimension.name in (BITS.name, COUNT.name):
            return ticks
        size = dimension.units[SUFFIXES[dimension.name][1]]
        return ticks * size.denominator / size.numerator  # whole numbers divide to the nearest float
    if dimension.name in (BITS.name, COUNT.name) and ticks.denominator == 1:
        return int(ticks)
    return to_unit(ticks, dimension, SUFFIXES[dimension.name][1])


def with_unit(key: str, ticks: int | Fraction | None, dimension: Dimension) -> dict[str, Number]:
    """Return one entry: the key with its unit, and the figure in it."""
    return {f"{key}_{unit_of(dimension)}": number(ticks, dimension)}
