"""Candidates in the plane of two objectives: as text for a terminal, as SVG for a page.

The front is told from the rest by the form of its marks and not by colour alone: a filled dot against a ring
and a cross, so that a black-and-white print says the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal
from fractions import Fraction
from itertools import count
from math import floor, log10
from typing import NamedTuple
from xml.sax.saxutils import escape as xml

from chainplan.cautions import CAUTIONS
from chainplan.plan.problems import escape
from chainplan.quantity import Dimension
from chainplan.report.figures import Look, amount, plural

HEIGHT = 16
"""Lines of a plot in the terminal."""

MOST_POINTS = 5_000
"""Points off the front in an SVG file; of more, every n-th is drawn."""

KINDS = ("missed", "met", "front")
"""What a point can be, the more important later: it is drawn over the others."""

_SIGNS = {"missed": ("·", "."), "met": ("○", "o"), "front": ("●", "#")}
WORDS = {"missed": "misses a target", "met": "meets its targets", "front": "on the Pareto front"}

_LEFT, _TOP, _WIDTH, _HEIGHT = 90, 60, 580, 330
"""Of the plotting area of an SVG, px."""

_ROOM = 10
"""Between the frame of the area and the outermost marks, px."""


class Axis(NamedTuple):
    """An objective as an axis: what it is, what is wanted of it, and its ends in ticks."""

    name: str
    sense: str
    dimension: Dimension
    low: Fraction
    high: Fraction

    def share(self, value: int | Fraction) -> Fraction:
        """Return how far along the axis a value stands, 0 to 1; the middle where all are equal."""
        if self.high == self.low:
            return Fraction(1, 2)
        return (value - self.low) / (self.high - self.low)

    def holds(self, value: int | Fraction) -> bool:
        """Tell whether a value lies on the axis."""
        return self.low <= value <= self.high

    def words(self) -> str:
        """Return the axis' title."""
        return f"{self.name}, {self.sense}"


class Point(NamedTuple):
    """A candidate in the plane."""

    kind: str
    x: int | Fraction
    y: int | Fraction


def scatter_lines(points: Iterable[Point], across: Axis, up: Axis, look: Look, usable: int = 0) -> list[str]:
    """Return a plot as lines of text; the most important point of a place is shown there.

    Of `usable` candidates those that are not among the points are counted below.
    """
    labels = [amount(up.high, up.dimension), amount(up.low, up.dimension)]
    margin = max(map(len, labels)) + 1
    width = max(20, look.width - margin - 2)
    cells: dict[tuple[int, int], int] = {}
    drawn_points = 0
    for point in points:
        drawn_points += 1
        place = round(across.share(point.x) * (width - 1)), round(up.share(point.y) * (HEIGHT - 1))
        cells[place] = max(cells.get(place, 0), KINDS.index(point.kind))
    signs = [_SIGNS[kind][0 if look.unicode else 1] for kind in KINDS]
    bar, corner, dash = ("│", "└", "─") if look.unicode else ("|", "+", "-")
    lines = [up.words()]
    for row in reversed(range(HEIGHT)):
        label = labels[0] if row == HEIGHT - 1 else labels[1] if row == 0 else ""
        drawn = "".join(
            signs[cells[column, row]] if (column, row) in cells else " " for column in range(width)
        )
        lines.append(f"{label:>{margin}}{bar}{drawn}".rstrip())
    low, high = amount(across.low, across.dimension), amount(across.high, across.dimension)
    lines.append(" " * margin + corner + dash * width)
    lines.append(" " * (margin + 1) + low + high.rjust(width - len(low)))
    lines.append(" " * (margin + 1) + across.words().rjust(width))
    seen = [kind for number, kind in enumerate(KINDS) if number in cells.values()]
    lines.append("   ".join(f"{signs[KINDS.index(kind)]} {WORDS[kind]}" for kind in reversed(seen)))
    if usable > drawn_points:
        lines.append(_beyond(usable - drawn_points))
    return [look.text(line) for line in lines]


def _beyond(number: int) -> str:
    return f"{plural(number, 'candidate')} beyond these axes or without a figure, not drawn"


def scatter_svg(title: str, points: Iterable[Point], across: Axis, up: Axis, usable: int = 0) -> str:
    """Return a plot as an SVG document that stands for itself: no font, script or file from outside.

    Of `usable` candidates those that are not among the points are counted in its description.
    """
    counts, kept, every = _thinned(points)
    drawn = [kind for kind in KINDS if counts[kind]]
    facts = "; ".join(f"{counts[kind]} candidates: {WORDS[kind]}" for kind in reversed(drawn))
    about = f"Across: {across.words()} ({_reach(across)}). Up: {up.words()} ({_reach(up)}). {facts}."
    if usable > sum(counts.values()):
        about += f" {_beyond(usable - sum(counts.values()))}."
    if every > 1:
        about += f" Of those off the front every {every}th is drawn."
    body = [
        f'<rect width="760" height="{_TOP + _HEIGHT + 120}" fill="#fff"/>',
        f'<text x="{_LEFT}" y="28" font-size="17" font-weight="bold">{_safe(title)}</text>',
        *_axes(across, up),
        *(_mark(point, across, up) for kind in KINDS for point in kept if point.kind == kind),
        *_legend(drawn, counts),
        f'<text x="{_LEFT}" y="{_TOP + _HEIGHT + 104}" font-size="10">{_safe(CAUTIONS[1])}</text>',
    ]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 {_TOP + _HEIGHT + 120}" role="img" '
        'aria-labelledby="title desc" font-family="sans-serif" font-size="12" fill="#000">'
    )
    return "\n".join(
        [
            head,
            f'<title id="title">{_safe(title)}</title>',
            f'<desc id="desc">{_safe(about)}</desc>',
            *body,
            "</svg>",
            "",
        ]
    )


