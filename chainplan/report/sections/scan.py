"""The scan: its time against the period, the busiest scan drawn to scale, who is busy for how long."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from fractions import Fraction

from rich.text import Text

from chainplan.budgets.scanning.scan import SCAN_FITS, SCAN_TIME, UTILISATION, ControllerScan
from chainplan.budgets.values.age import OVERLAPPED_CONVERSION
from chainplan.figures.figure import share
from chainplan.quantity import RATIO, TIME
from chainplan.report.blocks import Cell, Column, Heading, Lines, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, listed, percent, plural
from chainplan.report.sections.common import View, by_controller, noted
from chainplan.report.sections.scan_drawing import draw_scan, lanes_of

MOST_ROWS = 16
"""Ports and chains that get a row, the busiest first."""


DRAWS = (
    SCAN_FITS,
    SCAN_TIME,
    UTILISATION,
    OVERLAPPED_CONVERSION,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return how every controller scans, controllers alike together."""
    shown, note = by_controller(view, view.evaluation.scans, _key)
    for told, scan in shown:
        yield Heading("Scan", f"{told.names}: the busiest scan, worst case")
        if told.remark:
            yield Paragraph(told.remark)
        yield Lines(list(_facts(scan)))
        yield Text()
        yield from draw_scan(view, scan)
        yield Text()
        yield from _busy(view, scan)
    yield from noted(note)


def _key(scan: ControllerScan) -> Hashable:
    """Return all that is shown of a scan, its parts by their places on the controller instead of by name."""
    period = scan.controller.settings.scan_period
    return (
        (scan.longest, scan.usual, period.min, period.typical, scan.phases),
        tuple(chain.family for chain in scan.controller.chains),
        tuple(scan.port_busy().values()),
        tuple(scan.chain_busy().values()),
        lanes_of(scan),
    )


def _facts(scan: ControllerScan) -> Iterator[str]:
    period = scan.controller.settings.scan_period
    worst, typical = scan.longest, scan.usual
    yield (
        f"Scan time: worst case {amount(worst, TIME, 'up')}, typical {amount(typical, TIME)}; scan period "
        f"{amount(period.min, TIME, 'down')} at its shortest"
    )
    yield (
        f"Utilisation: worst case {amount(share(worst, period.min), RATIO, 'up')}, typical "
        f"{percent(Fraction(typical, period.typical))}"
    )
    phases = scan.phases
    slots = f"the slots of the busiest scan take {amount(phases.busiest, TIME, 'up')}"
    if phases.proved:
        yield f"Phases: {phases.quality}; {slots}, and no choice makes them shorter"
    else:
        bound = amount(phases.lower_bound, TIME, "down")
        yield f"Phases: {phases.quality}; {slots}, no choice can bring them below {bound}"
    yield (
        f"Major cycle: {plural(phases.major_cycle, 'scan')}; the busiest is number {phases.busiest_scan}, "
        "counted from 0"
    )


def _busy(view: View, scan: ControllerScan) -> Iterator[ReportPart]:
    columns = [
        Column("exchanges under way on"),
        Column("busy,\nworst case", figures=True),
        Column("of the\nscan period", figures=True),
    ]
    everyone = [("port " + name, busy) for name, busy in scan.port_busy().items()]
    everyone += [("chain " + name, busy) for name, busy in scan.chain_busy().items()]
    entries = [entry for entry in everyone if entry[1]]
    shown = entries
    if len(entries) > MOST_ROWS:
        shown = sorted(entries, key=lambda entry: -entry[1])[:MOST_ROWS]
    period = scan.controller.settings.scan_period.min
    rows: list[list[Cell]] = [
        [name, amount(busy, TIME, "up"), percent(Fraction(busy, period), "up")] for name, busy in shown
    ]
    yield Table(columns, rows)
    idle = [name for name, busy in everyone if not busy]
    if idle:
        yield Paragraph(f"Idle in this scan: {listed(idle)}.")
    if len(shown) < len(entries):
        yield Paragraph(f"Not shown: {len(entries) - len(shown)} ports and chains that are no busier.")
