"""Every figure's arithmetic by name, so that a reader gets from a number to its terms in one step."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from math import lcm
from typing import TYPE_CHECKING

from chainplan.budgets.age import overlapped_conversion, runs_from_sample_to_memory
from chainplan.budgets.data import ControllerBytes, host_bus_time
from chainplan.budgets.scan import ControllerScan
from chainplan.budgets.terms import Sum, Term, nonzero
from chainplan.quantity import BITS, COUNT, RATE

if TYPE_CHECKING:
    from chainplan.budgets.isolation import SegmentIsolation
    from chainplan.chain.potentials import Potentials, Worst
    from chainplan.evaluation import Evaluation

Named = tuple[str, Callable[[], Sum]]

TYPICAL = "/typical"
"""Ends the name of a figure's typical case; without it a name means the worst case."""


def all_sums(evaluation: Evaluation) -> dict[str, Callable[[], Sum]]:
    """Return every sum of an evaluation by its name, ``budget/subject``, worked out when called."""
    return {name: work_out for room in ROOMS for name, work_out in room(evaluation)}


def _known(figure: Sum) -> Callable[[], Sum]:
    return lambda: figure


def _scans(evaluation: Evaluation) -> Iterator[Named]:
    for name, scan in evaluation.scans.items():
        yield f"scan/{name}", _known(scan.worst)
        yield f"scan/{name}{TYPICAL}", _known(scan.typical)
        for index, work in enumerate(scan.works):
            if runs_from_sample_to_memory(work.task):
                yield f"conversion/{name}/{work.name}", partial(overlapped_conversion, scan, index)


def _samples(evaluation: Evaluation) -> Iterator[Named]:
    for timing in evaluation.samples:
        subject = f"{timing.controller}/{timing.task}"
        yield f"age/{subject}", _known(timing.age)
        yield f"age/{subject}{TYPICAL}", _known(timing.typical_age)
        yield f"skew/{subject}", _known(timing.skew)
        yield f"skew/{subject}{TYPICAL}", _known(timing.typical_skew)


def _traffic(evaluation: Evaluation) -> Iterator[Named]:
    for traffic in evaluation.traffic:
        name = traffic.controller
        scan = evaluation.scans[name]
        yield f"bytes/{name}", _known(traffic.busiest_scan)
        for task in traffic.tasks:
            yield f"bytes/{name}/{task.task}", _known(task.wire)
        yield f"wire/{name}", partial(over_the_cycle, scan, traffic, "wire")
        yield f"payload/{name}", partial(over_the_cycle, scan, traffic, "payload")
        if scan.controller.plan.host_bus is not None:
            yield f"host-bus/{name}", partial(_host_bus, scan, traffic)


def _host_bus(scan: ControllerScan, traffic: ControllerBytes) -> Sum:
    busy = host_bus_time(scan, traffic)
    assert busy is not None  # the name is only there with a host bus
    return busy


def over_the_cycle(scan: ControllerScan, traffic: ControllerBytes, what: str) -> Sum:
    """Return a controller's `wire` or `payload` bits over its major cycle; efficiency is their ratio."""
    cycle = lcm(*(task.every for task in traffic.tasks))
    return Sum(
        f"{what} bits of {scan.controller.name} over the major cycle of {cycle} scans",
        BITS,
        nonzero(
            *(
                Term(
                    f"task {task.task}",
                    task.wire.total if what == "wire" else task.payload,
                    cycle // task.every,
                    "every scan" if task.every == 1 else f"every {task.every} scans",
                )
                for task in traffic.tasks
            )
        ),
        "bits of every task, once per run; efficiency = payload bits / wire bits",
    )


def _latencies(evaluation: Evaluation) -> Iterator[Named]:
    for latency in evaluation.latencies:
        yield f"latency/{latency.hazard}", _known(latency.handling)


def _isolation(evaluation: Evaluation) -> Iterator[Named]:
    from chainplan.chain.potentials import Potentials

    potentials = Potentials(evaluation.network.strings)  # once: it looks over all strings
    for segment in evaluation.isolation.segments:
        name = f"isolation/{segment.segment.name}"
        yield f"{name}/references", partial(_stress, evaluation, potentials, segment, "references")
        yield f"{name}/conductors", partial(_stress, evaluation, potentials, segment, "conductors")


def _stress(evaluation: Evaluation, potentials: Potentials, isolation: SegmentIsolation, between: str) -> Sum:
    """Return a segment's worst voltage between its `references` or between `conductors`, with its terms."""
    from chainplan.budgets.isolation_cases import explain

    worst: Worst = getattr(isolation, between)
    stress = explain(evaluation.network, isolation.segment, worst.situation, potentials)
    figure: Sum = getattr(stress, between)
    return figure


def _faults(evaluation: Evaluation) -> Iterator[Named]:
    """Yield the figures of those faults that targets are held against; the others are not walked for this."""
    targets = evaluation.plan.targets
    if targets.cells_seen_after_fault:
        for outcome in evaluation.faults.worst_of_kind.values():
            yield f"{outcome.figure}/cells", partial(evaluation.faults.seen, outcome)
    for name in evaluation.scans:
        latest = evaluation.faults.latest_known(name) if targets.fault_known else None
        if latest is not None and latest.known is not None:
            yield f"{latest.figure}/known", _known(latest.known.time)
        if targets.fault_known and evaluation.faults.unknown_of(name)[1]:
            yield f"faults/{name}/shown", partial(evaluation.faults.shown, name)
        slowest = evaluation.faults.slowest_recovery(name)[0] if targets.recovery else None
        recovery = evaluation.faults.recovery(slowest).time if slowest else None
        if slowest is not None and recovery is not None:
            yield f"{slowest.figure}/recovery", _known(recovery)


