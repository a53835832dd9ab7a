"""Sample age and skew of every task that fetches samples."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.age import SampleTiming
from chainplan.quantity import TIME
from chainplan.report.figures import amount
from chainplan.report.sections.common import Cell, Column, View, heading, paragraph, table, two_lines

if TYPE_CHECKING:
    from rich.console import RenderableType


def render(view: View) -> Iterator[RenderableType]:
    """Return how old values get in memory, and how far apart they were sampled."""
    yield heading(view, "Sample age and skew", "worst case and typical, per task")
    columns = [
        Column("task"),
        Column("age,\nworst case", figures=True),
        Column("age,\ntypical", figures=True),
        Column("oldest at"),
        Column("skew,\nworst case", figures=True),
        Column("skew,\ntypical", figures=True),
    ]
    yield table(view, columns, [_row(view, timing) for timing in view.evaluation.samples])
    yield Text()
    yield paragraph(
        view,
        "Age: from sampling until the value's successor is in memory. Skew: spread of the sampling instants "
        "within one run of the task; without a trigger every node samples when it likes.",
    )


def _row(view: View, timing: SampleTiming) -> list[Cell]:
    triggered = view.evaluation.plan.tasks[timing.task].kind == "measure"
    several = len(view.evaluation.scans) > 1
    skews = [
        amount(timing.skew.total, TIME, "up") if triggered else "no trigger",
        amount(timing.typical_skew.total, TIME) if triggered else "-",
    ]
    return [
        two_lines(view, timing.task, timing.controller if several else ""),
        amount(timing.age.total, TIME, "up"),
        amount(timing.typical_age.total, TIME),
        timing.where,
        *skews,
    ]
