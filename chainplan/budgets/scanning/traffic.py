"""Traffic on the wires, and its payload share.

bytes per sample = wire bytes / samples carried; efficiency = payload bits / wire bits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from functools import lru_cache
from math import ceil, floor, lcm
from typing import Literal, NamedTuple

from chainplan.budgets.scanning.exchange import exchange_wire_bits
from chainplan.budgets.scanning.phases import assign_phases
from chainplan.budgets.scanning.runs import TaskWork
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.values.age import NO_SAMPLES
from chainplan.chain.network import Chain
from chainplan.figures.budget import budget
from chainplan.figures.figure import BYTE, WHOLE, Figure, Kind
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.quantity import BITS, DATA_PER_SAMPLE, RATIO
from chainplan.remembered import remembered, remembered_for_all

_FS_PER_HOUR = 3600 * 10**15


class TaskBytes(NamedTuple):
    """One task's traffic per run on one controller, bits."""

    task: str
    every: int
    exchanges: int
    samples: int
    payload: int
    wire: Sum

    @property
    def bytes_per_sample(self) -> Fraction | None:
        """Return wire bytes per sample carried; None where a task carries none."""
        return Fraction(self.wire.total, 8 * self.samples) if self.samples else None

    @property
    def efficiency(self) -> Fraction:
        """Return payload bits over wire bits."""
        return Fraction(self.payload, self.wire.total) if self.wire.total else Fraction(0)


class ControllerBytes(NamedTuple):
    """One controller's traffic: per task, in the busiest scan and over time."""

    controller: str
    tasks: tuple[TaskBytes, ...]
    busiest_scan: Sum
    """Wire bits of the scan that carries most."""
    payload_per_scan: Fraction
    """Mean over the major cycle, bits."""
    wire_per_scan: Fraction
    """Mean over the major cycle, bits."""
    scan_period: int

    @property
    def efficiency(self) -> Fraction:
        """Return payload bits over wire bits, over the major cycle."""
        return self.payload_per_scan / self.wire_per_scan if self.wire_per_scan else Fraction(0)

    @property
    def log_per_hour(self) -> Fraction:
        """Return what a log of every payload grows by, bytes per hour."""
        return self.payload_per_scan / 8 * Fraction(_FS_PER_HOUR, self.scan_period)


@budget
def traffic(scans: dict[str, ControllerScan]) -> list[ControllerBytes]:
    """Traffic on the wires of each controller, and its payload share."""
    return [bytes_budget(scan) for scan in scans.values()]


def bytes_budget(scan: ControllerScan) -> ControllerBytes:
    """Count one controller's bits on the chains, fault-free."""
    tasks = _tasks_bytes(scan.works, scan.outlines)
    busiest = scan.due(_heaviest_scan(scan, tasks))
    return ControllerBytes(
        scan.controller.name,
        tasks,
        Sum(
            f"wire bits per scan of {scan.controller.name}",
            BITS,
            nonzero(*(Term(f"task {tasks[index].task}", tasks[index].wire.total) for index in busiest)),
            "bits of every task due in the scan that carries most",
        ),
        *_per_scan(tasks),
        scan.controller.settings.scan_period.typical,
    )


@remembered
def _per_scan(tasks: tuple[TaskBytes, ...]) -> tuple[Fraction, Fraction]:
    """Return the bits of payload and on the wire in the mean over all scans."""
    return (
        sum((Fraction(task.payload, task.every) for task in tasks), Fraction(0)),
        sum((Fraction(task.wire.total, task.every) for task in tasks), Fraction(0)),
    )


@remembered_for_all
def _tasks_bytes(works: tuple[TaskWork, ...], chains: tuple[Chain, ...]) -> tuple[TaskBytes, ...]:
    return tuple(task_bytes(work, chains) for work in works)


def task_bytes(work: TaskWork, chains: Iterable[Chain]) -> TaskBytes:
    """Count one task's bits per run on chains of which the outlines are enough."""
    exchanges = work.exchanges
    protocols = {chain.name: chain.protocol for chain in chains}
    amounts: dict[tuple[str, int], int] = {}
    for exchange in exchanges:
        key = exchange.style, exchange_wire_bits(protocols[exchange.chain], exchange)
        amounts[key] = amounts.get(key, 0) + 1
    return TaskBytes(
        work.name,
        work.task.every,
        len(exchanges),
        sum(exchange.samples for exchange in exchanges),
        sum(exchange.payload for exchange in exchanges),
        Sum(
            f"wire bits per run of {work.name}",
            BITS,
            tuple(Term(f"{style} exchange", bits, times) for (style, bits), times in amounts.items()),
        ),
    )


