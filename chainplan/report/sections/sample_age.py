"""Sample age and skew of every task that fetches samples."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence

from rich.text import Text

from chainplan.budgets.values.age import SAMPLE_AGE, SKEW, SampleTiming
from chainplan.quantity import TIME
from chainplan.report.alike import gathered, tightest
from chainplan.report.blocks import Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, listed, plural
from chainplan.report.sections.common import View, two_lines

MOST_ROWS = 48
"""Tasks of controllers that differ and get a row; of more those with the oldest values."""


DRAWS = (
    SAMPLE_AGE,
    SKEW,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return how old values get in memory, and how far apart they were sampled."""
    yield Heading("Sample age and skew", "worst case and typical, per task")
    columns = [
        Column("task"),
        Column("age,\nworst case", figures=True),
        Column("age,\ntypical", figures=True),
        Column("oldest at"),
        Column("skew,\nworst case", figures=True),
        Column("skew,\ntypical", figures=True),
    ]
    groups = gathered(view.evaluation.samples, _key)
    shown = tightest(groups, MOST_ROWS, lambda group: -group[0].age.total)
    yield Table(columns, [_row(view, group) for group in shown])
    left = len(view.evaluation.samples) - sum(map(len, shown))
    if left:
        yield Paragraph(f"Not shown: {plural(left, 'row')} more, with no older values. data writes them.")
    yield Text()
    yield Paragraph(
        "Age: from sampling until the value's successor is in memory. Skew: spread of the sampling instants "
        "within one run of the task; without a trigger every node samples when it likes.",
    )


def _key(timing: SampleTiming) -> Hashable:
    """Return what is shown of a task's values, but for the names of controller and node."""
    return (
        timing.task,
        *(each.total for each in (timing.age, timing.typical_age, timing.skew, timing.typical_skew)),
    )


def _row(view: View, group: Sequence[SampleTiming]) -> list[Cell]:
    timing = group[0]
    triggered = view.evaluation.plan.tasks[timing.task].kind == "measure"
    several = len(view.evaluation.scans) > 1
    skews = [
        amount(timing.skew.total, TIME, "up") if triggered else "no trigger",
        amount(timing.typical_skew.total, TIME) if triggered else "-",
    ]
    return [
        two_lines(view, timing.task, listed([each.controller for each in group]) if several else ""),
        amount(timing.age.total, TIME, "up"),
        amount(timing.typical_age.total, TIME),
        timing.where if len(group) == 1 else listed([each.where for each in group], 2),
        *skews,
    ]
