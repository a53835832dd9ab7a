"""Verdicts: each target beside the figure it limits, met or missed, with the margin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import TYPE_CHECKING, Literal

from chainplan.budgets.age import slot_starts, runs_from_sample_to_memory
from chainplan.budgets.terms import Case
from chainplan.quantity import BITS, RATIO, TIME, Dimension

if TYPE_CHECKING:
    from chainplan.budgets.scan import ControllerScan
    from chainplan.evaluate import Evaluation

Sense = Literal["at most", "below", "at least"]
Status = Literal["met", "missed", "not checked"]

WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One target. `value` and `limit` are ticks of `dimension`; `value` is the worst case."""

    target: str
    subject: str
    value: int | None
    sense: Sense
    limit: int | None
    dimension: Dimension
    budget: str
    """The budget the figure comes from, to look its terms up."""
    where: str = ""
    note: str = ""
    typical: int | None = None

    @property
    def status(self) -> Status:
        """Return met or missed, or not checked where figure or limit is unknown."""
        if self.value is None or self.limit is None:
            return "not checked"
        if self.sense == "at most":
            met = self.value <= self.limit
        elif self.sense == "below":
            met = self.value < self.limit
        else:
            met = self.value >= self.limit
        return "met" if met else "missed"

    @property
    def margin(self) -> int | None:
        """Return the distance to the limit, ticks; negative beyond it."""
        if self.value is None or self.limit is None:
            return None
        return self.value - self.limit if self.sense == "at least" else self.limit - self.value

    @property
    def margin_share(self) -> Fraction | None:
        """Return the margin as a share of the limit."""
        return Fraction(self.margin or 0, self.limit) if self.limit and self.margin is not None else None


def judge(evaluation: Evaluation) -> tuple[Verdict, ...]:
    """Hold every figure against its target, in the order of the report."""
    return tuple(verdict for room in ROOMS for verdict in room(evaluation))


def _scan(evaluation: Evaluation) -> Iterator[Verdict]:
    targets = evaluation.plan.targets
    for scan in evaluation.scans.values():
        name = scan.controller.name
        worst, typical = scan.worst.total, scan.typical.total
        period = scan.controller.plan.scan_period.min
        note = scan.phases.quality
        yield Verdict(
            "scan time within the scan period",
            name,
            worst,
            "at most",
            period,
            TIME,
            "scan",
            note=note,
            typical=typical,
        )
        if targets.scan_time:
            yield Verdict(
                "scan time", name, worst, "at most", targets.scan_time.min, TIME, "scan", typical=typical
            )
        if targets.utilisation:
            used = share(worst, period)
            yield Verdict(
                "utilisation",
                name,
                used,
                "at most",
                targets.utilisation.min,
                RATIO,
                "scan",
                typical=share(typical, scan.controller.plan.scan_period.typical),
            )
        yield from _conversions(scan)


def _conversions(scan: ControllerScan) -> Iterator[Verdict]:
    """With overlap a conversion must be over before its task's next trigger."""
    for index, work in enumerate(scan.works):
        if not runs_from_sample_to_memory(work.task):
            continue
        longest = overlapped_conversion(scan, index)
        plan = scan.controller.plan
        starts = slot_starts(scan, index, Case.WORST)
        early = min(slot_starts(scan, index, Case.BEST))
        room = plan.scan_period.min * work.task.every - plan.scan_jitter.max - (max(starts) - early)
        yield Verdict(
            "overlapped conversion ends before the next one",
            f"{scan.controller.name}, {work.name}",
            longest,
            "at most",
            room,
            TIME,
            "scan",
        )


def overlapped_conversion(scan: ControllerScan, index: int) -> int:
    """Return the time from a task's slot until its conversion is over on every node, fs."""
    from chainplan.budgets.schedule import conversion_of

    run = scan.runs[Case.WORST][index]
    work = scan.works[index]
    chains = {step.exchange.chain for step in run.triggers}
    longest = max(
        (
            conversion.time.max
            for chain in scan.controller.chains
            if chain.name in chains
            for conversion in conversion_of(work.task, chain)
        ),
        default=0,
    )
    return max((step.end for step in run.triggers), default=0) + longest


def _samples(evaluation: Evaluation) -> Iterator[Verdict]:
    targets = evaluation.plan.targets
    for timing in evaluation.samples:
        subject = f"{timing.controller}, {timing.task}"
        age, skew = targets.sample_age.get(timing.task), targets.skew.get(timing.task)
        if age:
            yield Verdict(
                "sample age",
                subject,
                timing.age.total,
                "at most",
                age.min,
                TIME,
                "sample",
                timing.where,
                typical=timing.typical_age.total,
            )
        if skew:
            yield Verdict(
                "skew",
                subject,
                timing.skew.total,
                "at most",
                skew.min,
                TIME,
                "sample",
                typical=timing.typical_skew.total,
            )


def _bytes(evaluation: Evaluation) -> Iterator[Verdict]:
    targets = evaluation.plan.targets
    for traffic in evaluation.traffic:
        for task in traffic.tasks:
            limit = targets.bytes_per_sample.get(task.task)
            if limit is not None and task.bytes_per_sample is not None:
                bits = ceil(8 * task.bytes_per_sample)
                yield Verdict(
                    "data per sample",
                    f"{traffic.controller}, {task.task}",
                    bits,
                    "at most",
                    floor(8 * Fraction(limit)),
                    BITS,
                    "bytes",
                )
        if targets.bytes_per_scan:
            yield Verdict(
                "data per scan",
                traffic.controller,
                traffic.busiest_scan.total,
                "at most",
                targets.bytes_per_scan.min,
                BITS,
                "bytes",
            )
        if targets.efficiency:
            yield Verdict(
                "efficiency",
                traffic.controller,
                floor(traffic.efficiency * WHOLE),
                "at least",
                targets.efficiency.max,
                RATIO,
                "bytes",
            )


def _latencies(evaluation: Evaluation) -> Iterator[Verdict]:
    for latency in evaluation.latencies:
        yield Verdict(
            "fault handling below the tolerant time",
            latency.hazard,
            latency.handling.total,
            "below",
            latency.tolerant_time,
            TIME,
            "latency",
            latency.controller,
            latency.path,
            latency.typical_handling,
        )


def share(part: int, whole: int) -> int:
    """Return part over whole in ticks of a ratio, rounded up."""
    return -(-part * WHOLE // whole)


ROOMS = (_scan, _samples, _bytes, _latencies)
"""Where each budget's figures meet their targets: a new budget adds its line here."""


def missed(verdicts: Iterable[Verdict]) -> list[Verdict]:
    """Return the verdicts that miss."""
    return [verdict for verdict in verdicts if verdict.status == "missed"]