def _thinned(points: Iterable[Point]) -> tuple[dict[str, int], list[Point], int]:
    """Return counts by kind, the points to draw, and of how many points off the front one is drawn."""
    counts = dict.fromkeys(KINDS, 0)
    front: list[Point] = []
    others: list[Point] = []
    every, number = 1, 0
    for point in points:
        counts[point.kind] += 1
        if point.kind == "front":
            front.append(point)
            continue
        if number % every == 0:
            others.append(point)
        number += 1
        if len(others) > MOST_POINTS:
            others, every = others[::2], every * 2
    return counts, [*others, *dict.fromkeys(front)], every


def _safe(text: str) -> str:
    return xml(escape(text), {'"': "&quot;"})


def _reach(axis: Axis) -> str:
    return f"{amount(axis.low, axis.dimension)} to {amount(axis.high, axis.dimension)}"


def _place(point: Point, across: Axis, up: Axis) -> tuple[float, float]:
    return _x(across, point.x), _y(up, point.y)


def _x(axis: Axis, value: int | Fraction) -> float:
    return round(_LEFT + _ROOM + float(axis.share(value)) * (_WIDTH - 2 * _ROOM), 1)


def _y(axis: Axis, value: int | Fraction) -> float:
    return round(_TOP + _HEIGHT - _ROOM - float(axis.share(value)) * (_HEIGHT - 2 * _ROOM), 1)


def _mark(point: Point, across: Axis, up: Axis) -> str:
    return _sign(point.kind, *_place(point, across, up))


def _sign(kind: str, x: float, y: float) -> str:
    if kind == "front":
        return f'<circle cx="{x}" cy="{y}" r="4.5" stroke="#fff"/>'
    if kind == "met":
        return f'<circle cx="{x}" cy="{y}" r="3.5" fill="none" stroke="#0050a0"/>'
    return f'<path d="M{x - 2.5:.1f} {y - 2.5:.1f}l5 5m0-5l-5 5" stroke="#767676" fill="none"/>'


def _axes(across: Axis, up: Axis) -> Iterator[str]:
    yield f'<rect x="{_LEFT}" y="{_TOP}" width="{_WIDTH}" height="{_HEIGHT}" fill="none" stroke="#000"/>'
    bottom = _TOP + _HEIGHT
    for value, text in ticks(across):
        x = _x(across, value)
        yield f'<path d="M{x} {bottom}v5" stroke="#000"/>'
        yield f'<text x="{x}" y="{bottom + 19}" text-anchor="middle">{_safe(text)}</text>'
    for value, text in ticks(up):
        y = _y(up, value)
        yield f'<path d="M{_LEFT - 5} {y}h5" stroke="#000"/>'
        yield f'<text x="{_LEFT - 8}" y="{y + 4}" text-anchor="end">{_safe(text)}</text>'
    middle = _LEFT + _WIDTH / 2
    yield f'<text x="{middle}" y="{bottom + 40}" text-anchor="middle">{_safe(across.words())}</text>'
    yield f'<text x="{_LEFT}" y="{_TOP - 10}">{_safe(up.words())}</text>'


def ticks(axis: Axis) -> list[tuple[Fraction, str]]:
    """Return round values along an axis with their texts, three to eight of them; one where all are equal."""
    if axis.low == axis.high:
        return [(axis.low, amount(axis.low, axis.dimension))]
    unit = _unit(axis)
    per = axis.dimension.units[unit]
    low, high = axis.low / per, axis.high / per
    step = _step(float(high - low))
    found: list[tuple[Fraction, str]] = []
    for number in count(-floor(-low / step)):
        value = number * step
        if value > high:
            return found
        found.append((value * per, f"{Decimal(value.numerator) / Decimal(value.denominator)} {unit}".strip()))
    return found


def _unit(axis: Axis) -> str:
    """Return the unit for the larger end: the largest in which it is at least one."""
    largest = max(abs(axis.low), abs(axis.high))
    fits = [unit for unit in axis.dimension.display if largest >= axis.dimension.units[unit]]
    return fits[-1] if fits else axis.dimension.display[0]


def _step(reach: float) -> Fraction:
    """Return a step of 1, 2 or 5 times a power of ten that cuts a reach into about five."""
    power = Fraction(10) ** floor(log10(reach / 5))
    return next(step * power for step in (1, 2, 5, 10) if float(step * power) * 6 >= reach)


def _legend(kinds: list[str], counts: dict[str, int]) -> Iterator[str]:
    y = _TOP + _HEIGHT + 72
    for place, kind in enumerate(reversed(kinds)):
        x = _LEFT + place * 200
        yield _sign(kind, x, y - 4)
        yield f'<text x="{x + 10}" y="{y}">{WORDS[kind]} ({counts[kind]})</text>'