def _uplink(evaluation: Evaluation) -> Iterator[Named]:
    if evaluation.uplink is None:
        return
    for name, bus in evaluation.uplink.buses.items():
        yield f"uplink/{name}", _known(bus.load)
        yield f"uplink/{name}{TYPICAL}", _known(bus.typical_load)
        for message in bus.messages:
            for arrival, end in ((message.response, ""), (message.typical_response, TYPICAL)):
                if arrival.time is not None:
                    yield f"uplink/{name}/{message.name}{end}", _known(arrival.time)
    for age in evaluation.uplink.ages:
        for figure, end in ((age.time, ""), (age.typical, TYPICAL)):
            if figure is not None:
                yield f"{age.figure}{end}", _known(figure)


def _coverage(evaluation: Evaluation) -> Iterator[Named]:
    for test in evaluation.coverage.tests:
        name = f"interval/{test.controller}/{test.task}"
        yield name, _known(test.interval)
        yield f"{name}{TYPICAL}", _known(test.typical_interval)
    for kind, covered in evaluation.coverage.kinds.items():
        yield f"coverage/{kind}", _known(covered.covered)


def _standby(evaluation: Evaluation) -> Iterator[Named]:
    """Yield the figures of start-up and sleep, as far as the plan says enough for them."""
    for start in evaluation.start_ups:
        if not start.missing:
            yield f"start-up/{start.controller}", _known(start.time)
            yield f"start-up/{start.controller}{TYPICAL}", _known(start.typical)
    if evaluation.sleep is not None:
        for latency in evaluation.sleep.latencies:
            yield f"sleep/{latency.hazard}", _known(latency.handling)


def _balancing(evaluation: Evaluation) -> Iterator[Named]:
    for name, groups in evaluation.balancing.items():
        for group in groups:
            yield f"balancing/{name}/{group.nodes[0]}/left", _known(group.left)
            yield f"balancing/{name}/{group.nodes[0]}/left{TYPICAL}", _known(group.typical_left)
    for name, times in evaluation.balancing_times.items():
        for each in times:
            figure = f"balancing/{name}/{each.group.nodes[0]}"
            if each.time is not None:
                yield figure, _known(each.time)
            if each.typical is not None:
                yield f"{figure}{TYPICAL}", _known(each.typical)


def _supply(evaluation: Evaluation) -> Iterator[Named]:
    if evaluation.plan.supply is None:
        return
    for string in evaluation.supply:
        if string.spread is not None:
            yield f"supply/{string.string}", _known(string.spread.worst)
            yield f"supply/{string.string}{TYPICAL}", _known(string.spread.typical)


def _lengths(evaluation: Evaluation) -> Iterator[Named]:
    """Yield link margins, once per make of segment, and what stands in for a limit of length."""
    for name, length in evaluation.lengths.items():
        shown: set[int] = set()
        tightest = length.tightest
        for link in length.links or ():
            if link.worst is None or link.typical is None:
                continue
            if link is tightest or id(link.segment.hop) not in shown:
                shown.add(id(link.segment.hop))
                yield f"link/{link.segment.name}", _known(link.worst)
                yield f"link/{link.segment.name}{TYPICAL}", _known(link.typical)
        for wait in length.waits:
            yield f"answer-wait/{name}/{wait.style}", _known(wait.worst)
            yield f"answer-wait/{name}/{wait.style}{TYPICAL}", _known(wait.typical)
        if length.addresses is not None:
            yield f"addresses/{name}", _known(length.nodes)


def _errors(evaluation: Evaluation) -> Iterator[Named]:
    if not evaluation.errors:
        return
    from chainplan.budgets.residual import why_no_residual

    for name, errors in evaluation.errors.items():
        if errors.lost and errors.typical_lost and errors.unheard and errors.mean_scan:
            yield f"scans-lost/{name}", _known(errors.lost)
            yield f"scans-lost/{name}{TYPICAL}", _known(errors.typical_lost)
            yield f"broadcasts-unheard/{name}", _known(errors.unheard)
            yield f"mean-scan/{name}", _known(errors.mean_scan)
    if not why_no_residual(evaluation.scans):
        yield "residual-errors", partial(_residual, evaluation, "total")
        yield "residual-errors/at 0.01", partial(_residual, evaluation, "usual")


def _distances(evaluation: Evaluation) -> Iterator[Named]:
    """Yield the Hamming distances that the plan makes a claim of; the others are searched for no name."""
    if not any(each.check.hamming_distance for each in evaluation.plan.protocols.values()):
        return
    for each in evaluation.distances:
        if each.claimed is not None and each.distance is not None:
            how = f"fewest bit errors that the check does not see in {each.bits} bit, searched one by one"
            yield (
                f"hamming-distance/{each.protocol}/{each.kind} {each.style}",
                _known(Sum("Hamming distance", COUNT, (Term("bit errors", each.distance, how=how),))),
            )


def _residual(evaluation: Evaluation, which: str) -> Sum:
    """Return a residual error rate; without terms where a check code turns out to be beyond reach."""
    residual = evaluation.residual
    assert residual is not None  # the name is only there with bit errors
    figure: Sum | None = getattr(residual, which)
    return figure or Sum(f"residual errors per hour: not known, {residual.reason}", RATE, ())


ROOMS = (
    _scans,
    _samples,
    _traffic,
    _latencies,
    _uplink,
    _coverage,
    _standby,
    _balancing,
    _supply,
    _lengths,
    _errors,
    _distances,
    _faults,
    _isolation,  # last: in a list of figures its many segments stand below all others
)
"""Where each budget names its sums: a new budget adds its line here."""
