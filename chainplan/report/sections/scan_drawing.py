"""The busiest scan drawn to scale: within its period, then slot by slot and port by port."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle
from string import ascii_lowercase, ascii_uppercase, digits

from rich.text import Text

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.figures.terms import Case
from chainplan.report.blocks import Paragraph, ReportPart, TimelineDrawing
from chainplan.report.figures import plural
from chainplan.report.sections.common import View
from chainplan.report.timeline import Bar, Lane

MOST_PORTS = 16
"""Ports that get a lane each."""

LETTERS = ascii_uppercase + ascii_lowercase + digits
"""Signs of the tasks."""

RESERVE, HOST, CHAIN = "retry reserve", "set-up and host bus", "exchange until it is in memory"
SLOTS, PERIOD = "slots", "scan period at its shortest"


def draw_scan(view: View, scan: ControllerScan) -> Iterator[ReportPart]:
    """Return the drawings of a controller's busiest scan, worst case, with what their signs mean."""
    worst = scan.longest
    if not worst:
        yield Paragraph("The busiest scan takes no time: nothing to draw.")
        return
    period = scan.controller.settings.scan_period.min
    busiest = scan.phases.busiest
    lanes = [
        Lane("scan", (Bar(0, busiest, SLOTS), Bar(busiest, worst, RESERVE))),
        Lane("period", (Bar(0, period, PERIOD),)),
    ]
    signs = {SLOTS: "█", RESERVE: "▒", PERIOD: "━"}
    title = f"{scan.controller.name}: the busiest scan within its period"
    yield TimelineDrawing(title, tuple(lanes), max(worst, period), signs, period)
    yield Text()
    task_signs = dict(zip(_due_names(scan), cycle(LETTERS), strict=False))
    slots, *ports = lanes_of(scan)
    lanes = [slots, *ports[:MOST_PORTS]]
    title = f"{scan.controller.name}: slots and ports in the busiest scan"
    signs = {**task_signs, RESERVE: "▒", HOST: "░", CHAIN: "█"}
    yield TimelineDrawing(title, tuple(lanes), worst, signs)
    if ports[MOST_PORTS:]:
        yield Paragraph(f"Not drawn: {plural(len(ports) - MOST_PORTS, 'port')} more.")


def lanes_of(scan: ControllerScan) -> tuple[Lane, ...]:
    """Return the slots of the busiest scan, worst case, and what every port does that is not idle in it."""
    return _slot_lane(scan), *(lane for lane in _port_lanes(scan) if lane.bars)


def _task_kind(name: str) -> str:
    return f"task {name}"


def _due_names(scan: ControllerScan) -> list[str]:
    return [_task_kind(scan.works[index].name) for index in scan.due(scan.phases.busiest_scan)]


def _slot_lane(scan: ControllerScan) -> Lane:
    slots = scan.slots(scan.phases.busiest_scan)
    bars = [Bar(slot.start, slot.end, _task_kind(slot.task)) for slot in slots]
    end = slots[-1].end if slots else 0
    return Lane("slots", (*bars, Bar(end, scan.longest, RESERVE)))


def _port_lanes(scan: ControllerScan) -> Iterator[Lane]:
    """Yield for each port what it does: the host's part of every exchange, and the exchange itself."""
    bars: dict[str, list[Bar]] = {port: [] for port in scan.controller.ports}
    slots = scan.slots(scan.phases.busiest_scan)
    for slot, index in zip(slots, scan.due(scan.phases.busiest_scan), strict=True):
        run = scan.runs[Case.WORST][index]
        for step in run.drawn:
            begin = slot.start
            bars[step.port] += [
                Bar(begin + step.start, begin + step.wire, HOST),
                Bar(begin + step.wire, begin + step.end, CHAIN),
            ]
    for port, own in bars.items():
        yield Lane("port " + port.rpartition(":")[2], tuple(own))
