"""The slot table: which task runs in which scan of the major cycle, from when to when."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence

from rich.text import Text

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.figures.terms import Case
from chainplan.quantity import TIME
from chainplan.report.alike import kinds_of_scan
from chainplan.report.blocks import Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, plural, runs_of
from chainplan.report.sections.common import View, by_controller, noted

MOST_KINDS = 12
"""Kinds of scan that get their rows, the longest first."""


def render(view: View) -> Iterator[ReportPart]:
    """Return every controller's rate groups and slot table, controllers alike together."""
    shown, note = by_controller(view, view.evaluation.scans, _key)
    for told, scan in shown:
        yield Heading("Slots", f"{told.names}: worst case, since the scan began")
        yield _tasks(view, scan)
        yield Text()
        yield from _slots(view, scan)
    yield from noted(note)


def _key(scan: ControllerScan) -> Hashable:
    """Return all that is shown of a scan: the slots follow from the phases and the lengths of the runs."""
    return (
        tuple((work.name, work.task.every, work.task.phase, work.task.sent_from) for work in scan.works),
        tuple(tuple(run.length for run in scan.runs[case]) for case in (Case.WORST, Case.TYPICAL)),
        scan.phases,
        (scan.reserve.times, scan.reserve.amount),
    )


def _tasks(view: View, scan: ControllerScan) -> ReportPart:
    """Return the tasks of a controller; by which end they read is said where not all read by the head."""
    either = any(work.task.sent_from == "back" for work in scan.works)
    columns = [
        Column("task"),
        Column("every", figures=True),
        Column("phase", figures=True),
        Column("worst case", figures=True),
        Column("typical", figures=True),
        *([Column("sent from")] if either else []),
    ]
    rows: list[list[Cell]] = [
        [
            work.name,
            plural(work.task.every, "scan"),
            str(scan.phases.phases[index]) + ("" if work.task.phase is None else " (fixed)"),
            amount(scan.runs[Case.WORST][index].length, TIME, "up"),
            amount(scan.runs[Case.TYPICAL][index].length, TIME),
            *([work.task.sent_from] if either else []),
        ]
        for index, work in enumerate(scan.works)
    ]
    return Table(columns, rows)


def _slots(view: View, scan: ControllerScan) -> Iterator[ReportPart]:
    lengths = [run.length for run in scan.runs[Case.WORST]]
    kinds = sorted(
        kinds_of_scan(scan).items(), key=lambda kind: (-sum(lengths[index] for index in kind[0]), kind[1])
    )
    columns = [Column("scans"), Column("task"), Column("start", figures=True), Column("end", figures=True)]
    rows: list[list[Cell]] = []
    for _, numbers in kinds[:MOST_KINDS]:
        slots = scan.slots(numbers[0])
        first = runs_of(numbers)
        for slot in slots:
            rows.append([first, slot.task, amount(slot.start, TIME, "up"), amount(slot.end, TIME, "up")])
            first = ""
        if not slots:
            rows.append([first, "(nothing due)", "", ""])
    yield Table(columns, rows)
    for remark in _left_out(scan, kinds[MOST_KINDS:]):
        yield Paragraph(remark)


def _left_out(scan: ControllerScan, kinds: Sequence[tuple[tuple[int, ...], Sequence[int]]]) -> Iterator[str]:
    if kinds:
        scans = sum(len(numbers) for _, numbers in kinds)
        yield (
            f"Not shown: {plural(len(kinds), 'kind')} of shorter scan ({plural(scans, 'scan')}); the longest "
            f"{MOST_KINDS} kinds are above."
        )
    reserve = scan.reserve.total
    if reserve:
        yield (
            f"After its last slot every scan keeps a retry reserve of {amount(reserve, TIME, 'up')} "
            f"({scan.reserve.times} x {amount(scan.reserve.amount, TIME, 'up')})."
        )
