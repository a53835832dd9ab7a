"""The slot table in full: every task of every scan of the major cycle, as the firmware has to run it.

Times are whole nanoseconds, rounded up, since the scan began: so a slot ends where the next one begins, and
no rounded worst case is shorter than the exact one. Retries are not in the table; their reserve follows the
last slot of every scan.
"""

from __future__ import annotations

from typing import NamedTuple

from chainplan.budgets.scanning.exchange import Exchange, exchange_wire_bits
from chainplan.budgets.scanning.runs import TaskWork
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.figures.terms import Case
from chainplan.quantity import Span

_FS_PER_NS = 10**6


class TaskFigures(NamedTuple):
    """A task on one controller, the same in every run: lengths and waits in ns, rounded up.

    `frames` are those that pass the head ports, a summation frame counted once though it comes back.
    `sent` and `received` are the bytes of their content at the host, check included and framing not, each
    frame in whole bytes; `longest` is the longest frame in them. `wire_bits` count the framing.
    """

    name: str
    kind: str
    every: int
    phase: int
    worst: int
    typical: int
    wait: int
    ports: tuple[str, ...]
    exchanges: int
    frames: int
    sent: int
    received: int
    longest: int
    wire_bits: int


class SlotFigures(NamedTuple):
    """A task's place in a scan of the major cycle (counted from 0), ns since the scan began."""

    scan: int
    task: int
    """Which of the table's tasks."""
    start_worst: int
    end_worst: int
    start_typical: int
    end_typical: int


class SlotTable(NamedTuple):
    """One controller's slots, its tasks and its pace. Times in ns."""

    controller: str
    ports: tuple[str, ...]
    scan_period: Span
    scan_jitter: int
    major_cycle: int
    busiest_scan: int
    busiest: int
    retries: int
    reserve: int
    tasks: tuple[TaskFigures, ...]
    slots: tuple[SlotFigures, ...]
    """Of every scan of the major cycle."""


def slot_table(scan: ControllerScan) -> SlotTable:
    """Return the slot table of a controller."""
    plan, phases = scan.controller.settings, scan.phases
    period = plan.scan_period
    return SlotTable(
        scan.controller.name,
        scan.controller.ports,
        Span(period.min // _FS_PER_NS, round(period.typical / _FS_PER_NS), whole_ns(period.max)),
        whole_ns(plan.scan_jitter.max),
        phases.major_cycle,
        phases.busiest_scan,
        whole_ns(phases.busiest),
        plan.retry_reserve,
        whole_ns(scan.reserve.total),
        tuple(_task(scan, index, work) for index, work in enumerate(scan.works)),
        tuple(slot for number in range(phases.major_cycle) for slot in _slots(scan, number)),
    )


def whole_ns(ticks: int) -> int:
    """Return a time in fs as whole ns, rounded up."""
    return -(-ticks // _FS_PER_NS)


def _slots(scan: ControllerScan, number: int) -> list[SlotFigures]:
    worst, typical = scan.slots(number, Case.WORST), scan.slots(number, Case.TYPICAL)
    return [
        SlotFigures(number, task, *map(whole_ns, (long.start, long.end, usual.start, usual.end)))
        for task, long, usual in zip(scan.due(number), worst, typical, strict=True)
    ]


def _task(scan: ControllerScan, index: int, work: TaskWork) -> TaskFigures:
    ways = scan.ways[Case.WORST]
    exchanges = work.exchanges
    sent = [_sent(exchange) for exchange in exchanges]
    received = [frame for exchange in exchanges for frame in _received(exchange)]
    return TaskFigures(
        work.name,
        work.task.kind,
        work.task.every,
        scan.phases.phases[index],
        whole_ns(scan.runs[Case.WORST][index].length),
        whole_ns(scan.runs[Case.TYPICAL][index].length),
        whole_ns(work.wait),
        tuple(port for port in scan.controller.ports if port in work.triggers or port in work.reads),
        len(exchanges),
        sum(1 if exchange.style == "summation" else 1 + len(exchange.answers) for exchange in exchanges),
        sum(sent),
        sum(received),
        max(*sent, *received) if received else max(sent),
        sum(exchange_wire_bits(ways.chains[each.chain].protocol, each) for each in exchanges),
    )


def _sent(exchange: Exchange) -> int:
    """Return the content the host sends, bytes; in a summation frame the nodes' blocks go out with it."""
    blocks = sum(exchange.answers) if exchange.style == "summation" else 0
    return _whole_bytes(exchange.request + blocks)


def _received(exchange: Exchange) -> list[int]:
    """Return the content of the frames the host receives, bytes each."""
    if exchange.style == "summation":
        return [_sent(exchange)]
    return [_whole_bytes(answer) for answer in exchange.answers]


def _whole_bytes(bits: int) -> int:
    return -(-bits // 8)
