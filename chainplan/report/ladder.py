"""The isolation ladder of a chain in plain text: boards at their potentials, segments with their stress.

A pure function from figures and a width to lines, as in :mod:`chainplan.report.timeline`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from chainplan.figures.figure import Status
from chainplan.plan.problems import display_width
from chainplan.report.drawing import Sign, check_width, clean, layout_for, right, row, scale, wrapped
from chainplan.report.figures import STATUS_WORDS, plural

_RAIL = Sign("│", "|")
_ELSEWHERE = Sign("─", "-")
_BOARD = Sign("━", "=")
_STRESSED = Sign("█", "#")
_SPARE = Sign("·", ".")

Hint = Literal["scale", "board", "met", "missed", "not checked", "left out"]
"""What a line of the ladder is about, for whoever colours it."""


@dataclass(frozen=True)
class DrawnRung:
    """A board on the ladder: lowest and highest potential above HV-, uV; both ``None`` at chassis."""

    name: str
    low: int | None
    high: int | None


@dataclass(frozen=True)
class LadderStep:
    """A segment of the ladder: its stress against its rating, uV; ``verdict`` as the budgets gave it."""

    name: str
    stress: int
    rating: int | None
    verdict: bool | None


@dataclass(frozen=True)
class Elision:
    """What is kept of a long ladder: boards at each end (1 or more), and so many of the worst segments."""

    ends: int = 3
    worst: int = 8


def draw_ladder(
    rungs: Sequence[DrawnRung],
    steps: Sequence[LadderStep],
    string_voltage: int,
    width: int,
    ascii_only: bool,
    format_voltage: Callable[[int], str],
    format_rating: Callable[[int], str],
    elision: Elision | None = None,
) -> list[tuple[str, Hint]]:
    """Return the boards of a chain in order, and between each two the segment's stress against its rating.

    A board's line has its potentials as a mark to scale between 0 and ``string_voltage`` (uV; the scale goes
    further where a potential does). A segment's line has a bar of stress/rating, full only when the rating
    is reached, ending in ``>`` when it is exceeded; then the share rounded up, and the verdict in words.
    ``format_voltage`` writes potentials and stresses, ``format_rating`` ratings. With ``elision`` most lines
    between the ends are left out; a line says how many, and the worst of them.

    Raises ``ValueError`` unless there is one step between each two rungs, potentials are both given and in
    order or both not, stresses are 0 or more, ratings, ``string_voltage`` and kept ends above 0, and there
    are 20 columns or more.
    """
    check_width(width)
    _check_ladder(rungs, steps, string_voltage, elision)
    potentials = [volt for rung in rungs for volt in (rung.low, rung.high) if volt is not None]
    low, high = min([0, *potentials]), max([string_voltage, *potentials])
    kept = kept_rungs(steps, len(rungs), elision)
    names = {index: clean(rungs[index].name, ascii_only) for index in kept}
    volts = {index: clean(_potentials(rungs[index], format_voltage), ascii_only) for index in kept}
    drawn_steps = [index for index, after in pairwise(kept) if after == index + 1]
    rail = _RAIL.get(ascii_only)
    labels = {index: f"{rail} {clean(steps[index].name, ascii_only)}" for index in drawn_steps}
    columns = _step_figures(
        [steps[index] for index in drawn_steps], format_voltage, format_rating, ascii_only
    )
    figures = dict(zip(drawn_steps, columns, strict=True))
    beside = [*volts.values(), *("  ".join(parts) for parts in columns)]
    labelled = [*names.values(), *labels.values()]
    layout = layout_for(width, labelled, max(map(display_width, beside), default=0))
    top = scale(low, high, layout.area, lambda volt: clean(format_voltage(volt), ascii_only))
    lines: list[tuple[str, Hint]] = [(line, "scale") for line in row(layout, "", top, [], ascii_only)]
    before = None
    for index in kept:
        if before == index - 1:
            bar = _stress_bar(steps[before], layout.area, ascii_only)
            drawn = row(layout, labels[before], bar, figures[before], ascii_only)
            lines += [(line, status_of(steps[before])) for line in drawn]
        elif before is not None:
            lines += _left_out(steps[before:index], width, ascii_only)
        mark = _mark(rungs[index], low, high, layout.area, ascii_only)
        lines += [(line, "board") for line in row(layout, names[index], mark, [volts[index]], ascii_only)]
        before = index
    return lines


def _check_ladder(
    rungs: Sequence[DrawnRung], steps: Sequence[LadderStep], string_voltage: int, elision: Elision | None
) -> None:
    if len(steps) != max(0, len(rungs) - 1):
        raise ValueError(f"{len(steps)} steps do not join {len(rungs)} rungs")
    if string_voltage <= 0:
        raise ValueError(f"nothing to draw to scale in {string_voltage} uV")
    if elision is not None and (elision.ends < 1 or elision.worst < 0):
        raise ValueError(f"{elision} does not keep both ends")
    for rung in rungs:
        if (rung.low is None) != (rung.high is None):
            raise ValueError(f"{rung.name}: one potential of two")
        if rung.low is not None and rung.high is not None and rung.low > rung.high:
            raise ValueError(f"{rung.name}: {rung.low} is above {rung.high} uV")
    for step in steps:
        if step.stress < 0 or (step.rating is not None and step.rating <= 0):
            raise ValueError(f"{step.name}: stress {step.stress} uV against rating {step.rating} uV")


def _potentials(rung: DrawnRung, format_voltage: Callable[[int], str]) -> str:
    if rung.low is None or rung.high is None:
        return "at chassis"
    if rung.low == rung.high:
        return format_voltage(rung.low)
    return f"{format_voltage(rung.low)} to {format_voltage(rung.high)}"


def _step_figures(
    steps: Sequence[LadderStep],
    format_voltage: Callable[[int], str],
    format_rating: Callable[[int], str],
    ascii_only: bool,
) -> list[list[str]]:
    """Return stress, rating, share and verdict of each step, each in its column."""
    held = [
        clean(
            f"{format_voltage(step.stress)}, no rating"
            if step.rating is None
            else f"{format_voltage(step.stress)} of {format_rating(step.rating)}",
            ascii_only,
        )
        for step in steps
    ]
    shares = [share_of(step) for step in steps]
    held_width, share_width = (max(map(display_width, column), default=0) for column in (held, shares))
    return [
        [right(text, held_width), right(share, share_width), clean(STATUS_WORDS[status_of(step)], ascii_only)]
        for step, text, share in zip(steps, held, shares, strict=True)
    ]


def status_of(step: LadderStep) -> Status:
    """Return a segment's verdict."""
    if step.verdict is None:
        return "not checked"
    return "met" if step.verdict else "missed"


