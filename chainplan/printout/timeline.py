"""The busiest scan to scale: a lane for each port, a bar for everything under way, exact times beside it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from chainplan.printout.ink import FAINT, INK
from chainplan.printout.svg import (
    NORMAL,
    SMALL,
    WIDTH,
    Svg,
    axis,
    box,
    drawing,
    fitted,
    label,
    line,
    pattern_fill,
    patterns,
    round_marks,
    text_width,
)
from chainplan.report.blocks import TimelineDrawing
from chainplan.report.timeline import Bar, Lane

LEFT, RIGHT = 250, WIDTH - 320
TOP, LANE, BAR = 56, 46, 32
LEGEND = 46

_SIGNS = {"█": "solid", "▒": "hatch", "░": "dots", "━": "grey"}
_TASKS = ("plain", "grey", "upright")
"""Fills of tasks in turn; each has its letter too."""

LEAST_BAR = 3.0
"""A bar that would be narrower is drawn so wide."""

MOST_MARKS = 9


def timeline_svg(ident: str, drawn: TimelineDrawing) -> Svg:
    """Return the drawing with scale, lanes and legend."""
    kinds = drawn.used_signs()
    fills = fills_of(kinds)
    bottom = TOP + LANE * len(drawn.lanes)
    scale = (RIGHT - LEFT) / drawn.total
    marks = round_marks(0, drawn.total, MOST_MARKS)
    body = [
        patterns(ident, fills.values()),
        *axis([(LEFT + mark * scale, drawn.time(mark)) for mark in marks], TOP - 6, bottom, RIGHT),
        label(WIDTH - 165, TOP - 14, "start", anchor="end", fill=FAINT),
        label(WIDTH, TOP - 14, "end", anchor="end", fill=FAINT),
    ]
    for number, lane in enumerate(drawn.lanes):
        body += _lane(ident, drawn, lane, TOP + LANE * number, scale, fills)
    legend, height = _legend(ident, kinds, fills, bottom + 18)
    return drawing(ident, height, drawn.title, _told(drawn), [*body, *legend])


def fills_of(kinds: Mapping[str, str]) -> dict[str, str]:
    """Return each kind of bar with its fill: tasks in turn, the rest by their signs."""
    fills = {}
    tasks = 0
    for kind, sign in kinds.items():
        if sign in _SIGNS:
            fills[kind] = _SIGNS[sign]
        else:
            fills[kind] = _TASKS[tasks % len(_TASKS)]
            tasks += 1
    return fills


def _lane(
    ident: str, drawn: TimelineDrawing, lane: Lane, top: float, scale: float, fills: Mapping[str, str]
) -> Iterator[str]:
    middle = top + LANE / 2
    yield label(0, middle + 8, fitted(lane.label, LEFT - 16, NORMAL), size=NORMAL)
    yield line(LEFT, middle, RIGHT, middle, INK, 1)
    for kind, start, end in merged(lane.bars, scale):
        yield box(LEFT + start, middle - BAR / 2, end - start, BAR, fill=pattern_fill(ident, fills[kind]))
        sign = drawn.signs[kind]
        if sign.isalnum() and end - start > 2 * SMALL:
            x = LEFT + (start + end) / 2
            yield box(x - 14, middle - 14, 28, 28, stroke="none")
            yield label(x, middle + 8, sign, size=NORMAL, anchor="middle", bold=True)
    times = [each for bar in lane.bars for each in (bar.start, bar.end)]
    if times:
        yield label(WIDTH - 165, middle + 8, drawn.time(min(times)), anchor="end")
        yield label(WIDTH, middle + 8, drawn.time(max(times)), anchor="end")


def merged(bars: Sequence[Bar], scale: float) -> list[tuple[str, float, float]]:
    """Return bars as lengths on paper, those of one kind that nobody could tell apart as one.

    Kinds come in the order in which they begin, so that a later kind lies over an earlier one.
    """
    kinds: dict[str, list[tuple[float, float]]] = {}
    for bar in sorted(bars, key=lambda bar: (bar.start, bar.end)):
        if bar.end == bar.start:
            continue
        start = bar.start * scale
        end = max(bar.end * scale, start + LEAST_BAR)
        own = kinds.setdefault(bar.kind, [])
        if own and start - own[-1][1] < 1:
            own[-1] = own[-1][0], max(own[-1][1], end)
        else:
            own.append((start, end))
    return [(kind, start, end) for kind, own in kinds.items() for start, end in own]


def _legend(
    ident: str, kinds: Mapping[str, str], fills: Mapping[str, str], top: float
) -> tuple[list[str], float]:
    """Return what the fills mean, in lines as wide as the drawing, and where that ends."""
    drawn = []
    x, y = float(LEFT), top
    for kind, sign in kinds.items():
        text = f"{sign}: {kind}" if sign.isalnum() else kind
        width = 56 + text_width(text) + 36
        if x > LEFT and x + width > WIDTH:
            x, y = float(LEFT), y + LEGEND
        drawn += [
            box(x, y, 44, 26, fill=pattern_fill(ident, fills[kind])),
            label(x + 56, y + 21, text),
        ]
        x += width
    return drawn, y + LEGEND


def _told(drawn: TimelineDrawing) -> str:
    """Return in words what the drawing shows."""
    lanes = []
    for lane in drawn.lanes:
        times = [each for bar in lane.bars for each in (bar.start, bar.end)]
        if times:
            lanes.append(f"{lane.label} from {drawn.time(min(times))} to {drawn.time(max(times))}")
    kinds = ", ".join(drawn.used_signs())
    return f"Bars over time, 0 to {drawn.time(drawn.total)}: {'; '.join(lanes)}. Kinds of bar: {kinds}."
