"""Ranges of a parameter: evenly spaced values between two ends, linear or geometric, as a plan writes them.

Values are decimal texts of at most :data:`DIGITS` digits, so that a candidate can be written down exactly
and set by hand. The arithmetic is decimal, so that every machine finds the same digits.
"""

from __future__ import annotations

import re
from decimal import Context, Decimal
from fractions import Fraction
from typing import Any, NamedTuple

from chainplan.plan.model_words import SchemaSlot, expected_words, slot_at
from chainplan.plan.problems import KeyPath
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import DIMENSIONS, Dimension, QuantityError, Span

DIGITS = 6
"""Significant digits of a value between the ends of a range."""

_PRECISE = Context(prec=34)
_ROUNDED = Context(prec=DIGITS)
_NUMBER = re.compile(r"(?P<number>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?) ?(?P<unit>\S*)")


class RangeError(ValueError):
    """An end that cannot be used: the parameter's `key` at fault, what is wrong, what was expected."""

    def __init__(self, key: str, message: str, expected: str) -> None:
        super().__init__(message)
        self.key = key
        self.expected = expected


class ParameterRange(NamedTuple):
    """Numbers from `low` to `high` in `unit`; `whole` ones are counts. `tolerance` is written behind each."""

    low: Decimal
    high: Decimal
    unit: str
    geometric: bool
    whole: bool
    plain: bool
    """A number without a unit, not a text."""
    tolerance: str

    def at(self, share: Fraction) -> str:
        """Return the number a share (0 to 1) of the way from end to end."""
        if share in (0, 1):
            return _text(self.high if share else self.low)
        way = _PRECISE.divide(Decimal(share.numerator), Decimal(share.denominator))
        if self.geometric:
            ratio = _PRECISE.power(_PRECISE.divide(self.high, self.low), way)
            number = _PRECISE.multiply(self.low, ratio)
        else:
            span = _PRECISE.subtract(self.high, self.low)
            number = _PRECISE.add(self.low, _PRECISE.multiply(span, way))
        return _text(Decimal(round(number)) if self.whole else _ROUNDED.plus(number))

    def steps(self, number: int | None) -> list[str]:
        """Return so many numbers from end to end, or every whole one; counts that round to one come once."""
        if number is None:
            return [str(count) for count in range(int(self.low), int(self.high) + 1)]
        return list(dict.fromkeys(self.at(Fraction(step, number - 1)) for step in range(number)))

    def value(self, number: str) -> Any:
        """Return the value of a plan with such a number."""
        if self.whole:
            return int(number)
        if self.plain:
            return float(number)
        text = f"{number} {self.unit}".strip()
        return f"{text} ± {self.tolerance}" if self.tolerance else text


def read_range(path: KeyPath, low: Any, high: Any, geometric: bool, tolerance: str) -> ParameterRange:
    """Read the ends of a range of the key at a path of the plan. Raises :class:`RangeError`."""
    slot = slot_at(path)
    if slot is None or slot.type not in (Span, int, float):
        raise RangeError("from", "only a quantity or a number has a range", "values: [...], one by one")
    if slot.type is Span:
        ends = _quantities(path, low, high, geometric, tolerance)
    else:
        ends = _numbers(slot, low, high, geometric, tolerance)
    if ends.low >= ends.high:
        raise RangeError("to", "a range rises", "more than `from`")
    if geometric and ends.low <= 0:
        raise RangeError("from", "a geometric range begins above zero", "more than zero, or spacing: linear")
    return ends


def dimension_at(path: KeyPath) -> Dimension | None:
    """Return the dimension of the quantity at a path of the plan; None where there is none."""
    name = expected_words(path).partition(" such as")[0]
    return next((each for each in DIMENSIONS if each.name == name), None)


def number_and_unit(value: Any) -> tuple[Decimal, str] | None:
    """Split a quantity without tolerance into its number and its unit; None if it is none."""
    found = _NUMBER.fullmatch(str(value).strip()) if not isinstance(value, bool) else None
    return (Decimal(found["number"]), found["unit"]) if found else None


def _quantities(path: KeyPath, low: Any, high: Any, geometric: bool, tolerance: str) -> ParameterRange:
    dimension = dimension_at(path)
    assert dimension is not None  # a quantity's schema names its dimension
    ends = []
    for key, value in (("from", low), ("to", high)):
        try:
            span = parse_quantity(value, dimension)
        except QuantityError as error:
            raise RangeError(key, str(error), error.expected) from None
        parts = number_and_unit(value)
        if span.min != span.max or parts is None:
            message = "an end of a range has no tolerance of its own"
            raise RangeError(key, message, "one value; `tolerance: 1 %` beside it goes for all")
        ends.append(parts)
    (first, unit), (last, last_unit) = ends
    scale = dimension.units[last_unit] / dimension.units[unit]
    last = _PRECISE.divide(
        _PRECISE.multiply(last, Decimal(scale.numerator)), Decimal(scale.denominator)
    )  # exact: units are powers of ten apart, or the hours and minutes of time
    return ParameterRange(first, last, unit, geometric, whole=False, plain=False, tolerance=tolerance)


def _numbers(slot: SchemaSlot, low: Any, high: Any, geometric: bool, tolerance: str) -> ParameterRange:
    if tolerance:
        raise RangeError("tolerance", "a number has no tolerance", "no `tolerance` here")
    kinds = (int,) if slot.type is int else (int, float)
    for key, value in (("from", low), ("to", high)):
        if isinstance(value, bool) or not isinstance(value, kinds):
            expected = "a whole number" if slot.type is int else "a number"
            raise RangeError(key, f"this must be {expected}", expected)
    whole = slot.type is int
    return ParameterRange(Decimal(str(low)), Decimal(str(high)), "", geometric, whole, True, "")


def _text(number: Decimal) -> str:
    """Return a number without an exponent and without zeros at its end."""
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
