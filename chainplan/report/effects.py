"""Effects of single tolerances as signed bars with figures that add up, in plain text.

All figures of one study have one unit and so many decimals. They are rounded one by one; the remainder takes
up what that leaves, so that what is printed adds up as it stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from math import ceil, floor
from typing import NamedTuple

from chainplan.plan.problems import display_width
from chainplan.quantity import RATIO, Dimension
from chainplan.report.drawing import Sign, right, wrapped
from chainplan.report.figures import Look
from chainplan.tolerance.study import Effect, FigureStudy

DIGITS = 5
"""Significant digits of what all tolerances do together."""

_LEAST_BAR = 12
_MOST_BAR = 48
_FULL = Sign("█", "#")
_PART = Sign("▌", "#")
_PART_LEFT = Sign("▐", "#")
_ZERO = Sign("│", "|")


class Ruler(NamedTuple):
    """The unit of all figures of a drawing: its name, its ticks, and how many decimals are written."""

    unit: str
    ticks: Fraction
    decimals: int

    def steps(self, amount: int) -> int:
        """Return an amount in steps of the last decimal, to the nearest."""
        return round(self._exactly(amount))

    def bound(self, amount: int, *, up: bool) -> int:
        """Return an amount in steps of the last decimal, rounded to one side."""
        return ceil(self._exactly(amount)) if up else floor(self._exactly(amount))

    def _exactly(self, amount: int) -> Fraction:
        return Fraction(amount * 10**self.decimals) / self.ticks

    def text(self, steps: int, plus: str = "") -> str:
        """Return so many steps with their unit, and a sign before positive ones."""
        whole, rest = divmod(abs(steps), 10**self.decimals)
        digits = f"{whole}.{rest:0{self.decimals}}" if self.decimals else f"{whole}"
        return f"{'-' if steps < 0 else plus}{digits} {self.unit}".rstrip().replace(" e-", "e-")


def ruler_for(size: int, finest: int, dimension: Dimension, digits: int = DIGITS) -> Ruler:
    """Return the ruler on which `size` has a whole part and `finest` so many significant digits."""
    size, finest = max(abs(size), 1), max(abs(finest), 1)
    fitting = [unit for unit in dimension.display if dimension.units[unit] <= size and unit != "h"]
    unit = fitting[-1] if fitting else dimension.display[0]
    ticks = dimension.units[unit]
    decimals = 0
    while finest * 10**decimals < ticks * 10 ** (digits - 1) and 10**decimals < ticks:  # none beyond a tick
        decimals += 1
    return Ruler(unit, ticks, decimals)


class _EffectRow(NamedTuple):
    label: str
    end: str
    alone: str
    carries: str
    share: str
    bar: int
    """What the bar shows, ticks."""


def effect_lines(figure: FigureStudy, look: Look) -> list[str]:
    """Return a line, or where there is no room two, for each effect, and the sum under them."""
    greatest = max(abs(each) for each in _amounts(figure))
    ruler = ruler_for(greatest, greatest, figure.verdict.dimension)
    if figure.verdict.dimension.name == RATIO.name:
        ruler = ruler._replace(unit="points")
    rows = [_row(each, figure, ruler) for each in figure.effects]
    totals = list(_totals(figure, ruler))
    return list(_drawn(rows, totals, look))


def _amounts(figure: FigureStudy) -> Iterator[int]:
    yield figure.whole
    for each in figure.effects:
        yield each.alone or 0
        yield each.carries or 0


def _row(effect: Effect, figure: FigureStudy, ruler: Ruler) -> _EffectRow:
    share = f"{100 * (effect.carries or 0) / figure.whole:.1f} %" if figure.whole else "-"
    return _EffectRow(
        effect.parameter.name,
        effect.end,
        _text(effect.alone, ruler),
        _text(effect.carries, ruler),
        share,
        effect.carries or 0,
    )


def _text(amount: int | None, ruler: Ruler) -> str:
    return "no bound" if amount is None else ruler.text(ruler.steps(amount), "+")


def _totals(figure: FigureStudy, ruler: Ruler) -> Iterator[tuple[str, str, str]]:
    whole = ruler.steps(figure.whole)
    alone, carries = (
        sum(ruler.steps(amount or 0) for amount in amounts)
        for amounts in zip(*((each.alone, each.carries) for each in figure.effects), strict=True)
    )
    for name, first, second in (
        ("sum of these", alone, carries),
        ("remainder: interaction", whole - alone, whole - carries),
        ("worst case less all typical", whole, whole),
    ):
        yield name, ruler.text(first, "+"), ruler.text(second, "+")


def _drawn(rows: Sequence[_EffectRow], totals: Sequence[tuple[str, str, str]], look: Look) -> Iterator[str]:
    heads = ("alone", "in the worst case", "share")
    alone = _widest([heads[0], *(row.alone for row in rows), *(total[1] for total in totals)])
    carries = _widest([heads[1], *(row.carries for row in rows), *(total[2] for total in totals)])
    share = _widest([heads[2], *(row.share for row in rows)])
    figures = alone + carries + share + 6
    ends = _widest(row.end for row in rows)
    label = _widest(row.label for row in rows)
    label = max(label, *(display_width(total[0]) for total in totals))
    beside = look.width - label - ends - figures - 4
    one_line = beside >= _LEAST_BAR
    bar = min(_MOST_BAR, beside if one_line else look.width - figures - 2)
    lead = label + ends + 4 if one_line else 2

    def columns(first: str, second: str, third: str) -> str:
        return "".join(
            f"  {right(text, size)}" for text, size in ((first, alone), (second, carries), (third, share))
        )

    yield " " * (lead + bar) + columns(*heads)
    for row, drawn in zip(rows, _bars([row.bar for row in rows], bar, look), strict=True):
        if one_line:
            yield f"{_padded(row.label, label)}  {_padded(row.end, ends)}  {drawn}" + columns(
                row.alone, row.carries, row.share
            )
        else:
            yield from wrapped([row.label, row.end], look.width, "  ")
            yield f"  {drawn}" + columns(row.alone, row.carries, row.share)
    yield " " * (lead + bar) + "  " + ("─" if look.unicode else "-") * (figures - 2)
    for name, first, second in totals:
        yield _padded(name, lead + bar) + columns(first, second, "")


def _widest(texts: Iterable[str]) -> int:
    return max(map(display_width, texts), default=0)


def _padded(text: str, width: int) -> str:
    return text + " " * (width - display_width(text))


def _bars(amounts: Sequence[int], width: int, look: Look) -> Iterator[str]:
    """Yield bars to one scale from one zero: to the right above it, to the left below it."""
    up, down = max(0, *amounts), max(0, *(-amount for amount in amounts))
    signs = (_FULL, _PART, _PART_LEFT, _ZERO)
    full, part, part_left, zero = (sign.get(not look.unicode) for sign in signs)
    room = width - 1
    left = -(-room * down // (up + down)) if down else 0
    sides = ((room - left, up), (left, down))
    scale = min((Fraction(space, most) for space, most in sides if most), default=Fraction(0))
    for amount in amounts:
        halves = ceil(2 * abs(amount) * scale)  # what does something shows something
        whole, half = divmod(halves, 2)
        if amount >= 0:
            drawn = full * whole + part * half
            yield " " * left + zero + drawn + " " * (room - left - len(drawn))
        else:
            drawn = part_left * half + full * whole
            yield " " * (left - len(drawn)) + drawn + zero + " " * (room - left)
