"""Verdicts: each target beside the figure it limits, met or missed, with the margin."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from math import ceil, floor
from typing import TYPE_CHECKING, Literal, NamedTuple

from chainplan.budgets.age import runs_from_sample_to_memory, slot_starts
from chainplan.budgets.scan import MOST_SCANS
from chainplan.budgets.schedule import conversion_waits
from chainplan.budgets.terms import Case, Sum, Term, nonzero
from chainplan.budgets.wire import bit_time_of
from chainplan.quantity import BITS, DATA_PER_SAMPLE, RATIO, TIME, Dimension

if TYPE_CHECKING:
    from chainplan.budgets.data import ControllerBytes
    from chainplan.budgets.faults import FaultBudget
    from chainplan.budgets.isolation import SegmentIsolation
    from chainplan.budgets.isolation_checks import Check
    from chainplan.budgets.scan import ControllerScan
    from chainplan.evaluate import Evaluation
    from chainplan.plan.schedule import Targets

Sense = Literal["at most", "below", "at least"]
Status = Literal["met", "missed", "not checked"]
Subject = Literal["working voltage", "creepage", "clearance", "test voltage"]

BYTE = int(DATA_PER_SAMPLE.units["byte"])
"""Ticks of one byte per sample."""

WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""


class Verdict(NamedTuple):
    """One target. `value` and `limit` are ticks of `dimension`; `value` is the worst case."""

    target: str
    subject: str
    value: int | None
    sense: Sense
    limit: int | None
    dimension: Dimension
    figure: str
    """The name of the sum the figure comes from (:mod:`chainplan.sums`), to look its terms up."""
    where: str = ""
    note: str = ""
    typical: int | None = None
    boundless: bool = False
    """The worst case has no bound at all, so the target is missed."""

    @property
    def status(self) -> Status:
        """Return met or missed, or not checked where figure or limit is unknown."""
        if self.boundless:
            return "missed"
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


Room = Callable[["Evaluation"], Iterator[Verdict]]


def judge(evaluation: Evaluation, rooms: Iterable[Room] | None = None) -> tuple[Verdict, ...]:
    """Hold every figure against its target, in the order of the report; or only those of some rooms."""
    if rooms is None:
        from chainplan.verdict_rooms import OTHER_ROOMS  # late: they make verdicts of this module's class

        rooms = (*ROOMS, *OTHER_ROOMS)
    return tuple(verdict for room in rooms for verdict in room(evaluation))


def _scan(evaluation: Evaluation) -> Iterator[Verdict]:
    targets = evaluation.plan.targets
    for scan in evaluation.scans.values():
        name, figure = scan.controller.name, f"scan/{scan.controller.name}"
        worst, typical = scan.longest, scan.usual
        period = scan.controller.plan.scan_period
        yield Verdict(
            "scan fits its period",
            name,
            worst,
            "at most",
            period.min,
            TIME,
            figure,
            note=scan.phases.quality,
            typical=typical,
        )
        if targets.scan_time:
            limit = targets.scan_time.min
            yield Verdict("scan time", name, worst, "at most", limit, TIME, figure, typical=typical)
        if targets.utilisation:
            used, usually = share(worst, period.min), share(typical, period.typical)
            limit = targets.utilisation.min
            yield Verdict("utilisation", name, used, "at most", limit, RATIO, figure, typical=usually)
        yield from _conversions(scan)


def _conversions(scan: ControllerScan) -> Iterator[Verdict]:
    """With overlap a conversion must be over before its task's next trigger."""
    for index, work in enumerate(scan.works):
        if not runs_from_sample_to_memory(work.task):
            continue
        plan = scan.controller.plan
        starts = slot_starts(scan, index, Case.WORST)
        early = min(slot_starts(scan, index, Case.BEST))
        room = plan.scan_period.min * work.task.every - plan.scan_jitter.max - (max(starts) - early)
        yield Verdict(
            "overlapped conversion time",
            f"{scan.controller.name}, {work.name}",
            overlapped_conversion(scan, index).total,
            "at most",
            room,
            TIME,
            f"conversion/{scan.controller.name}/{work.name}",
        )


def overlapped_conversion(scan: ControllerScan, index: int) -> Sum:
    """Return the time from a task's slot until its conversion is over on every node, with its terms, fs."""
    run = scan.runs[Case.WORST][index]
    work = scan.works[index]
    chains = {step.exchange.chain for step in run.triggers}
    settling, longest = max(
        (
            waits
            for chain in scan.controller.chains
            if chain.name in chains
            for waits in conversion_waits(work.task, chain)
        ),
        key=sum,
        default=(0, 0),
    )
    sent = max((step.end for step in run.triggers), default=0)
    return Sum(
        f"overlapped conversion of {work.name}",
        TIME,
        nonzero(
            Term("until the last trigger is sent", sent),
            Term("paused balancing settles", settling),
            Term("longest conversion", longest),
        ),
        "last trigger + longest settling and conversion of any node",
    )


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
                f"age/{timing.controller}/{timing.task}",
                timing.where,
                typical=timing.typical_age.total,
            )
        if skew:
            triggered = evaluation.plan.tasks[timing.task].kind == "measure"
            yield Verdict(
                "skew",
                subject,
                timing.skew.total if triggered else None,
                "at most",
                skew.min,
                TIME,
                f"skew/{timing.controller}/{timing.task}",
                note="" if triggered else "without a trigger every node samples when it likes",
                typical=timing.typical_skew.total if triggered else None,
            )
    sampled = {timing.task for timing in evaluation.samples}
    for target, limits in (("sample age", targets.sample_age), ("skew", targets.skew)):
        for task in (name for name in limits if name not in sampled):
            yield _idle(target, task, limits[task].min, TIME)


