"""Errors: reads that fail, retries, scans lost, what no check sees, and Hamming distances."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.errors.distances import BLOCK_DISTANCE, HAMMING_DISTANCE, Distance
from chainplan.budgets.errors.losses import BROADCASTS_UNHEARD, MEAN_SCAN, SCANS_LOST, ControllerErrors
from chainplan.budgets.errors.residual import RESIDUAL, USUAL_RESIDUAL
from chainplan.quantity import RATE, TIME
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Lines, Paragraph, ReportPart, Table
from chainplan.report.figures import amount
from chainplan.report.sections.common import STATUS_WIDTH, View, by_controller, noted, status_text

if TYPE_CHECKING:
    from chainplan.budgets.errors.residual import ResidualBudget
    from chainplan.budgets.scanning.scan import ControllerScan
    from chainplan.figures.figure import Status


DRAWS = (
    SCANS_LOST,
    BROADCASTS_UNHEARD,
    MEAN_SCAN,
    RESIDUAL,
    USUAL_RESIDUAL,
    HAMMING_DISTANCE,
    BLOCK_DISTANCE,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return what bit errors cost, and what the check codes see; nothing where the plan has neither."""
    shown, note = by_controller(view, view.evaluation.errors, partial(_key, view.evaluation.scans))
    for told, errors in shown:
        yield Heading("Errors", f"{told.names}: worst case by the plan's bit errors")
        if told.remark and errors.unknown:
            yield Paragraph(told.remark)
        yield from _controller(view, errors)
    yield from noted(note)
    if view.evaluation.distances:
        yield Heading("Check codes", "at the plan's longest blocks, the worst case of each kind")
        yield from _codes(view, view.evaluation.distances)
    if view.evaluation.errors:
        yield Text()
        yield Bullets(NOTES)


NOTES = (
    "A frame is hit if any of its bits is, framing included, on any segment it crosses; nodes send on what "
    "they receive without checking it. A scan is lost if it needs more retries than its reserve.",
    "Undetected errors in the form of IEC 61784-3 (from memory): the probability that a block arrives wrong "
    "and passes its check, by the weights of the check code at the block's length, times blocks received.",
)


def _key(scans: Mapping[str, ControllerScan], errors: ControllerErrors) -> Hashable:
    """Return all that is shown of a controller's errors, but for the names of its chains."""
    sums = (errors.lost, errors.typical_lost, errors.unheard, errors.mean_scan)
    scan = scans[errors.controller]
    return (
        len(errors.unknown),
        tuple(each and each.total for each in sums),
        (errors.bound, errors.retries, scan.controller.settings.retry_reserve, scan.longest),
        tuple(
            (task.task, len(task.failures), task.bits, task.worst, max(task.after_failure, default=None))
            for task in errors.tasks
        ),
    )


def _controller(view: View, errors: ControllerErrors) -> Iterator[ReportPart]:
    if (
        errors.lost is None
        or errors.typical_lost is None
        or errors.unheard is None
        or errors.mean_scan is None
    ):
        yield Lines([f"Not worked out: no bit errors in the plan for {', '.join(errors.unknown)}."])
        return
    scan = view.evaluation.scans[errors.controller]
    reserve = scan.controller.settings.retry_reserve
    bound = " (an upper bound)" if errors.bound else ""
    yield Lines(
        [
            f"Scans lost: {amount(errors.lost.total, RATE, 'up')} in the worst case{bound}; typical "
            f"{amount(errors.typical_lost.total, RATE)}",
            f"Retries: {errors.retries:.3g} per scan on average, {reserve} in reserve",
            f"Scan time: {amount(errors.mean_scan.total, TIME)} on average, "
            f"{amount(scan.worst.total, TIME, 'up')} in the worst case",
            f"Broadcasts that not every node hears: {amount(errors.unheard.total, RATE, 'up')}",
            _residual(view.evaluation.residual),
        ]
    )
    yield Text()
    columns = [
        Column("task"),
        Column("reads\nper run", figures=True),
        Column("longest\nframe", figures=True),
        Column("a read fails\nwith at most", figures=True),
        Column("after a failure\nwith at most", figures=True),
    ]
    rows: list[list[Cell]] = [
        [
            task.task,
            str(len(task.failures)),
            f"{task.bits} bit",
            f"{task.worst:.3g}" if task.failures else "-",
            f"{max(task.after_failure):.3g}" if task.after_failure else "-",
        ]
        for task in errors.tasks
    ]
    yield Table(columns, rows)


def _residual(residual: ResidualBudget | None) -> str:
    if residual is None or residual.total is None or residual.usual is None:
        return f"Undetected errors: not known, {residual.reason if residual else 'no bit errors in the plan'}"
    bound = "" if residual.exact else ", an upper bound"
    return (
        f"Undetected errors of all chains: {amount(residual.total.total, RATE, 'up')}{bound}; at 0.01 per "
        f"bit from sender to receiver {amount(residual.usual.total, RATE, 'up')}"
    )


def _codes(view: View, distances: Sequence[Distance]) -> Iterator[ReportPart]:
    columns = [
        Column("verdict", most=STATUS_WIDTH),
        Column("Hamming\ndistance", figures=True),
        Column("claimed", figures=True),
        Column("block", figures=True),
        Column("of"),
    ]
    rows: list[list[Cell]] = [
        [
            status_text(view, distance_status(each)),
            "unknown" if each.distance is None else str(each.distance),
            "-" if each.claimed is None else str(each.claimed),
            f"{each.bits} bit",
            f"{each.protocol}: {each.kind}, {each.style}" + (f" ({each.reason})" if each.reason else ""),
        ]
        for each in distances
    ]
    yield Table(columns, rows)


def distance_status(distance: Distance) -> Status:
    """Return whether a Hamming distance holds what the plan claims of it."""
    if distance.claimed is None or distance.distance is None:
        return "not checked"
    return "met" if distance.distance >= distance.claimed else "missed"
