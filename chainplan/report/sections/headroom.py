"""Headroom: how far each lever moves alone before a target is missed, and what would mend a miss."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.headroom.budget import Limit, Mend, Missed, headroom_budget
from chainplan.headroom.levers import FAR, Lever, Move
from chainplan.quantity import RATIO
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Paragraph, ReportPart, Subheading, Table
from chainplan.report.figures import amount, listed, percent, plural, signed_amount
from chainplan.report.sections.common import View, by_target, two_lines

if TYPE_CHECKING:
    from chainplan.headroom.budget import Headroom

MOST_TARGETS = 2
"""Targets named in a row."""

MOST_BREAKS = 2
"""Moves told that would mend one target and miss another."""


def render(view: View) -> Iterator[ReportPart]:
    """Return the table of levers, and what mends each missed target."""
    headroom = headroom_budget(view.evaluation)
    yield Heading("Headroom", "each lever moved alone, until a target is missed in the worst case")
    if headroom.skipped:
        yield Paragraph(f"Headroom is {headroom.skipped}.")
        return
    if headroom.missed:
        yield from _mends(view, headroom)
        yield Subheading("How far each lever moves alone before another target is missed")
    columns = [
        Column("lever"),
        Column("now", figures=True),
        Column("down to", figures=True),
        Column("up to", figures=True),
        Column("then missed", full="first target missed beyond"),
    ]
    yield Table(columns, [_row(view, limits) for limits in by_lever(headroom.limits)])
    yield Text()
    yield Bullets(list(notes(headroom)))


def by_lever(limits: Iterable[Limit]) -> list[list[Limit]]:
    """Return both directions of each lever together, levers that nothing stops left out."""
    found: dict[tuple[str, str], list[Limit]] = {}
    for limit in limits:
        found.setdefault((limit.lever.name, limit.lever.subject), []).append(limit)
    return [both for both in found.values() if any(limit.stops for limit in both)]


def free_levers(limits: Iterable[Limit]) -> list[str]:
    """Return the levers that no target limits within the range searched."""
    limits = list(limits)
    stopped = {(limit.lever.name, limit.lever.subject) for limit in limits if limit.stops}
    return list(
        dict.fromkeys(
            lever_name(limit.lever)
            for limit in limits
            if (limit.lever.name, limit.lever.subject) not in stopped
        )
    )


def lever_name(lever: Lever) -> str:
    """Return a lever with what it belongs to."""
    return f"{lever.name}: {lever.subject}" if lever.subject else lever.name


def notes(headroom: Headroom) -> Iterator[str]:
    """Yield what must be known to read the table."""
    free = free_levers(headroom.limits)
    if free:
        yield f"No target limits these within the range searched: {listed(free, 12)}."
    yield (
        f"Quantities are looked at from one part in {FAR} to {FAR} times what they are; a tolerance keeps "
        "its share of the value. Free: no target stops it up to there; none: not one step; -: no such way. "
        "Copies of a chain move together."
    )
    yield (
        "Nothing is extrapolated: every value here, and one step beyond, went through all budgets. Targets "
        "that the plan misses now stop nothing."
    )
    if not all(limit.plain for limit in headroom.limits):
        yield "* Farther on, something held again; the nearest miss that was seen counts."


def _row(view: View, limits: list[Limit]) -> list[Cell]:
    lever = limits[0].lever
    ways = {limit.direction: limit for limit in limits}
    beyond = [
        f"{word}: {listed(by_target(limit.stops, 1), MOST_TARGETS)}"
        for direction, word in ((-1, "down"), (1, "up"))
        if (limit := ways.get(direction)) is not None and limit.stops
    ]
    return [
        two_lines(view, lever.name, lever.subject),
        amount(lever.present, lever.dimension),
        _end(lever, ways.get(-1)),
        _end(lever, ways.get(1)),
        Text("\n".join(view.look.text(text) for text in beyond)),
    ]


def _end(lever: Lever, limit: Limit | None) -> str:
    if limit is None:
        return "-"
    if not limit.stops:
        return "free"
    mark = "" if limit.plain else " *"
    if limit.value == lever.present:
        return f"none{mark}"
    return amount(limit.value, lever.dimension, "up" if limit.direction < 0 else "down") + mark


# What mends a miss ---------------------------------------------------------------------------------------


def _mends(view: View, headroom: Headroom) -> Iterator[ReportPart]:
    yield Subheading("What would mend a miss")
    columns = [
        Column("missed target"),
        Column("smallest change, every other target as it is"),
        Column("change", figures=True),
        Column("margin then", figures=True),
    ]
    mendable = [missed for missed in headroom.missed if missed.mends]
    if mendable:
        yield Table(columns, [row for missed in mendable for row in _mend_rows(view, missed)])
        yield Text()
    yield Bullets(list(_mend_notes(headroom)))
    yield Text()


def _mend_rows(view: View, missed: Missed) -> Iterator[list[Cell]]:
    for number, mend in enumerate(missed.mends):
        first = two_lines(view, missed.verdict.target, missed.verdict.subject) if number == 0 else ""
        remark = "mends every miss" if mend.meets_all else ""
        yield [
            first,
            two_lines(view, " and ".join(map(move_words, mend.moves)), remark),
            " + ".join(percent(move.size, "up") for move in mend.moves),
            signed_amount(mend.then.margin, mend.then.dimension),
        ]


def move_words(move: Move) -> str:
    """Return a move in words: what it is moved from and to."""
    lever = move.lever
    now, then = amount(lever.present, lever.dimension), amount(move.value, lever.dimension)
    if lever.dimension.name == RATIO.name and lever.present == int(RATIO.units[""]):
        return f"{lever_name(lever)} to {then} of what it is"
    return f"{lever_name(lever)} from {now} to {then}"


def _mend_notes(headroom: Headroom) -> Iterator[str]:
    hopeless = [missed for missed in headroom.missed if not missed.mends]
    if hopeless:
        names = [f"{missed.verdict.target} ({missed.verdict.subject})" for missed in hopeless]
        yield (
            f"No lever of the table below, and no two together, mends {plural(len(hopeless), 'target')}: "
            f"{listed(names, 12)}."
        )
    for missed in headroom.missed:
        if missed.mends or not missed.breaks:
            continue
        ways = [f"{move_words(move)} ({broken.target})" for move, broken in missed.breaks[:MOST_BREAKS]]
        name = f"{missed.verdict.target}, {missed.verdict.subject}"
        yield f"{name}: met by {'; '.join(ways)}, which misses the target in brackets."
    yield (
        "Every plan with such a change was checked and evaluated as a whole; changes that would miss another "
        "target are left out."
    )
    yield from _settings(headroom)


def _settings(headroom: Headroom) -> Iterator[str]:
    best: list[Mend] = [missed.mends[0] for missed in headroom.missed if missed.mends]
    spelled = next((mend for mend in best if all(move.settings for move in mend.moves)), None)
    if spelled is not None:
        options = " ".join(f"--with '{text}'" for move in spelled.moves for text in move.settings)
        yield f"To see the whole report with a change, such as the first: {options}"
