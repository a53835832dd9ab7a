"""Monitoring: which task shows which kind of hazard, how often and where, and what nothing shows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich.text import Text

from chainplan.budgets.values.monitoring import (
    CELLS_COVERED,
    NODES_COVERED,
    TEST_INTERVAL,
    KindMonitoring,
    MonitoringGap,
    place,
)
from chainplan.quantity import TIME
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Paragraph, ReportPart, Subheading, Table
from chainplan.report.figures import amount, listed, plural
from chainplan.report.sections.common import View, two_lines

MOST_PLACES = 8
"""Places listed where something is not covered."""


DRAWS = (
    CELLS_COVERED,
    NODES_COVERED,
    TEST_INTERVAL,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return the table of kinds of hazard, and what is left out."""
    monitoring = view.evaluation.monitoring
    kinds = list(monitoring.kinds.values())
    yield Heading("Monitoring", "which task shows which hazard, and how often")
    yield _table(view, kinds)
    for title, texts in (
        ("Not covered", list(gap_lines(kinds))),
        ("Without a limit", list(_unlimited(kinds))),
        (
            "Tasks that show no hazard of the plan",
            [f"{name}: {why}" for name, why in monitoring.idle.items()],
        ),
    ):
        if texts:
            yield Text()
            yield Subheading(title)
            yield Bullets(texts)
    yield Text()
    yield Paragraph(
        "Test interval: from one test to the next where it is longest (diagnostic test time interval, ISO "
        "26262-1:2018, 3.35), worst case over typical. FDTI: with debouncing, lost readings and evaluation. "
        "Temperatures count for all cells of the board that carries the sensor.",
    )


def _table(view: View, kinds: Sequence[KindMonitoring]) -> ReportPart:
    columns = [
        Column("kind of hazard"),
        Column("covered", figures=True),
        Column("by task"),
        Column("test interval\n(typical)", figures=True),
        Column("FDTI", figures=True),
    ]
    return Table(columns, [_row(view, kind) for kind in kinds])


def _row(view: View, kind: KindMonitoring) -> list[Cell]:
    covered = f"{kind.covered.total} of {plural(kind.total, kind.unit)}"
    if kind.slowest is None:
        return [kind.kind, covered, "none", "-", "-"]
    tasks = listed(list(dict.fromkeys(test.task for test in kind.tests)), 3)
    interval = amount(kind.slowest.interval.total, TIME, "up")
    usual = f"({amount(kind.slowest.typical_interval.total, TIME)})"
    worst = max((hazard.detection.total for hazard in kind.hazards), default=None)
    return [
        kind.kind,
        covered,
        tasks,
        two_lines(view, interval, usual),
        "no hazard" if worst is None else amount(worst, TIME, "up"),
    ]


def gap_lines(kinds: Iterable[KindMonitoring]) -> Iterator[str]:
    """Yield what is not covered, the places with one reason together."""
    for kind in kinds:
        reasons: dict[str, list[MonitoringGap]] = {}
        for gap in kind.gaps:
            reasons.setdefault(gap.reason, []).append(gap)
        for reason, gaps in reasons.items():
            units = sum(gap.units for gap in gaps)
            whole = units == kind.total
            where = "the whole pack" if whole else listed([place(gap) for gap in gaps], MOST_PLACES)
            yield f"{kind.kind}: {where} ({plural(units, kind.unit)}): {reason}"


def _unlimited(kinds: Iterable[KindMonitoring]) -> Iterator[str]:
    names = [kind.kind for kind in kinds if kind.slowest is not None and not kind.hazards]
    if names:
        yield f"{listed(names, len(names))}: shown by a task, but the plan names no such hazard with its FTTI"
