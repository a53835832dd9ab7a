"""What all sections share: the view of a plan they draw from, headings, tables and wrapped lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.report.blocks import (
    STATUS_STYLES,
    Bullets,
    Cell,
    Column,
    Heading,
    Lines,
    Paragraph,
    Subheading,
    Table,
)
from chainplan.report.figures import Look

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan
    from chainplan.verdicts.verdict import Status

STATUS_WIDTH = 8
"""Columns of the longest verdict that stands on one line."""

WIDE = 100
"""Columns from which a table may carry what a narrow screen has no room for."""

__all__ = [
    "STATUS_STYLES",
    "STATUS_WIDTH",
    "WIDE",
    "Cell",
    "Column",
    "View",
    "bullets",
    "heading",
    "lines",
    "paragraph",
    "status_text",
    "subheading",
    "table",
    "two_lines",
]


@dataclass(frozen=True, slots=True)
class View:
    """What a section draws: a plan with its results, for a screen."""

    loaded: LoadedPlan
    evaluation: Evaluation
    look: Look
    most_names: int = 6
    """Names that a list writes out before it counts the rest; a printed page has room for more."""

    @property
    def wide(self) -> bool:
        """Tell whether there is room for the longer form."""
        return self.look.width >= WIDE


def heading(view: View, title: str, remark: str = "") -> Heading:
    """Return a section's heading; names of the plan belong into the remark."""
    return Heading(view.look, title, remark)


def subheading(view: View, text: str) -> Subheading:
    """Return the title of a part of a section."""
    return Subheading(view.look, text)


def paragraph(view: View, text: str, style: str = "", indent: int = 0) -> Paragraph:
    """Return text to be wrapped."""
    return Paragraph(view.look, text, style, indent)


def lines(view: View, *texts: str) -> Lines:
    """Return statements, each on a line of its own."""
    return Lines(view.look, texts)


def bullets(view: View, texts: Iterable[str]) -> Bullets:
    """Return a list."""
    return Bullets(view.look, tuple(texts))


def table(view: View, columns: Sequence[Column], rows: Iterable[Sequence[Cell]]) -> Table:
    """Return a table."""
    return Table(view.look, tuple(columns), tuple(map(tuple, rows)))


def status_text(view: View, status: Status) -> Text:
    """Return a verdict's sign and word, coloured where there are colours."""
    return Text(view.look.status(status), style=STATUS_STYLES[status])


def two_lines(view: View, first: str, second: str) -> Text:
    """Return a cell with a remark under its text."""
    return Text("\n".join(view.look.text(text) for text in (first, second) if text))
