"""Headroom: how far each parameter moves alone before a target is missed, and what would fix a miss."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.headroom.budget import Fix, Limit, Missed, headroom_budget
from chainplan.headroom.parameters import FAR, Move, Parameter
from chainplan.quantity import RATIO
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Paragraph, ReportPart, Subheading, Table
from chainplan.report.figures import amount, listed, percent, plural, signed_amount
from chainplan.report.sections.common import View, by_target, two_lines

if TYPE_CHECKING:
    from chainplan.headroom.budget import Headroom

MOST_TARGETS = 2
"""Targets named in a row."""

MOST_BREAKS = 2
"""Moves told that would fix one target and miss another."""


def render(view: View) -> Iterator[ReportPart]:
    """Return the table of parameters, and what fixes each missed target."""
    headroom = headroom_budget(view.evaluation)
    yield Heading("Headroom", "each parameter moved alone, until a target is missed in the worst case")
    if headroom.skipped:
        yield Paragraph(f"Headroom is {headroom.skipped}.")
        return
    if headroom.missed:
        yield from _fixes(view, headroom)
        yield Subheading("How far each parameter moves alone before another target is missed")
    columns = [
        Column("parameter"),
        Column("now", figures=True),
        Column("down to", figures=True),
        Column("up to", figures=True),
        Column("then missed", full="first target missed beyond"),
    ]
    yield Table(columns, [_row(view, limits) for limits in by_parameter(headroom.limits)])
    yield Text()
    yield Bullets(list(notes(headroom)))


def by_parameter(limits: Iterable[Limit]) -> list[list[Limit]]:
    """Return both directions of each parameter together, parameters that nothing stops left out."""
    found: dict[tuple[str, str], list[Limit]] = {}
    for limit in limits:
        found.setdefault((limit.parameter.name, limit.parameter.subject), []).append(limit)
    return [both for both in found.values() if any(limit.stops for limit in both)]


def free_parameters(limits: Iterable[Limit]) -> list[str]:
    """Return the parameters that no target limits within the range searched."""
    limits = list(limits)
    stopped = {(limit.parameter.name, limit.parameter.subject) for limit in limits if limit.stops}
    return list(
        dict.fromkeys(
            parameter_name(limit.parameter)
            for limit in limits
            if (limit.parameter.name, limit.parameter.subject) not in stopped
        )
    )


def parameter_name(parameter: Parameter) -> str:
    """Return a parameter with what it belongs to."""
    return f"{parameter.name}: {parameter.subject}" if parameter.subject else parameter.name


def notes(headroom: Headroom) -> Iterator[str]:
    """Yield what must be known to read the table."""
    free = free_parameters(headroom.limits)
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
    parameter = limits[0].parameter
    ways = {limit.direction: limit for limit in limits}
    beyond = [
        f"{word}: {listed(by_target(limit.stops, 1), MOST_TARGETS)}"
        for direction, word in ((-1, "down"), (1, "up"))
        if (limit := ways.get(direction)) is not None and limit.stops
    ]
    return [
        two_lines(view, parameter.name, parameter.subject),
        amount(parameter.present, parameter.dimension),
        _end(parameter, ways.get(-1)),
        _end(parameter, ways.get(1)),
        Text("\n".join(view.look.text(text) for text in beyond)),
    ]


def _end(parameter: Parameter, limit: Limit | None) -> str:
    if limit is None:
        return "-"
    if not limit.stops:
        return "free"
    mark = "" if limit.plain else " *"
    if limit.value == parameter.present:
        return f"none{mark}"
    return amount(limit.value, parameter.dimension, "up" if limit.direction < 0 else "down") + mark


# What fixes a miss ---------------------------------------------------------------------------------------


def _fixes(view: View, headroom: Headroom) -> Iterator[ReportPart]:
    yield Subheading("What would fix a miss")
    columns = [
        Column("missed target"),
        Column("smallest change, every other target as it is"),
        Column("change", figures=True),
        Column("margin then", figures=True),
    ]
    fixable = [missed for missed in headroom.missed if missed.fixes]
    if fixable:
        yield Table(columns, [row for missed in fixable for row in _fix_rows(view, missed)])
        yield Text()
    yield Bullets(list(_fix_notes(headroom)))
    yield Text()


def _fix_rows(view: View, missed: Missed) -> Iterator[list[Cell]]:
    for number, fix in enumerate(missed.fixes):
        first = two_lines(view, missed.verdict.target, missed.verdict.subject) if number == 0 else ""
        remark = "fixes every miss" if fix.meets_all else ""
        yield [
            first,
            two_lines(view, " and ".join(map(move_words, fix.moves)), remark),
            " + ".join(percent(move.size, "up") for move in fix.moves),
            signed_amount(fix.then.margin, fix.then.dimension),
        ]


def move_words(move: Move) -> str:
    """Return a move in words: what it is moved from and to."""
    parameter = move.parameter
    now, then = amount(parameter.present, parameter.dimension), amount(move.value, parameter.dimension)
    if parameter.dimension.name == RATIO.name and parameter.present == int(RATIO.units[""]):
        return f"{parameter_name(parameter)} to {then} of what it is"
    return f"{parameter_name(parameter)} from {now} to {then}"


def _fix_notes(headroom: Headroom) -> Iterator[str]:
    hopeless = [missed for missed in headroom.missed if not missed.fixes]
    if hopeless:
        names = [f"{missed.verdict.target} ({missed.verdict.subject})" for missed in hopeless]
        yield (
            f"No parameter of the table below, and no two together, fixes {plural(len(hopeless), 'target')}: "
            f"{listed(names, 12)}."
        )
    for missed in headroom.missed:
        if missed.fixes or not missed.breaks:
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
    best: list[Fix] = [missed.fixes[0] for missed in headroom.missed if missed.fixes]
    spelled = next((fix for fix in best if all(move.settings for move in fix.moves)), None)
    if spelled is not None:
        options = " ".join(f"--with '{text}'" for move in spelled.moves for text in move.settings)
        yield f"To see the whole report with a change, such as the first: {options}"
