"""What all sections share: the view of a plan they draw from, headings, tables and wrapped lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich import box
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from chainplan.report.figures import Look

if TYPE_CHECKING:
    from rich.console import RenderableType

    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan
    from chainplan.verdicts.verdict import Status

# Green and red stand only beside a word and a sign that say the same; both are legible on dark and on light.
STATUS_STYLES: dict[Status, str] = {"met": "green", "missed": "bold red", "not checked": "bold"}

STATUS_WIDTH = 8
"""Columns of the longest verdict that stands on one line."""

WIDE = 100
"""Columns from which a table may carry what a narrow screen has no room for."""

_ASCII_HEAD = box.Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)


@dataclass(frozen=True, slots=True)
class View:
    """What a section draws: a plan with its results, for a screen."""

    loaded: LoadedPlan
    evaluation: Evaluation
    look: Look

    @property
    def wide(self) -> bool:
        """Tell whether there is room for the longer form."""
        return self.look.width >= WIDE


@dataclass(frozen=True, slots=True)
class Column:
    """A table's column: figures stand at the right and are never broken."""

    title: str
    figures: bool = False
    most: int | None = None
    """Widest it may get; longer texts are wrapped."""


def heading(view: View, title: str, remark: str = "") -> RenderableType:
    """Return a section's heading: its title over a line; names of the plan belong into the remark."""
    look = view.look
    line = Text.assemble((look.text(title.upper()), "bold"), "  ", look.text(remark))
    rule = ("━" if look.unicode else "=") * look.width
    return Padding(Text("\n").join([line, Text(rule, style="dim")]), (1, 0, 0, 0))


def paragraph(view: View, text: str, style: str = "", indent: int = 0) -> RenderableType:
    """Return wrapped text."""
    return Padding(Text(view.look.text(text), style=style, overflow="fold"), (0, 0, 0, indent))


def lines(view: View, *texts: str) -> RenderableType:
    """Return statements, each on a line of its own."""
    return Text("\n").join(Text(view.look.text(text)) for text in texts)


def bullets(view: View, texts: Iterable[str]) -> RenderableType:
    """Return a list, each entry wrapped beside its dash."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for text in texts:
        grid.add_row("-", Text(view.look.text(text)))
    return grid


Cell = str | Text


def table(view: View, columns: Sequence[Column], rows: Iterable[Sequence[Cell]]) -> Table:
    """Return a table without lines but the one under its head."""
    look = view.look
    drawn = Table(
        box=box.SIMPLE_HEAD if look.unicode else _ASCII_HEAD,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        collapse_padding=True,
        header_style="bold",
    )
    for column in columns:
        drawn.add_column(
            Text("\n".join(map(look.text, column.title.split("\n")))),
            justify="right" if column.figures else "left",
            no_wrap=column.figures,
            max_width=column.most,
            overflow="fold",
        )
    for row in rows:
        drawn.add_row(*(cell if isinstance(cell, Text) else Text(look.text(cell)) for cell in row))
    return drawn


def status_text(view: View, status: Status) -> Text:
    """Return a verdict's sign and word, coloured where there are colours."""
    return Text(view.look.status(status), style=STATUS_STYLES[status])


def two_lines(view: View, first: str, second: str) -> Text:
    """Return a cell with a remark under its text."""
    return Text("\n".join(view.look.text(text) for text in (first, second) if text))
