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
    Span,
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

Figure = float | int | None


def with_unit(key: str, ticks: int | Fraction | None, dimension: Dimension) -> dict[str, Figure]:
    """Return one entry: the key with its unit, and the figure in it; bits and counts stay whole."""
    suffix, unit = SUFFIXES[dimension.name]
    return {f"{key}_{suffix}": figure(ticks, dimension, unit)}


def figure(ticks: int | Fraction | None, dimension: Dimension, unit: str) -> Figure:
    """Return ticks in a unit as the nearest float, whole bits and counts as integers, unknown as None."""
    if ticks is None:
        return None
    if isinstance(ticks, int):
        if dimension.name in (BITS.name, COUNT.name):
            return ticks
        size = dimension.units[unit]
        return ticks * size.denominator / size.numerator  # whole numbers divide to the nearest float
    if dimension.name in (BITS.name, COUNT.name) and ticks.denominator == 1:
        return int(ticks)
    return to_unit(ticks, dimension, unit)


def span_of_time(span: Span) -> dict[str, Figure]:
    """Return a time with its tolerance, s."""
    return {
        "min_s": figure(span.min, TIME, "s"),
        "typical_s": figure(span.typical, TIME, "s"),
        "max_s": figure(span.max, TIME, "s"),
    }
