"""What a frame that does not fit means: the cheapest way to bring the next frames and the plan together.

Frames of the capture and of the plan are aligned as texts are compared, with a price for opening a gap and a
small one for each frame in it (Gotoh, J. Mol. Biol. 162, 1982; from memory). A frame that is too long or
too late costs one; a run of frames that are missing or extra costs a little more than that, so that one bad
frame is not read as an extra one beside a missing one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from chainplan.captures.course import Course, Place, joined_frames, walk
from chainplan.captures.frames import Stretch

AHEAD = 40
"""Frames of the capture that are looked at."""

_MOST_MISSING = 64

# Prices in hundredths of a misfit.
_MISFIT = 100
_OPEN = 150
_EXTRA, _MISSING = 25, 5

Way = tuple[int, tuple[int, int] | None]
"""What it costs to come here, and how many frames were extra and missing before the first that was placed."""

Row = dict[int, Way]
"""The cheapest ways that have come past so many frames of the plan; dear ones are left out."""


class CaptureReading(NamedTuple):
    """How many frames of the capture are extra and how many of the plan missing before the next that fits."""

    extra: int
    missing: int


def read_on(
    course: Course, place: Place, last: Stretch | None, ahead: Sequence[Stretch]
) -> CaptureReading | None:
    """Return what the next frames mean, from a place of the course on; None where they are not to be placed.

    `last` is the frame before them, if it was placed and the gap after it counts.
    """
    pause = None if last is None else ahead[0].start - last.end
    limit = _as_it_stands(course, place, pause, ahead)
    if limit <= _OPEN:
        return CaptureReading(0, 0)
    planned = []
    for _ in range(len(ahead) + _MOST_MISSING):
        planned.append((place, course.gap(place)))
        place = course.after(place)
    limit = min(limit, _OPEN + _EXTRA * len(ahead))
    placed: Row = {0: (0, None)}
    extra: Row = {}
    for number, stretch in enumerate(ahead):
        if number:
            pause = stretch.start - ahead[number - 1].end
        missing = _leave_out(placed, extra, limit, len(planned))
        onward: Row = {}
        for at in {**placed, **extra, **missing}:
            if at >= len(planned):
                continue
            there, (low, high) = planned[at]
            cost, first = min(extra.get(at, _NONE), missing.get(at, _NONE), key=_cost)
            if at in placed:
                late = 0 if pause is None or low <= pause <= high else _MISFIT
                direct = placed[at][0] + late
                if direct <= cost:
                    cost, first = direct, placed[at][1]
            after = ahead[number + 1] if number + 1 < len(ahead) else None
            joined = joined_frames(course, there, stretch, after)
            cost += 0 if joined else _MISFIT
            if cost <= limit:
                _keep(onward, at + (joined or 1), (cost, first or (number, at)))
        placed, extra = onward, _slip_in(placed, extra, limit)
    _, found = min((*placed.values(), *extra.values()), key=_cost, default=_NONE)
    return None if found is None else CaptureReading(*found)


_NONE: Way = (10**9, None)


def _as_it_stands(course: Course, place: Place, pause: int | None, ahead: Sequence[Stretch]) -> int:
    """Return what it costs to take the next frames as the next ones of the plan; a missing run may be less.

    The cheapest way costs no more, so what is dearer need not be followed.
    """
    low, high = course.gap(place)
    late = 0 if pause is None or low <= pause <= high else 1
    best = _MISFIT * (late + walk(course, place, ahead).misfits)
    for missing in range(1, _MOST_MISSING + 1):
        place = course.after(place)
        price = _OPEN + _MISSING * missing
        if price >= best:
            break
        misfits = walk(course, place, ahead, (best - price) // _MISFIT + 1).misfits
        best = min(best, price + _MISFIT * misfits)
    return best


def _keep(row: Row, at: int, way: Way) -> None:
    if way[0] < row.get(at, _NONE)[0]:
        row[at] = way


def _leave_out(placed: Row, extra: Row, limit: int, count: int) -> Row:
    """Return the ways on which frames of the plan are missing: after one that was placed, or extra ones."""
    missing: Row = {}
    for row in (placed, extra):
        for at, (cost, first) in row.items():
            dear = cost + _OPEN
            for further in range(at + 1, count + 1):
                dear += _MISSING
                if dear > limit or dear >= missing.get(further, _NONE)[0]:
                    break
                missing[further] = dear, first
    return missing


def _slip_in(placed: Row, extra: Row, limit: int) -> Row:
    """Return the ways on which the next frame of the capture is an extra one."""
    slipped: Row = {}
    for row, price in ((placed, _OPEN + _EXTRA), (extra, _EXTRA)):
        for at, (cost, first) in row.items():
            if cost + price <= limit:
                _keep(slipped, at, (cost + price, first))
    return slipped


def _cost(way: Way) -> int:
    return way[0]
