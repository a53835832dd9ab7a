"""What the figures rest on: warnings about the plan, the model's assumptions, and cautions."""

from __future__ import annotations

from collections.abc import Iterator

from rich.text import Text

from chainplan.assumptions import assumptions_of
from chainplan.cautions import CAUTIONS, budget_warnings
from chainplan.plan.problems import Problem
from chainplan.report.blocks import Bullets, Heading, Paragraph, ReportPart
from chainplan.report.figures import plural
from chainplan.report.ranges import in_ranges
from chainplan.report.sections.common import View

MOST_WARNINGS = 48
"""Warnings that are listed; those of parts that only count on are one."""


def render(view: View) -> Iterator[ReportPart]:
    """Return warnings, assumptions and cautions."""
    yield from foundations(view)
    yield Heading("Cautions")
    for number, caution in enumerate(CAUTIONS):
        if number:
            yield Text()
        yield Paragraph(caution, "bold" if number == 0 else "")


def foundations(view: View) -> Iterator[ReportPart]:
    """Yield warnings and assumptions: what the figures rest on, without the cautions."""
    warnings = in_ranges([*map(warning_line, view.loaded.warnings), *budget_warnings(view.evaluation)])
    if warnings:
        yield Heading("Warnings")
        yield Bullets([each.text for each in warnings[:MOST_WARNINGS]])
        left = sum(each.size for each in warnings[MOST_WARNINGS:])
        if left:
            yield Paragraph(f"Not shown: {plural(left, 'warning')} more. data writes them.")
    yield Heading("Assumptions")
    yield Bullets((*assumptions_of(view.evaluation.plan), *view.evaluation.isolation.notes))


def warning_line(problem: Problem) -> str:
    """Return a warning of the plan's check in one line, with its place."""
    place = problem.place
    where = f"{place.file}:{place.line}: " if place and place.line else ""
    key = f"{problem.key}: " if problem.key else ""
    return f"{where}{key}{problem.message}"
