"""What the figures rest on: warnings about the plan, the model's assumptions, and cautions."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.faults.walk import ASSUMPTIONS as FAULT_ASSUMPTIONS
from chainplan.cautions import ASSUMPTIONS, CAUTIONS, budget_warnings
from chainplan.plan.problems import Problem
from chainplan.report.figures import plural
from chainplan.report.ranges import in_ranges
from chainplan.report.sections.common import View, bullets, heading, paragraph

if TYPE_CHECKING:
    from rich.console import RenderableType


MOST_WARNINGS = 48
"""Warnings that are listed; those of parts that only count on are one."""


def render(view: View) -> Iterator[RenderableType]:
    """Return warnings, assumptions and cautions."""
    yield from foundations(view)
    yield heading(view, "Cautions")
    for number, caution in enumerate(CAUTIONS):
        if number:
            yield Text()
        yield paragraph(view, caution, "bold" if number == 0 else "")


def foundations(view: View) -> Iterator[RenderableType]:
    """Yield warnings and assumptions: what the figures rest on, without the cautions."""
    warnings = in_ranges([*map(warning_line, view.loaded.warnings), *budget_warnings(view.evaluation)])
    if warnings:
        yield heading(view, "Warnings")
        yield bullets(view, [each.text for each in warnings[:MOST_WARNINGS]])
        left = sum(each.size for each in warnings[MOST_WARNINGS:])
        if left:
            yield paragraph(view, f"Not shown: {plural(left, 'warning')} more. data writes them.")
    yield heading(view, "Assumptions")
    yield bullets(view, (*ASSUMPTIONS, *FAULT_ASSUMPTIONS, *view.evaluation.isolation.notes))


def warning_line(problem: Problem) -> str:
    """Return a warning of the plan's check in one line, with its place."""
    place = problem.place
    where = f"{place.file}:{place.line}: " if place and place.line else ""
    key = f"{problem.key}: " if problem.key else ""
    return f"{where}{key}{problem.message}"
