"""Observed beside computed. Here and in the choice of corners the witness meets the budgets, nowhere else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.traffic import bytes_budget
from chainplan.budgets.values.age import sample_budget
from chainplan.budgets.values.asleep import asleep_latency
from chainplan.budgets.values.latency import HazardLatency, alarm_latency, latency_budget
from chainplan.evaluation import Evaluation
from chainplan.plan.readings import READ_BY
from chainplan.plan.schedule import Hazard
from chainplan.quantity import BITS, TIME, Dimension
from chainplan.witness.record import ControllerRecord, Record, TaskRecord
from chainplan.witness.simulations import Phases
from chainplan.witness.tally import Tally


@dataclass(frozen=True, slots=True)
class SimulatedRow:
    """One figure: what was observed of it, in ticks of `dimension`, and its bound.

    `subject` is a task, a hazard's path, a milestone or a fault, or empty for the controller as a whole.
    `exact` figures must equal the bound. Figures of one quantity and `group` differ in the place only, so
    that a short report may show the one that comes closest to its bound.
    """

    quantity: str
    controller: str
    subject: str
    dimension: Dimension
    count: int
    least: int
    mean: float
    median: int
    percentile_99: int
    largest: int
    bound: int
    exact: bool = False
    group: str = ""

    @property
    def ratio(self) -> Fraction | None:
        """Return the largest observed value over its bound; None of a bound of 0."""
        return Fraction(self.largest, self.bound) if self.bound else None

    @property
    def ok(self) -> bool:
        """Tell whether the bound held."""
        return self.largest <= self.bound and (not self.exact or self.least == self.bound)


class Path(NamedTuple):
    """A hazard and a task that shows it on a controller, with the computed intervals, fs."""

    name: str
    hazard: Hazard
    task: str
    detection: int
    handling: int


def phases_of(evaluation: Evaluation) -> Phases:
    """Return the phases that the planner gave to every controller's tasks."""
    return {name: scan.phases.phases for name, scan in evaluation.scans.items()}


def paths_of(evaluation: Evaluation, scan: ControllerScan) -> Iterator[Path]:
    """Yield every way by which a task of a controller shows a hazard, not only the fastest."""
    units = evaluation.units
    for name, hazard in evaluation.plan.hazards.items():
        wanted = READ_BY.get(hazard.kind)
        for work in scan.works:
            if work.task.kind == "write" or hazard.task not in (None, work.name):
                continue
            if wanted is None or hazard.task is not None or work.task.reads == wanted:
                alone = hazard.model_copy(update={"task": work.name, "alarm": None})
                for latency in latency_budget({scan.controller.name: scan}, units, {name: alone}):
                    label = f"{name}, task {work.name}"
                    yield Path(label, alone, work.name, latency.detection.total, latency.handling.total)


def compare(evaluation: Evaluation, record: Record) -> list[SimulatedRow]:
    """Return every observed figure beside its bound."""
    rows: list[SimulatedRow] = []
    for name, observed in record.controllers.items():
        rows += _controller_rows(evaluation, evaluation.scans[name], observed)
    return rows


def _controller_rows(
    evaluation: Evaluation, scan: ControllerScan, observed: ControllerRecord
) -> Iterator[SimulatedRow]:
    name = scan.controller.name
    yield from _row("scan time", name, "", observed.scan_time, scan.worst.total)
    for timing in sample_budget(scan):
        task = observed.tasks.get(timing.task, TaskRecord())
        yield from _row("sample age", name, timing.task, task.age, timing.age.total)
        yield from _row("skew", name, timing.task, task.skew, timing.skew.total)
    traffic = bytes_budget(scan)
    for bits in traffic.tasks:
        tally = observed.tasks.get(bits.task, TaskRecord()).wire
        yield from _row("wire bits per run", name, bits.task, tally, bits.wire.total, BITS, exact=True)
    yield from _row("wire bits per scan", name, "", observed.wire, traffic.busiest_scan.total, BITS)
    for path in paths_of(evaluation, scan):
        for quantity, found, bound in (
            ("fault detection time", observed.detection, path.detection),
            ("fault handling time", observed.handling, path.handling),
        ):
            yield from _row(quantity, name, path.name, found.get(path.name, Tally()), bound)
    yield from _alarm_rows(evaluation, scan, observed)
    yield from _start_rows(evaluation, observed, name)
    yield from _break_rows(evaluation, observed, name)


