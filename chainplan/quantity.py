"""Physical quantities, held as whole ticks and written with a unit.

Inside chainplan each quantity is a :class:`Span` of three whole numbers (min, typical, max) counted in the
tick of its :class:`Dimension`. Whole numbers make sums exact: a computed bound and a simulated time are
compared with ``==`` and no tolerance, and 96 times 4.2 V is 403.2 V.

Rounding goes downstream: the minimum down, the maximum up, the typical value to the nearest tick, so that a
bound stays a bound. What people write is read by :mod:`chainplan.plan.quantity_text`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, NamedTuple


class QuantityError(ValueError):
    """A text that is not a quantity of the wanted dimension.

    ``expected`` names what would have been accepted; ``nearest`` a unit (or key) that was perhaps meant.
    """

    def __init__(self, message: str, expected: str, nearest: str | None = None) -> None:
        super().__init__(message)
        self.expected = expected
        self.nearest = nearest

    def __reduce__(self) -> tuple[type[QuantityError], tuple[str, str, str | None]]:
        # The default would call the class with the message alone; worker processes send errors pickled.
        return type(self), (str(self), self.expected, self.nearest)


class Span(NamedTuple):
    """Smallest, typical and largest value of a quantity, in whole ticks of its dimension."""

    min: int
    typical: int
    max: int

    @classmethod
    def exact(cls, ticks: int) -> Span:
        """Return the span of a quantity without tolerance."""
        return cls(ticks, ticks, ticks)

    def in_proportion(self, share: Fraction) -> Span:
        """Return the quantity times a factor, its ends rounded outward."""
        return outward(*(end * share for end in self))


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity: its name, its tick and the units in which it may be written.

    ``units`` maps a unit's text to ticks per unit. ``display`` lists the units of reports, smallest first;
    ``base`` is the one in which zero is written. Negative values are refused unless ``signed``.
    """

    name: str
    tick: str
    units: Mapping[str, Fraction] = field(hash=False)  # a dict has no hash; the name tells dimensions apart
    display: tuple[str, ...]
    base: str
    example: str
    signed: bool = False

    def accepted(self) -> str:
        """Return the accepted units as words for a message, each in its ASCII spelling only."""
        return ", ".join(unit or "no unit" for unit in self.units if unit.isascii())


def _spellings(unit: str) -> tuple[str, ...]:
    """Return the ways to type a unit: micro sign and Greek mu for u, Greek omega and ohm sign for ohm."""
    if unit.startswith("u"):
        return unit, "\u00b5" + unit[1:], "\u03bc" + unit[1:]
    if unit.endswith("ohm"):
        prefix = unit.removesuffix("ohm")
        return unit, prefix + "\u03a9", prefix + "\u2126"
    if unit == "degC":
        return unit, "°C"
    return (unit,)


def _units(ticks: Mapping[str, int]) -> dict[str, Fraction]:
    return {spelling: Fraction(value) for unit, value in ticks.items() for spelling in _spellings(unit)}


# One row a line: name, tick, ticks per unit / display units, base unit, example.
# fmt: off
TIME = Dimension(
    "time", "fs", _units({"ps": 10**3, "ns": 10**6, "us": 10**9, "ms": 10**12, "s": 10**15,
                          "min": 60 * 10**15, "h": 3600 * 10**15, "d": 86400 * 10**15}),
    ("ps", "ns", "us", "ms", "s", "h"), "s", "2 ms")
VOLTAGE = Dimension(
    "voltage", "uV", _units({"uV": 1, "mV": 10**3, "V": 10**6, "kV": 10**9}),
    ("uV", "mV", "V"), "V", "4.2 V")
LENGTH = Dimension(
    "length", "nm", _units({"um": 10**3, "mm": 10**6, "cm": 10**7, "m": 10**9, "km": 10**12,
                            "in": 25_400_000, "ft": 304_800_000}),
    ("um", "mm", "m", "km"), "m", "350 mm")
CURRENT = Dimension(
    "current", "nA", _units({"nA": 1, "uA": 10**3, "mA": 10**6, "A": 10**9}),
    ("nA", "uA", "mA", "A"), "A", "12 mA")
RESISTANCE = Dimension(
    "resistance", "mohm", _units({"mohm": 1, "ohm": 10**3, "kohm": 10**6, "Mohm": 10**9, "Gohm": 10**12}),
    ("mohm", "ohm", "kohm", "Mohm", "Gohm"), "ohm", "1 Mohm")
BIT_RATE = Dimension(
    "bit rate", "ubit/s", _units({"bit/s": 10**6, "kbit/s": 10**9, "Mbit/s": 10**12, "Gbit/s": 10**15}),
    ("bit/s", "kbit/s", "Mbit/s", "Gbit/s"), "bit/s", "2 Mbit/s ± 1 %")
FREQUENCY = Dimension(
    "frequency", "uHz", _units({"Hz": 10**6, "kHz": 10**9, "MHz": 10**12, "GHz": 10**15}),
    ("Hz", "kHz", "MHz", "GHz"), "Hz", "10 MHz")
SPEED = Dimension(
    "speed", "um/s", _units({"m/s": 10**6, "km/s": 10**9, "c": 299_792_458 * 10**6}),
    ("m/s",), "m/s", "2e8 m/s")