def _idle(target: str, task: str, limit: int, dimension: Dimension) -> Verdict:
    """Return the verdict on a target for a task that no controller samples anything with: not checked."""
    note = "this task fetches no samples"
    return Verdict(target, task, None, "at most", limit, dimension, "", note=note)


def _bytes(evaluation: Evaluation) -> Iterator[Verdict]:
    targets = evaluation.plan.targets
    counted = set()
    for traffic in evaluation.traffic:
        name = traffic.controller
        for task in traffic.tasks:
            most = targets.bytes_per_sample.get(task.task)
            if most is None or task.bytes_per_sample is None:
                continue
            counted.add(task.task)
            yield Verdict(
                "data per sample",
                f"{name}, {task.task}",
                ceil(task.bytes_per_sample * BYTE),
                "at most",
                floor(Fraction(str(most)) * BYTE),
                DATA_PER_SAMPLE,
                f"bytes/{name}/{task.task}",
            )
        if targets.bytes_per_scan:
            most_bits, figure = targets.bytes_per_scan.min, f"bytes/{name}"
            carried = traffic.busiest_scan.total
            yield Verdict("data per scan", name, carried, "at most", most_bits, BITS, figure)
        if targets.efficiency:
            reached, figure = floor(traffic.efficiency * WHOLE), f"payload/{name}"
            least = targets.efficiency.max
            yield Verdict("efficiency", name, reached, "at least", least, RATIO, figure)
        if targets.host_bus_load:
            yield _host_bus(evaluation.scans[name], traffic, targets.host_bus_load.min)
    for task_name in (name for name in targets.bytes_per_sample if name not in counted):
        limit = floor(Fraction(str(targets.bytes_per_sample[task_name])) * BYTE)
        yield _idle("data per sample", task_name, limit, DATA_PER_SAMPLE)


def _host_bus(scan: ControllerScan, traffic: ControllerBytes, limit: int) -> Verdict:
    name = traffic.controller
    busy = host_bus_time(scan, traffic)
    used = None if busy is None else share(busy.total, scan.controller.plan.scan_period.min)
    note = "the controller has no host bus in the plan" if busy is None else ""
    return Verdict("host bus load", name, used, "at most", limit, RATIO, f"host-bus/{name}", note=note)


def host_bus_time(scan: ControllerScan, traffic: ControllerBytes) -> Sum | None:
    """Return how long the host bus is busy in the scan that moves most over it, with its terms, fs.

    In a major cycle too long to walk through, all tasks are taken to meet. None without a host bus.
    """
    bus = scan.controller.plan.host_bus
    if bus is None:
        return None
    bits = [task.host_bus for task in traffic.tasks]
    heaviest: Iterable[int] = range(len(bits))
    if scan.phases.major_cycle <= MOST_SCANS:
        heaviest = max(
            map(scan.due, range(scan.phases.major_cycle)), key=lambda due: sum(bits[index] for index in due)
        )
    tau = bit_time_of(bus.bit_rate).max
    terms = (Term(f"task {traffic.tasks[index].task}", tau, bits[index], "bits") for index in heaviest)
    return Sum(
        f"host bus time per scan of {traffic.controller}",
        TIME,
        nonzero(*terms),
        "bits over the host bus in the scan that moves most, each one bit time",
    )


def _latencies(evaluation: Evaluation) -> Iterator[Verdict]:
    for latency in evaluation.latencies:
        yield Verdict(
            "fault handling time",
            latency.hazard,
            latency.handling.total,
            "below",
            latency.tolerant_time,
            TIME,
            f"latency/{latency.hazard}",
            latency.controller,
            latency.path,
            latency.typical_handling,
        )


ISOLATION_TARGETS: dict[tuple[Subject, bool], tuple[str, Sense]] = {
    ("working voltage", False): ("barrier working voltage", "at most"),
    ("creepage", False): ("barrier creepage", "at least"),
    ("clearance", False): ("barrier clearance", "at least"),
    ("test voltage", False): ("barrier test voltage", "at least"),
    ("creepage", True): ("creepage between boards", "at least"),
    ("clearance", True): ("clearance between boards", "at least"),
}
"""The target of a check, by its subject and whether it lies between the boards' conductors."""


