"""Quantities as people write them: read, or refused with the nearest that was perhaps meant.

A plan says ``2 Mbit/s ± 1 %`` or ``{min: 1.8 ms, typical: 2 ms, max: 2.3 ms}``: a number and a unit, with a
tolerance, as a range, or as a mapping of its ends. Reading rounds outward.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import lru_cache

from chainplan.quantity import (
    DIMENSIONS,
    FREQUENCY,
    RATIO,
    TIME,
    Dimension,
    QuantityError,
    Span,
    format_ticks,
    outward,
)

# Limits that keep a hostile or mistyped text from eating time or memory. 1e30 fs are 30 million years.
_LONGEST_TEXT = 100
_LARGEST_EXPONENT = 60
_MOST_TICKS = 10**30


def parse_quantity(value: object, dimension: Dimension) -> Span:
    """Read a quantity of a plan into whole ticks of ``dimension``, rounded outward.

    ``value`` is a text (``2 ms``, ``2 ms ± 0.1 ms``, ``2 Mbit/s +/- 1 %``, ``2 V ± 500 ppm``,
    ``1.8 ms .. 2.3 ms``) or a mapping with two or three of the keys min, typical (or nominal) and max,
    whose values are texts without tolerance. A ratio may also be a plain number. Where the typical value
    is not given it is the middle; where one end is not given it is the typical value. A tolerance in % or
    ppm is a share of the value: min = v * (1 - t), max = v * (1 + t).

    Raises QuantityError for anything else, also for a negative value where the dimension has no sign.
    """
    if isinstance(value, Mapping):
        return _parse_mapping(value, dimension)
    return _parse_text(_as_text(value, dimension), dimension)


# A number needs a digit; the unit is looked up afterwards, so that its error can say more.
_PLAIN = re.compile(
    r"(?P<number>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:[eE](?P<exponent>[+-]?[0-9]+))?"
    r" ?(?P<unit>[A-Za-z\u00b5\u03bc\u03a9\u2126%°/]*)"
)
_SHARES = ("%", "ppm")


@lru_cache(maxsize=16384)
def _parse_text(text: str, dimension: Dimension) -> Span:
    clean = _clean(text, dimension)
    if "±" in clean and ".." not in clean:
        low, typical, high = _with_tolerance(clean, dimension)
    elif ".." in clean and "±" not in clean:
        low, typical, high = _range(clean, dimension)
    else:
        low = typical = high = _plain(clean, dimension)[0]
    return _checked(low, typical, high, text, dimension)


def _parse_mapping(parts: Mapping[object, object], dimension: Dimension) -> Span:
    expected = f"two or three of the keys min, typical and max, each {_expected(dimension)}"
    ticks: dict[str, Fraction] = {}
    texts: list[str] = []
    for key, value in parts.items():
        if not isinstance(key, str) or key not in _KEYS:
            close = _close(key, _KEYS) if isinstance(key, str) else []
            message = f"{_shown(key)} is not a key of a span{_did_you_mean(close)}"
            raise QuantityError(message, expected, close[0] if close else None)
        name = "typical" if key in ("typ", "nominal") else key
        if name in ticks:
            raise QuantityError("typical, typ and nominal are the same: give one of them", expected)
        try:
            text = _as_text(value, dimension)
            clean = _clean(text, dimension)
            if "±" in clean or ".." in clean:
                raise _error(f"{_shown(text)}: a value inside a span has no tolerance of its own", dimension)
            ticks[name] = _plain(clean, dimension)[0]
        except QuantityError as error:
            raise QuantityError(f"{key}: {error}", error.expected, error.nearest) from None
        texts.append(f"{key}: {text}")
    if len(ticks) < 2:
        raise QuantityError("a span needs two or three of min, typical and max", expected)
    typical = ticks["typical"] if "typical" in ticks else (ticks["min"] + ticks["max"]) / 2
    low, high = ticks.get("min", typical), ticks.get("max", typical)
    return _checked(low, typical, high, f"{{{', '.join(texts)}}}", dimension)


def _as_text(value: object, dimension: Dimension) -> str:
    """Return the text of a value; a plain number is one too where no unit is a unit."""
    if isinstance(value, str):
        return str(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        kind = {bool: "true or false", type(None): "nothing", list: "a list"}.get(type(value))
        raise _error(f"{kind or type(value).__name__} is not a quantity", dimension)
    if not abs(value) <= _MOST_TICKS:  # also NaN, and whole numbers too long to print
        raise _error("this number is not finite or far too large", dimension)
    text = int.__repr__(value) if isinstance(value, int) else float.__repr__(value)
    if "" not in dimension.units:
        raise _error(f'{text} has no unit; write for example "{dimension.example}"', dimension)
    return text


def _clean(text: str, dimension: Dimension) -> str:
    if len(text) > _LONGEST_TEXT:
        raise _error(f"{_shown(text)} is too long ({len(text)} characters)", dimension)
    return " ".join(text.split()).replace("\u2212", "-").replace("+/-", "±")


def _number(text: str, dimension: Dimension) -> tuple[Fraction, str]:
    """Split "2 ms" into its number and the text of its unit."""
    match = _PLAIN.fullmatch(text)
    if match is None:
        raise _unreadable(text, dimension)
    exponent = int(match["exponent"] or 0)
    if abs(exponent) > _LARGEST_EXPONENT:  # before the power is computed
        raise _error(f"{_shown(text)}: an exponent goes up to {_LARGEST_EXPONENT}", dimension)
    return Fraction(match["number"]) * Fraction(10) ** exponent, match["unit"]


def _plain(text: str, dimension: Dimension) -> tuple[Fraction, str]:
    """Return "2 ms" in ticks, and the text of its unit."""
    number, unit = _number(text, dimension)
    return number * _ticks_per(unit, text, dimension), unit


def _range(text: str, dimension: Dimension) -> tuple[Fraction, Fraction, Fraction]:
    low_text, _, high_text = text.partition("..")
    if "..." in text or ".." in high_text or not low_text or not high_text:
        raise _unreadable(text, dimension)
    low_text, high_text = low_text.strip(), high_text.strip()
    (_, low_unit), (_, high_unit) = _number(low_text, dimension), _number(high_text, dimension)
    if (low_unit == "") != (high_unit == ""):  # "1 .. 2 %": 100 % or 1 %?
        unit = low_unit or high_unit
        ends = [
            end if has else f"{end} {unit}" for end, has in ((low_text, low_unit), (high_text, high_unit))
        ]
        meant = None if "" in dimension.units else " .. ".join(ends)
        raise _error(f"{_shown(text)}: write the unit at both ends", dimension, meant)
    low, high = _plain(low_text, dimension)[0], _plain(high_text, dimension)[0]
    return low, (low + high) / 2, high


def _with_tolerance(text: str, dimension: Dimension) -> tuple[Fraction, Fraction, Fraction]:
    value_text, _, tolerance_text = (part.strip() for part in text.partition("±"))
    if "±" in tolerance_text or not value_text or not tolerance_text:
        raise _unreadable(text, dimension)
    value, value_unit = _plain(value_text, dimension)
    share, unit = _number(tolerance_text, dimension)
    if tolerance_text[0] in "+-":
        raise _error(f"{_shown(text)}: a tolerance has no sign of its own", dimension)
    if value_unit in _SHARES:  # "10 % ± 1 %": 9 to 11 % or 9.9 to 10.1 %?
        raise _error(f'{_shown(text)} can be read in two ways; write a range: "9 % .. 11 %"', dimension)
    if not unit and "" not in dimension.units:
        raise _error(f"{_shown(text)}: the tolerance has no unit; write %, ppm or a unit", dimension)
    if unit in _SHARES:
        tolerance = abs(value) * share * RATIO.units[unit] / RATIO.units[""]
    else:
        tolerance = share * _ticks_per(unit, tolerance_text, dimension)
    return value - tolerance, value, value + tolerance


def _checked(low: Fraction, typical: Fraction, high: Fraction, text: str, dimension: Dimension) -> Span:
    if not low <= typical <= high:
        raise _error(f"{_shown(text)}: min, typical and max must rise in this order", dimension)
    if max(-low, high) > _MOST_TICKS:
        raise _error(f"{_shown(text)} is far too large for any {dimension.name}", dimension)
    if low < 0 and not dimension.signed:
        reaches = "is" if high <= 0 else "reaches"
        raise _error(
            f"{_shown(text)} {reaches} below zero: no negative {dimension.name} is accepted", dimension
        )
    return outward(low, typical, high)


def _ticks_per(unit: str, text: str, dimension: Dimension) -> Fraction:
    """Return the ticks per unit; ``text`` is what the error quotes."""
    ticks = dimension.units.get(unit)
    if ticks is not None:
        return ticks
    if not unit:
        raise _error(f'{_shown(text)} has no unit; write for example "{dimension.example}"', dimension)
    for other in DIMENSIONS:
        if unit in other.units:
            message = (
                f"{_shown(text)}: {unit} is a unit of {other.name}, wanted is a unit of {dimension.name}"
            )
            raise _error(message, dimension, _period(text, other) if dimension is TIME else None)
    close = _close_units(unit, dimension)
    message = f"{_shown(text)}: {_shown(unit)} is not a unit of {dimension.name}{_did_you_mean(close)}"
    raise _error(message, dimension, " or ".join(close) or None)


def _period(text: str, other: Dimension) -> str | None:
    """Return the period that a frequency was meant to say: `10 Hz` is 100 ms."""
    if other is not FREQUENCY:
        return None
    number, unit = _number(text, other)
    ticks = number * other.units[unit]
    return format_ticks(round(_PERIOD / ticks), TIME) if ticks > 0 else None


_PERIOD = TIME.units["s"] * FREQUENCY.units["Hz"]
"""A period in fs times its frequency in uHz."""

# What people write out of habit, and the unit they mean by it.
_HABITS = {
    "B": "byte", "C": "degC", "Mb/s": "Mbit/s", "Mbps": "Mbit/s", "R": "ohm", "bps": "bit/s", "hour": "h",
    "feet": "ft", "foot": "ft", "inch": "in", "inches": "in", "kb/s": "kbit/s", "kbps": "kbit/s",
    "msec": "ms", "sec": "s", "usec": "us", "volt": "V",
}  # fmt: skip
_HABITUAL_RANGE = re.compile(r"([0-9.]+) ?([^\W\d]*) ?(?:-|–|to|…) ?([0-9.]+) ?(\S+)")
"""A range as people write it on paper: ``15-25 ms``, ``15 ms to 25 ms``."""
_KEYS = ("min", "typical", "typ", "nominal", "max")


def _error(problem: str, dimension: Dimension, nearest: str | None = None) -> QuantityError:
    return QuantityError(problem, _expected(dimension), nearest)


def _expected(dimension: Dimension) -> str:
    return f'{dimension.name} such as "{dimension.example}" (units: {dimension.accepted()})'


def _unreadable(text: str, dimension: Dimension) -> QuantityError:
    if re.match(r"[+-]?\.?(nan|inf)", text, re.IGNORECASE):
        return _error(f"{_shown(text)} is not a finite number", dimension)
    if re.match(r"[+-]?[0-9]+,[0-9]", text):
        return _error(f"{_shown(text)}: write the decimal sign as a point, and no thousands sign", dimension)
    if "±" in text or ".." in text:
        return _error(f"{_shown(text)}: write one value with one tolerance, or one range", dimension)
    if "+-" in text:
        return _error(f"{_shown(text)}: write a tolerance with ± or +/-", dimension, text.replace("+-", "±"))
    if ends := _HABITUAL_RANGE.fullmatch(text):
        low, unit, high, last = ends.groups()
        return _error(
            f"{_shown(text)}: write a range with two points",
            dimension,
            f"{low} {unit or last} .. {high} {last}",
        )
    return _error(f"{_shown(text)} is not a number and a unit", dimension)


def _shown(text: object) -> str:
    """Quote a text of the plan, shortened and without characters that could disturb a terminal."""
    if not isinstance(text, str):
        return f"this {type(text).__name__}"
    short = text if len(text) <= 60 else text[:57] + "..."
    return '"' + "".join(char if char.isprintable() else "?" for char in short) + '"'


def _did_you_mean(close: list[str]) -> str:
    return f"; did you mean {' or '.join(close)}?" if close else ""


def _close(text: str, words: Iterable[str]) -> list[str]:
    from difflib import get_close_matches

    return get_close_matches(text[:_LONGEST_TEXT], list(words), n=1)


def _close_units(unit: str, dimension: Dimension) -> list[str]:
    """Return the accepted units that were perhaps meant, the likeliest first."""
    known = [each for each in dimension.units if each.isascii()]
    if _HABITS.get(unit) in known:
        return [_HABITS[unit]]
    same = [each for each in known if each.casefold() == unit.casefold()]
    if unit.startswith("m") and same and not same[0].startswith("m"):
        # Small m is milli: who writes mbit/s, which does not exist here, meant mega or slipped on kilo.
        same += [each for each in known if each.casefold() == "k" + unit[1:].casefold()]
    return same or _close(unit, known)