BITS = Dimension(
    "amount of data", "bit", _units({"bit": 1, "byte": 8, "bytes": 8, "bits": 1}),
    ("bit",), "bit", "4 byte")
RATIO = Dimension(
    "ratio", "1e-12", _units({"": 10**12, "%": 10**10, "ppm": 10**6}),
    ("%",), "%", "10 %")
LEVEL = Dimension(
    "level", "udB", _units({"dB": 10**6, "mdB": 10**3}),
    ("dB",), "dB", "0.5 dB", signed=True)
CAPACITY = Dimension(
    "charge", "nAh", _units({"uAh": 10**3, "mAh": 10**6, "Ah": 10**9}),
    ("mAh", "Ah"), "Ah", "60 Ah")
TEMPERATURE = Dimension(
    "temperature", "mdegC", _units({"degC": 10**3}),
    ("degC",), "degC", "55 degC", signed=True)

# Of results alone: no plan writes these, so a unit of theirs is never looked for in a text.
COUNT = Dimension("count", "1", _units({"": 1}), ("",), "", "12")
DATA_PER_SAMPLE = Dimension(
    "data per sample", "ubyte", _units({"byte": 10**6}), ("byte",), "byte", "4 byte")
RATE = Dimension(
    "rate", "1e-30/h",
    _units({f"e{power}/h": 10**(30 + power) for power in range(-30, 0, 3)} | {"/h": 10**30}),
    (*(f"e{power}/h" for power in range(-30, 0, 3)), "/h"), "/h", "3 /h")

DIMENSIONS = (
    TIME, VOLTAGE, LENGTH, CURRENT, RESISTANCE, BIT_RATE, FREQUENCY,
    SPEED, BITS, RATIO, LEVEL, CAPACITY, TEMPERATURE,
)
# fmt: on


def to_unit(ticks: int | Fraction, dimension: Dimension, unit: str) -> float:
    """Return ``ticks`` in ``unit`` as the nearest float, for data files; KeyError for a foreign unit."""
    return float(ticks / dimension.units[unit])


def bit_time(rate: Span) -> Span:
    """Return the time of one bit in fs, from a bit rate in ubit/s (or of one period, from uHz).

    tau = 1 / (bit_rate * (1 - tolerance)): the longest bit time belongs to the lowest rate. Rounded
    outward. Raises QuantityError unless the whole span of the rate is above zero.
    """
    if rate.min <= 0:
        raise QuantityError("a rate that reaches zero has no longest bit time", "a bit rate above zero")
    product = Fraction(10**15 * 10**6)  # fs per second, ubit per bit
    return outward(product / rate.max, product / rate.typical, product / rate.min)


_ROUNDING: Mapping[str, Callable[[Fraction], int]] = {"nearest": round, "down": math.floor, "up": math.ceil}


def format_ticks(
    ticks: int | Fraction,
    dimension: Dimension,
    digits: int = 4,
    rounding: Literal["nearest", "down", "up"] = "nearest",
) -> str:
    """Return ``ticks`` for a reader, in the largest display unit that leaves a whole part: ``2.302 ms``.

    ``digits`` significant digits (digits before the point are never dropped), trailing zeros trimmed, no
    exponent but in the unit of a rate; only zero itself is written as 0. ``rounding`` "down" and "up" go
    towards minus and plus infinity.
    """
    if digits < 1:
        raise ValueError("digits must be at least 1")
    if ticks == 0:
        return f"0 {dimension.base}".strip()
    for unit in reversed(dimension.display):
        scaled, decimals = _significant(ticks / dimension.units[unit], digits, _ROUNDING[rounding])
        if abs(scaled) >= 10**decimals:
            break
    whole, part = divmod(abs(scaled), 10**decimals)
    text = f"{whole}.{part:0{decimals}}".rstrip("0").rstrip(".") if decimals else str(whole)
    return f"{'-' if scaled < 0 else ''}{text} {unit}".strip()


def format_span(span: Span, dimension: Dimension, digits: int = 4) -> str:
    """Return ``2 ms`` for an exact span, else ``1.8 to 2.3 ms (typical 2 ms)``.

    The ends are rounded outward, so that the printed span contains the true one.
    """
    typical = format_ticks(span.typical, dimension, digits)
    if span.min == span.max:
        return typical
    low, low_unit = format_ticks(span.min, dimension, digits, "down").split()
    high, high_unit = format_ticks(span.max, dimension, digits, "up").split()
    if low_unit != high_unit and span.min != 0:
        low = f"{low} {low_unit}"
    return f"{low} to {high} {high_unit} (typical {typical})"


def _significant(value: Fraction, digits: int, rounded: Callable[[Fraction], int]) -> tuple[int, int]:
    """Return a non-zero value as (whole number, decimals), rounded to significant digits."""
    numerator, denominator = abs(value.numerator), value.denominator
    power = len(str(numerator)) - len(str(denominator))  # 10**power <= |value|, or one too high
    if abs(value) < Fraction(10) ** power:
        power -= 1
    decimals = max(0, digits - 1 - power)
    return rounded(value * 10**decimals), decimals


def outward(low: Fraction, typical: Fraction, high: Fraction) -> Span:
    """Return exact ends as whole ticks: minimum rounded down, maximum up, typical to the nearest."""
    return Span(math.floor(low), round(typical), math.ceil(high))
