"""Start-up, milestone by milestone, and what watches over the cells while the controller sleeps."""

from __future__ import annotations

from collections.abc import Hashable, Iterator

from rich.text import Text

from chainplan.budgets.standby.start_up import START_UP, StartUp
from chainplan.budgets.values.asleep import DETECTION_ASLEEP, HANDLING_ASLEEP, SleepBudget
from chainplan.quantity import TIME, format_span
from chainplan.report.blocks import Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, listed
from chainplan.report.sections.common import View, by_controller, noted
from chainplan.report.sections.fault_handling import intervals

DRAWS = (
    DETECTION_ASLEEP,
    HANDLING_ASLEEP,
    START_UP,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return every controller's start-up, and the handling times while asleep."""
    shown, note = by_controller(view, {each.controller: each for each in view.evaluation.start_ups}, _key)
    for told, start in shown:
        yield Heading("Start-up", f"{told.names}: since power-up, worst case and typical")
        yield from _start_up(view, start)
    yield from noted(note)
    asleep = view.evaluation.asleep
    if asleep is not None:
        yield Heading("Asleep", "from fault to safe state, worst case; FHTI below FTTI")
        yield from _asleep(view, asleep)


def _key(start: StartUp) -> Hashable:
    """Return all that is shown of a start-up."""
    return start.missing, start.note, () if start.missing else start.milestones


def _start_up(view: View, start: StartUp) -> Iterator[ReportPart]:
    if start.missing:
        yield Paragraph(f"Not worked out: {start.missing}.")
        return
    columns = [
        Column("milestone"),
        Column("at the latest", figures=True),
        Column("typical", figures=True),
    ]
    rows: list[list[Cell]] = [
        [milestone.name, amount(milestone.worst, TIME, "up"), amount(milestone.typical, TIME)]
        for milestone in start.milestones
    ]
    yield Table(columns, rows)
    yield Text()
    note = f"Not counted: {start.note}. " if start.note else ""
    yield Paragraph(
        f"{note}The wake signal goes from node to node, then one node after another gets its address, then "
        "every task that reads runs once, back to back. At the latest: with all retries of a scan.",
    )


def _asleep(view: View, asleep: SleepBudget) -> Iterator[ReportPart]:
    if asleep.latencies:
        yield intervals(view, asleep.latencies)
        yield Text()
    if asleep.not_watched:
        yield Paragraph(f"Nobody watches for these while asleep: {listed(asleep.not_watched)}.")
    sleep = view.evaluation.plan.sleep
    assert sleep is not None  # the budget is only there with it
    checks, period = " and ".join(sleep.checks), format_span(sleep.check_every, TIME)
    yield Paragraph(
        f"Every node checks its own {checks} every {period}; after {sleep.debounce} in a row its alarm goes "
        "from node to node to the nearer port and wakes the controller.",
    )