def _isolation(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield one verdict per chain and kind of check, on the segment with the least margin for its limit."""
    for name, chain in evaluation.isolation.chains.items():
        groups: dict[tuple[Subject, bool], list[tuple[SegmentIsolation, Check]]] = {}
        for segment in chain.segments:
            for check in segment.checks:
                if is_asked(segment, check):
                    key = check.subject, check.place == "between conductors"
                    groups.setdefault(key, []).append((segment, check))
        for key, (target, sense) in ISOLATION_TARGETS.items():
            if key in groups:
                yield _isolation_verdict(name, target, sense, groups[key])


def is_asked(segment: SegmentIsolation, check: Check) -> bool:
    """Tell whether a check is asked for: not where the other barrier holds all, or nothing is needed."""
    if check.status != "not checked":
        return True
    if check.subject == "working voltage":
        return segment.rating is None
    return check.subject != "test voltage" or check.needed is not None


def _isolation_verdict(
    chain: str, target: str, sense: Sense, checks: list[tuple[SegmentIsolation, Check]]
) -> Verdict:
    known = [pair for pair in checks if pair[1].margin is not None]
    left_out = len(checks) - len(known)
    if known:
        segment, check = min(known, key=lambda pair: (pair[1].margin or 0) / max(_limit(pair[1], sense), 1))
        note = f"{left_out} of {len(checks)} not checked" if left_out else ""
    else:
        segment, check = checks[0]
        note = f"{check.reason} ({left_out} times)" if left_out > 1 else check.reason
    between = target.endswith("between boards")
    stress = segment.conductors if between else segment.references
    value, limit = check.needed, check.offered
    if sense == "at least":
        value, limit = limit, value
    figure = f"isolation/{segment.segment.name}/{'conductors' if between else 'references'}"
    where = f"{segment.segment.name}, {check.place}: {stress.situation.name}" if known else ""
    return Verdict(target, chain, value, sense, limit, check.dimension, figure, where, note)


def _limit(check: Check, sense: Sense) -> int:
    return (check.offered if sense == "at most" else check.needed) or 0


def _faults(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield the verdicts on single faults; the walk through them is made only where a target asks for it."""
    targets = evaluation.plan.targets
    if targets.cells_seen_after_fault:
        least = targets.cells_seen_after_fault.max
        for kind, outcome in evaluation.faults.worst_of_kind.items():
            if kind != "controller dead":
                seen = evaluation.faults.seen(outcome)
                subject, figure = f"one {kind}", f"{outcome.figure}/cells"
                target, where = "cells seen after a fault", outcome.name
                yield Verdict(target, subject, seen.total, "at least", least, RATIO, figure, where)
    if targets.fault_known or targets.recovery:
        for name in evaluation.scans:
            yield from _fault_times(evaluation.faults, name, targets)


def _fault_times(faults: FaultBudget, name: str, targets: Targets) -> Iterator[Verdict]:
    if targets.fault_known:
        latest, (hidden, count) = faults.latest_known(name), faults.unknown_of(name)
        limit = targets.fault_known.min
        if latest is not None and latest.known is not None:
            time, figure = latest.known.time.total, f"{latest.figure}/known"
            yield Verdict("fault known", name, time, "at most", limit, TIME, figure, latest.name)
        if count:
            shown, figure = faults.shown(name).total, f"faults/{name}/shown"
            where = f"never known: {', '.join(outcome.name for outcome in hidden[:3])}" if hidden else ""
            yield Verdict("faults that a read shows", name, shown, "at least", WHOLE, RATIO, figure, where)
    if targets.recovery:
        slowest, unbounded = faults.slowest_recovery(name)
        recovery = faults.recovery(slowest).time if slowest else None
        bound = recovery.total if recovery else None
        limit, figure, where = targets.recovery.min, "", ""
        if slowest and recovery:
            figure, where = f"{slowest.figure}/recovery", slowest.name
        note = "" if slowest else "nothing has to be recovered after any fault"
        if unbounded:
            note = f"{len(unbounded)} without a bound: {faults.recovery(unbounded[0]).note}"
            if bound is not None and bound <= limit:  # what is known does not miss, the rest is not known
                bound = None
        yield Verdict("recovery", name, bound, "at most", limit, TIME, figure, where, note)


def share(part: int, whole: int) -> int:
    """Return part over whole in ticks of a ratio, rounded up."""
    return -(-part * WHOLE // whole)


ROOMS = (_scan, _samples, _bytes, _latencies, _isolation, _faults)
"""Where each budget's figures meet their targets: a new budget adds its line here."""

SCANNING = (_scan, _samples, _bytes, _latencies)
"""The rooms of what depends on how the chains are scanned, and so can change after a fault."""

WALKS = (_faults,)
"""The rooms that walk through every single fault, and so take longer than all others together."""


def missed(verdicts: Iterable[Verdict]) -> list[Verdict]:
    """Return the verdicts that miss."""
    return [verdict for verdict in verdicts if verdict.status == "missed"]
