"""How each controller scans, and what that carries, as data."""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

from chainplan.budgets.scanning.bus_load import BusLoad
from chainplan.budgets.scanning.scan import ControllerScan, Slot
from chainplan.budgets.scanning.traffic import ControllerBytes
from chainplan.figures.terms import Case
from chainplan.figures.units import Bits, Bytes, Ratio, Time
from chainplan.quantity import DATA_PER_SAMPLE, RATIO
from chainplan.report.alike import kinds_of_scan

_BYTE = int(DATA_PER_SAMPLE.units["byte"])
_WHOLE = int(RATIO.units[""])


class TaskTime(NamedTuple):
    """One task's slot."""

    task: str
    every_scans: int
    phase: int
    worst: Time
    typical: Time


class ScanSlots(NamedTuple):
    """Scans of the major cycle that have the same tasks, and each task's place in them, worst case."""

    scans: list[int]
    slots: list[Slot]


class Phases(NamedTuple):
    """How good the choice of phases is."""

    quality: str
    proved_optimal: bool
    busiest_slots: Time
    lower_bound: Time


class PortTime(NamedTuple):
    """How long a port has an exchange under way in the busiest scan, worst case."""

    port: str
    busy: Time


class ChainTime(NamedTuple):
    """How long a chain has an exchange under way in the busiest scan, worst case."""

    chain: str
    busy: Time


class ScanRecord(NamedTuple):
    """How a controller scans; its scan time stands among the figures."""

    controller: str
    scan_period_min: Time
    scan_period_typical: Time
    scan_period_max: Time
    retry_reserve: Time
    major_cycle_scans: int
    busiest_scan: int
    phases: Phases
    tasks: list[TaskTime]
    slots: list[ScanSlots]
    ports: list[PortTime]
    chains: list[ChainTime]


def scan_record(scan: ControllerScan) -> ScanRecord:
    """Return how one controller scans."""
    phases = scan.phases
    return ScanRecord(
        scan.controller.name,
        *scan.controller.settings.scan_period,
        scan.reserve.total,
        phases.major_cycle,
        phases.busiest_scan,
        Phases(phases.quality, phases.proved, phases.busiest, phases.lower_bound),
        [
            TaskTime(
                work.name,
                work.task.every,
                phases.phases[index],
                scan.runs[Case.WORST][index].length,
                scan.runs[Case.TYPICAL][index].length,
            )
            for index, work in enumerate(scan.works)
        ],
        [ScanSlots(numbers, scan.slots(numbers[0])) for numbers in kinds_of_scan(scan).values()],
        [PortTime(port, busy) for port, busy in scan.port_busy().items()],
        [ChainTime(chain, busy) for chain, busy in scan.chain_busy().items()],
    )


class TaskTraffic(NamedTuple):
    """One task's traffic per run."""

    task: str
    every_scans: int
    exchanges: int
    samples: int
    payload: Bits
    wire: Bits
    data_per_sample: Bytes | None
    efficiency: Ratio


class TrafficRecord(NamedTuple):
    """A controller's traffic, fault-free."""

    controller: str
    tasks: list[TaskTraffic]
    mean_scan_payload: Bits
    mean_scan_wire: Bits
    log_byte_per_hour: float
    """What a log of every payload grows by."""


def traffic_record(traffic: ControllerBytes) -> TrafficRecord:
    """Return what one controller sends and receives."""
    return TrafficRecord(
        traffic.controller,
        [
            TaskTraffic(
                task.task,
                task.every,
                task.exchanges,
                task.samples,
                task.payload,
                task.wire.total,
                None if task.bytes_per_sample is None else task.bytes_per_sample * _BYTE,
                task.efficiency * _WHOLE,
            )
            for task in traffic.tasks
        ],
        Fraction(traffic.payload_per_scan),
        Fraction(traffic.wire_per_scan),
        float(traffic.log_per_hour),
    )


class BusRecord(NamedTuple):
    """What a host bus carries; its load stands among the figures."""

    controller: str
    bus: str
    """Empty where one bus serves all ports."""
    held_at_most: Time
    """In the scan that moves most over it."""
    mean_scan: Bits
    tasks: dict[str, int]
    """Bits that a run of each task moves over it."""


def bus_record(load: BusLoad) -> BusRecord:
    """Return what a host bus carries."""
    bits = {work.name: moved.bits for work, moved in zip(load.scan.works, load.moved, strict=True)}
    return BusRecord(load.controller, load.bus, load.busy.total, load.bits_per_scan, bits)
