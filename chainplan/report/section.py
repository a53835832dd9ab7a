"""One section of the report, with a table of those of its figures that it does not draw itself."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from importlib import import_module
from typing import Any

from rich.text import Text

from chainplan.evaluation import kinds
from chainplan.figures.figure import Figure, Kind
from chainplan.report import figures
from chainplan.report.alike import gathered, tightest
from chainplan.report.blocks import Cell, Column, Paragraph, ReportPart, Table
from chainplan.report.sections.common import View, two_lines

MOST_ROWS = 48
"""Subjects of a kind of figure that differ and get a row; of more those nearest to a limit."""


def section(view: View, name: str) -> Iterator[ReportPart]:
    """Yield a section of the report."""
    module = import_module(f"chainplan.report.sections.{name.replace(' ', '_').replace('-', '_')}")
    yield from module.render(view)
    yield from others(view, name, getattr(module, "DRAWS", ()))


def others(view: View, name: str, drawn: Collection[Kind[Any]]) -> Iterator[ReportPart]:
    """Yield a table of a section's figures other than those of the kinds that it draws."""
    for kind in kinds(name):
        found = view.evaluation.figures(kind)
        if kind not in drawn and found:
            yield Text()
            yield Paragraph(f"{kind.name[:1].upper()}{kind.name[1:]}. {kind.meaning}")
            yield from _table(view, kind, list(found))


def _table(view: View, kind: Kind[Any], found: list[Figure]) -> Iterator[ReportPart]:
    groups = gathered(found, lambda each: (each.value, each.typical, each.limit, each.note))
    shown = tightest(groups, MOST_ROWS, lambda group: (group[0].status != "missed", group[0].margin or 0))
    columns = [
        Column(", ".join(kind.labels)),
        *(Column(title, figures=True) for title in ("worst case", "limit", "typical")),
    ]
    yield Table(columns, [_row(view, group) for group in shown])
    left = len(found) - sum(map(len, shown))
    if left:
        yield Paragraph(f"Not shown: {figures.plural(left, 'row')} more. data writes them.")


def _row(view: View, group: list[Figure]) -> list[Cell]:
    first = group[0]
    return [
        two_lines(view, figures.listed([each.subject for each in group], view.most_names), first.note),
        figures.worst(first),
        figures.limit(first),
        figures.typical(first),
    ]
