"""Traffic of each task on the wires and over the host bus, and its payload share."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.scanning.bus_load import HOST_BUS_LOAD, BusLoad
from chainplan.budgets.scanning.traffic import (
    DATA_PER_RUN,
    DATA_PER_SCAN,
    EFFICIENCY,
    PAYLOAD,
    PER_SAMPLE,
    WIRE_DATA,
    ControllerBytes,
    TaskBytes,
)
from chainplan.quantity import BITS, RATIO, TIME
from chainplan.report.blocks import Cell, Column, Heading, Lines, ReportPart, Table
from chainplan.report.figures import amount, byte_number, percent, plural
from chainplan.report.sections.common import View, by_controller, noted

if TYPE_CHECKING:
    from chainplan.budgets.scanning.scan import ControllerScan


DRAWS = (
    PER_SAMPLE,
    DATA_PER_RUN,
    DATA_PER_SCAN,
    WIRE_DATA,
    PAYLOAD,
    EFFICIENCY,
    HOST_BUS_LOAD,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return every controller's traffic, controllers alike together."""
    budgets = {traffic.controller: traffic for traffic in view.evaluation.traffic}
    loads: dict[str, list[BusLoad]] = {name: [] for name in budgets}
    for load in view.evaluation.bus_loads:
        loads[load.controller].append(load)
    shown, note = by_controller(view, budgets, partial(_key, view.evaluation.scans, loads))
    for told, traffic in shown:
        yield Heading("Bytes", f"{told.names}: fault-free, per run of each task")
        columns = [
            Column("task"),
            Column("every,\nscans", figures=True),
            Column("samples", figures=True),
            Column("payload,\nbyte", figures=True),
            Column("wire,\nbyte", figures=True),
            Column("byte per\nsample", figures=True),
            Column("payload\n/ wire", figures=True),
            Column("host bus,\nbyte", figures=True),
        ]
        own = loads[traffic.controller]
        yield Table(columns, [_row(task, own, index) for index, task in enumerate(traffic.tasks)])
        yield Text()
        yield Lines(list(_totals(view, traffic, own)))
    yield from noted(note)


def _key(
    scans: Mapping[str, ControllerScan], loads: Mapping[str, Sequence[BusLoad]], traffic: ControllerBytes
) -> Hashable:
    """Return all that is shown of a controller's traffic."""
    scan = scans[traffic.controller]
    return (
        tuple((task.task, task.every, task.samples, task.payload, task.wire.total) for task in traffic.tasks),
        traffic.busiest_scan.total,
        (traffic.payload_per_scan, traffic.wire_per_scan),
        (traffic.scan_period, scan.controller.settings.scan_period.min, scan.phases.major_cycle),
        tuple((load.bus, load.moved, load.busy.total) for load in loads[traffic.controller]),
    )


def _row(task: TaskBytes, loads: Sequence[BusLoad], index: int) -> list[Cell]:
    each = task.bytes_per_sample
    over_bus = sum(load.moved[index].bits for load in loads)
    return [
        task.task,
        str(task.every),
        str(task.samples) if task.samples else "-",
        byte_number(task.payload) if task.payload else "-",
        byte_number(task.wire.total),
        byte_number(8 * each) if each is not None else "-",
        percent(task.efficiency, "down") if task.payload else "-",
        byte_number(over_bus) if loads else "-",
    ]


def _totals(view: View, traffic: ControllerBytes, loads: Sequence[BusLoad]) -> Iterator[str]:
    scan = view.evaluation.scans[traffic.controller]
    yield (
        f"On the wire per scan: at most {amount(traffic.busiest_scan.total, BITS, 'up')}, "
        f"on average {amount(traffic.wire_per_scan, BITS)}"
    )
    yield f"Payload per scan: on average {amount(traffic.payload_per_scan, BITS)}"
    yield (
        f"Efficiency: {percent(traffic.efficiency, 'down')} of the bits on the wire are payload, over the "
        f"major cycle of {plural(scan.phases.major_cycle, 'scan')}"
    )
    if not loads:
        yield "Host bus: none in the plan"
    for load in loads:
        name = f"Host bus {load.bus}" if load.bus else "Host bus"
        yield (
            f"{name}: {amount(load.bits_per_scan, BITS)} per scan on average; held for at most "
            f"{amount(load.busy.total, TIME, 'up')}, {amount(load.load, RATIO, 'up')} of the scan period"
        )
    yield f"Log of every payload: {amount(8 * traffic.log_per_hour, BITS)} per hour, typical"
