"""Traffic of each task on the wires and over the host bus, and its payload share."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from functools import partial
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.scanning.traffic import (
    DATA_PER_RUN,
    DATA_PER_SCAN,
    EFFICIENCY,
    HOST_BUS_LOAD,
    PAYLOAD,
    PER_SAMPLE,
    WIRE_DATA,
    ControllerBytes,
    TaskBytes,
    host_bus_time,
)
from chainplan.figures.figure import share
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
    shown, note = by_controller(view, budgets, partial(_key, view.evaluation.scans))
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
        yield Table(columns, [_row(task) for task in traffic.tasks])
        yield Text()
        yield Lines(list(_totals(view, traffic)))
    yield from noted(note)


def _key(scans: Mapping[str, ControllerScan], traffic: ControllerBytes) -> Hashable:
    """Return all that is shown of a controller's traffic."""
    scan = scans[traffic.controller]
    busy = host_bus_time(scan, traffic)
    return (
        tuple(
            (task.task, task.every, task.samples, task.payload, task.wire.total, task.host_bus)
            for task in traffic.tasks
        ),
        traffic.busiest_scan.total,
        (traffic.payload_per_scan, traffic.wire_per_scan, traffic.host_bus_per_scan),
        (traffic.scan_period, scan.controller.settings.scan_period.min, scan.phases.major_cycle),
        busy and busy.total,
    )


def _row(task: TaskBytes) -> list[Cell]:
    each = task.bytes_per_sample
    return [
        task.task,
        str(task.every),
        str(task.samples) if task.samples else "-",
        byte_number(task.payload) if task.payload else "-",
        byte_number(task.wire.total),
        byte_number(8 * each) if each is not None else "-",
        percent(task.efficiency, "down") if task.payload else "-",
        byte_number(task.host_bus),
    ]


def _totals(view: View, traffic: ControllerBytes) -> Iterator[str]:
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
    busy = host_bus_time(scan, traffic)
    if busy is None:
        yield "Host bus: none in the plan"
    else:
        load = share(busy.total, scan.controller.settings.scan_period.min)
        yield (
            f"Host bus: {amount(traffic.host_bus_per_scan, BITS)} per scan on average; busy for at most "
            f"{amount(busy.total, TIME, 'up')}"
        )
        yield f"Host bus load: at most {amount(load, RATIO, 'up')} of the scan period"
    yield f"Log of every payload: {amount(8 * traffic.log_per_hour, BITS)} per hour, typical"