def share_of(step: LadderStep) -> str:
    """Return stress/rating rounded up to a tenth, but never 100 % for less than that."""
    if step.rating is None:
        return ""
    tenths = -(-step.stress * 1000 // step.rating)
    if tenths == 1000 and step.stress < step.rating:
        return "<100 %"
    return f"{tenths // 10}.{tenths % 10} %"


def _stress_bar(step: LadderStep, area: int, ascii_only: bool) -> str:
    if step.rating is None:
        return " " * area
    cells = max(min(step.stress, 1), min(area, step.stress * area // step.rating))
    if step.stress > step.rating:
        return _STRESSED.get(ascii_only) * (area - 1) + ">"
    return _STRESSED.get(ascii_only) * cells + _SPARE.get(ascii_only) * (area - cells)


def _mark(rung: DrawnRung, low: int, high: int, area: int, ascii_only: bool) -> str:
    """Return a board's place on the scale, its ends rounded so that boards that adjoin do not overlap."""
    if rung.low is None or rung.high is None:
        return " " * area
    span = high - low
    edges = [(2 * (volt - low) * area + span) // (2 * span) for volt in (rung.low, rung.high)]
    first, cells = edges[0], edges[1] - edges[0]
    if not cells:  # less than a cell: the one in which it begins
        first, cells = min((rung.low - low) * area // span, area - 1), 1
    far = _ELSEWHERE.get(ascii_only)
    return far * first + _BOARD.get(ascii_only) * cells + far * (area - first - cells)


def kept_rungs(steps: Sequence[LadderStep], rungs: int, elision: Elision | None) -> list[int]:
    """Return the rungs to draw, in order: all, or the ends and both sides of the worst steps."""
    if elision is None:
        return list(range(rungs))

    def badness(index: int) -> tuple[bool, Fraction, int]:
        step = steps[index]
        share = Fraction(-1) if step.rating is None else Fraction(step.stress, step.rating)
        return step.verdict is False, share, step.stress

    kept = {*range(min(elision.ends, rungs)), *range(max(0, rungs - elision.ends), rungs)}
    for index in sorted(range(len(steps)), key=badness, reverse=True)[: elision.worst]:
        kept |= {index, index + 1}
    kept |= {index for index in range(rungs) if {index - 1, index + 1} <= kept}  # a line saves nothing there
    return sorted(kept)


def _left_out(steps: Sequence[LadderStep], width: int, ascii_only: bool) -> list[tuple[str, Hint]]:
    """Return the line in place of ``steps`` and the boards between them: how many, and the worst of them."""
    indent = f"{_RAIL.get(ascii_only)} "
    missed = any(step.verdict is False for step in steps)
    hint: Hint = "missed" if missed else "left out"
    return [(indent + line, hint) for line in wrapped(left_out_words(steps), width - len(indent), " ")]


def left_out_words(steps: Sequence[LadderStep]) -> list[str]:
    """Return what stands for steps left out and the boards between them, in pieces that are not broken."""
    missed = sum(step.verdict is False for step in steps)
    unknown = sum(step.verdict is None for step in steps)
    rated = [step for step in steps if step.rating is not None]
    parts = [f"{plural(len(steps) - 1, 'board')} and {plural(len(steps), 'segment')} left out:"]
    parts.append(f"{missed} MISSED" if missed else "none missed")
    if unknown:
        parts.append(f"{unknown} not checked")
    if rated:
        parts.append(
            "highest " + share_of(max(rated, key=lambda step: Fraction(step.stress, step.rating or 1)))
        )
    return [*parts[0].split(" "), *(f"{part}," for part in parts[1:-1]), parts[-1]]
