"""Quantities written so that a plan file would read them back to the last tick, for suggestions."""

from __future__ import annotations

from decimal import Decimal, localcontext

from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import RATIO, Dimension, QuantityError, Span

_SHARE_DIGITS = 6
_DIGITS = 60
"""Enough for any number of ticks a plan can hold."""


def spelled(span: Span, dimension: Dimension) -> str:
    """Return a quantity as a plan file has it: ``2 ms``, ``2 Mbit/s ± 1 %`` or ``{min: .., max: ..}``."""
    typical = spelled_ticks(span.typical, dimension)
    if span.min == span.max:
        return typical
    if span.typical and span.max <= 2 * span.typical and dimension.name != RATIO.name:
        share = Decimal(span.max - span.typical) * 100 / Decimal(span.typical)
        text = f"{typical} ± {_plain(round(share, _SHARE_DIGITS))} %"
        if _reads_as(text, dimension, span):
            return text
    low, high = spelled_ticks(span.min, dimension), spelled_ticks(span.max, dimension)
    return f"{{min: {low}, typical: {typical}, max: {high}}}"


def spelled_ticks(ticks: int, dimension: Dimension) -> str:
    """Return an exact quantity in the largest unit, a power of ten of ticks, that leaves a whole part."""
    units = [(name, int(dimension.units[name])) for name in dimension.display]
    tens = [(name, size) for name, size in units if str(size).strip("0") == "1"]
    name, size = next(((name, size) for name, size in reversed(tens) if abs(ticks) >= size), tens[0])
    with localcontext() as context:
        context.prec = _DIGITS
        return f"{_plain(Decimal(ticks) / size)} {name}".strip()


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text) or "0"


def _reads_as(text: str, dimension: Dimension, span: Span) -> bool:
    try:
        return parse_quantity(text, dimension) == span
    except QuantityError:
        return False