def _heaviest_scan(scan: ControllerScan, tasks: tuple[TaskBytes, ...]) -> int:
    """Return the scan of the major cycle that carries most bits, by the phases the scan budget chose."""
    weights = tuple(task.wire.total for task in tasks)
    return assign_phases(scan.periods, weights, scan.phases.phases).busiest_scan


@lru_cache(maxsize=256)
def _limit(bytes_per_sample: float) -> int:
    """Return a limit in ticks, rounded down: the decimal that was written, not the binary one."""
    return floor(Fraction(str(bytes_per_sample)) * BYTE)


PER_SAMPLE = Kind[TaskBytes](
    "data per sample",
    DATA_PER_SAMPLE,
    ("controller", "task"),
    "bytes",
    lambda task: ceil((task.bytes_per_sample or 0) * BYTE),
    named="bytes/{}/{}",
    sums=lambda task: (task.wire, None),
    target="bytes_per_sample",
    limit=_limit,
    by="task",
    nobody=NO_SAMPLES,
)


@PER_SAMPLE.of
def data_per_sample(traffic: list[ControllerBytes]) -> Iterator[Figure]:
    """Bytes on the wires for each value that a task carries."""
    for each in traffic:
        for task in each.tasks:
            if task.samples:
                yield PER_SAMPLE(each.controller, task.task, item=task)


DATA_PER_RUN = Kind[TaskBytes](
    "data per run",
    BITS,
    ("controller", "task"),
    "bytes",
    lambda task: task.wire,
    named="bytes/{}/{}",
)


@DATA_PER_RUN.of
def data_per_run(traffic: list[ControllerBytes]) -> Iterator[Figure]:
    """Bits on the wires in one run of a task."""
    for each in traffic:
        for task in each.tasks:
            yield DATA_PER_RUN(each.controller, task.task, item=task)


DATA_PER_SCAN = Kind[ControllerBytes](
    "data per scan",
    BITS,
    ("controller",),
    "bytes",
    lambda each: each.busiest_scan,
    named="bytes/{}",
    target="bytes_per_scan",
)


@DATA_PER_SCAN.of
def data_per_scan(traffic: list[ControllerBytes]) -> Iterator[Figure]:
    """Bits on the wires in the scan that carries most."""
    for each in traffic:
        yield DATA_PER_SCAN(each.controller, item=each)


WIRE_DATA = Kind[ControllerBytes](
    "data over the major cycle",
    BITS,
    ("controller",),
    "bytes",
    lambda each: over_the_cycle(each, "wire"),
    named="wire/{}",
)


@WIRE_DATA.of
def wire_data(traffic: list[ControllerBytes]) -> Iterator[Figure]:
    """Bits on the wires over the major cycle."""
    for each in traffic:
        yield WIRE_DATA(each.controller, item=each)


PAYLOAD = Kind[ControllerBytes](
    "payload over the major cycle",
    BITS,
    ("controller",),
    "bytes",
    lambda each: over_the_cycle(each, "payload"),
    named="payload/{}",
    sense="at least",
)


@PAYLOAD.of
def payloads(traffic: list[ControllerBytes]) -> Iterator[Figure]:
    """Bits over the major cycle that are values or blocks of data."""
    for each in traffic:
        yield PAYLOAD(each.controller, item=each)


EFFICIENCY = Kind[ControllerBytes](
    "efficiency",
    RATIO,
    ("controller",),
    "bytes",
    lambda each: floor(each.efficiency * WHOLE),
    named=lambda each: f"payload/{each.controller}",
    sense="at least",
    target="efficiency",
)


@EFFICIENCY.of
def efficiencies(traffic: list[ControllerBytes]) -> Iterator[Figure]:
    """Share of payload among the bits on the wires."""
    for each in traffic:
        yield EFFICIENCY(each.controller, item=each)


def over_the_cycle(traffic: ControllerBytes, what: Literal["wire", "payload"]) -> Sum:
    """Return a controller's `wire` or `payload` bits over its major cycle; efficiency is their ratio."""
    cycle = lcm(*(task.every for task in traffic.tasks))
    return Sum(
        f"{what} bits of {traffic.controller} over the major cycle of {cycle} scans",
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