def _start_rows(evaluation: Evaluation, observed: ControllerRecord, name: str) -> Iterator[SimulatedRow]:
    """Yield every milestone of a start-up that takes time."""
    start = (
        next(each for each in evaluation.start_ups if each.controller == name) if observed.start_up else None
    )
    for milestone in start.milestones if start else ():
        if milestone.worst and milestone.name in observed.start_up:
            tally = observed.start_up[milestone.name]
            yield from _row("start-up", name, milestone.name, tally, milestone.worst)


def _alarm_rows(
    evaluation: Evaluation, scan: ControllerScan, observed: ControllerRecord
) -> Iterator[SimulatedRow]:
    """Yield every hazard on every chain whose nodes raise an alarm for it, awake and asleep."""
    sleep, unit = evaluation.plan.sleep, evaluation.units[scan.controller.name]
    for name, hazard in evaluation.plan.hazards.items():
        for chain in scan.controller.chains:
            label = f"{name}, alarm of {chain.name}"
            if hazard.alarm is not None and label in observed.detection:
                latency = alarm_latency(name, hazard, hazard.alarm, scan, unit, chain)
                yield from _latency_rows("", label, latency, observed.detection, observed.handling)
            label = f"{name}, asleep, {chain.name}"
            if sleep is not None and label in observed.asleep_detection:
                latency = asleep_latency(name, hazard, sleep, chain, unit)
                found = observed.asleep_detection, observed.asleep_handling
                yield from _latency_rows(" asleep", label, latency, *found)


def _break_rows(evaluation: Evaluation, observed: ControllerRecord, name: str) -> Iterator[SimulatedRow]:
    """Yield every broken place: when it was known, and all that is left read again."""
    outcomes = {each.name: each for each in evaluation.faults.outcomes} if observed.known else {}
    for place, known in observed.known.items():
        outcome = outcomes[place]
        group = "broken places"
        if outcome.known is not None:
            yield from _row("fault known", name, place, known, outcome.known.total, group=group)
        recovery = evaluation.faults.recovery(outcome).total
        if recovery is not None and place in observed.read_again:
            yield from _row("recovery", name, place, observed.read_again[place], recovery, group=group)
        bound = evaluation.faults.rescan(outcome).total
        after = observed.scan_after.get(place, Tally())
        if bound or after.max:  # where nothing is left, nothing is scanned
            yield from _row("scan time after a fault", name, place, after, bound, group=group)


def _latency_rows(
    state: str, label: str, latency: HazardLatency, detection: dict[str, Tally], handling: dict[str, Tally]
) -> Iterator[SimulatedRow]:
    for quantity, found, bound in (
        ("fault detection time", detection, latency.detection.total),
        ("fault handling time", handling, latency.handling.total),
    ):
        group = f"alarms of {latency.hazard}"
        yield from _row(f"{quantity}{state}", latency.controller, label, found[label], bound, group=group)


def _row(
    quantity: str,
    controller: str,
    subject: str,
    tally: Tally,
    bound: int,
    dimension: Dimension = TIME,
    *,
    exact: bool = False,
    group: str = "",
) -> Iterator[SimulatedRow]:
    """Yield the row of a tally that holds something."""
    if tally.min is None or tally.max is None or tally.mean is None:
        return
    median, percentile_99 = tally.percentile(0.5), tally.percentile(0.99)
    assert median is not None
    assert percentile_99 is not None
    yield SimulatedRow(
        quantity,
        controller,
        subject,
        dimension,
        tally.count,
        tally.min,
        tally.mean,
        median,
        percentile_99,
        tally.max,
        bound,
        exact,
        group,
    )
