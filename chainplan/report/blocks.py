"""What a section says, block by block, apart from where it is shown.

A block knows how a terminal of some look draws it; a page sets the same block in its own way, so no word of a
report is written twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple

from rich import box
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from chainplan.quantity import TIME, VOLTAGE
from chainplan.report.figures import Look, amount
from chainplan.report.ladder import DrawnRung, Elision, LadderStep, draw_ladder
from chainplan.report.timeline import Lane, draw_legend, draw_timeline

if TYPE_CHECKING:
    from rich.console import RenderableType

    from chainplan.figures.figure import Status

# Green and red stand only beside a word and a sign that say the same; both are legible on dark and on light.
STATUS_STYLES: dict[Status, str] = {"met": "green", "missed": "bold red", "not checked": "bold"}

_ASCII_HEAD = box.Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)

Cell = str | Text


@dataclass(frozen=True, slots=True)
class Column:
    """A table's column: figures stand at the right and are never broken."""

    title: str
    figures: bool = False
    most: int | None = None
    """Widest it may get; longer texts are wrapped."""
    full: str = ""
    """The title on a page, where a screen has no room for one."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A section's title; names of the plan belong into the remark."""

    title: str
    remark: str = ""

    def drawn(self, look: Look) -> RenderableType:
        """Return the title over a line."""
        line = Text.assemble((look.text(self.title.upper()), "bold"), "  ", look.text(self.remark))
        rule = ("━" if look.unicode else "=") * look.width
        return Padding(Text("\n").join([line, Text(rule, style="dim")]), (1, 0, 0, 0))


@dataclass(frozen=True, slots=True)
class Subheading:
    """The title of a part of a section."""

    text: str

    def drawn(self, look: Look) -> RenderableType:
        """Return the title, bold."""
        return Text(look.text(self.text), style="bold")


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Text to be wrapped."""

    text: str
    style: str = ""
    indent: int = 0

    def drawn(self, look: Look) -> RenderableType:
        """Return the text for rich to wrap."""
        text = Text(look.text(self.text), style=self.style, overflow="fold")
        return Padding(text, (0, 0, 0, self.indent))


@dataclass(frozen=True, slots=True)
class Lines:
    """Statements, each on a line of its own."""

    texts: Sequence[str]

    def drawn(self, look: Look) -> RenderableType:
        """Return the lines."""
        return Text("\n").join(Text(look.text(text)) for text in self.texts)


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list, each entry wrapped beside its dash."""

    texts: Sequence[str]

    def drawn(self, look: Look) -> RenderableType:
        """Return the list as a grid of dashes and texts."""
        grid = RichTable.grid(padding=(0, 1))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for text in self.texts:
            grid.add_row("-", Text(look.text(text)))
        return grid


@dataclass(slots=True)
class Table:
    """A table without lines but the one under its head."""

    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]
    show_header: bool = True

    def drawn(self, look: Look) -> RenderableType:
        """Return the table; texts of cells are made safe here, those that are rich's own were before."""
        drawn = RichTable(
            box=box.SIMPLE_HEAD if look.unicode else _ASCII_HEAD,
            show_edge=False,
            show_header=self.show_header,
            pad_edge=False,
            padding=(0, 1, 0, 0),
            collapse_padding=True,
            header_style="bold",
        )
        for column in self.columns:
            drawn.add_column(
                Text("\n".join(map(look.text, column.title.split("\n")))),
                justify="right" if column.figures else "left",
                no_wrap=column.figures,
                max_width=column.most,
                overflow="fold",
            )
        for row in self.rows:
            drawn.add_row(*(cell if isinstance(cell, Text) else Text(look.text(cell)) for cell in row))
        return drawn


@dataclass(frozen=True, slots=True)
class TimelineDrawing:
    """Lanes to scale over `total` fs with the sign of every kind of bar, and what the signs mean.

    Times are rounded up, but `limit`, a time that bounds, down.
    """

    title: str
    lanes: tuple[Lane, ...]
    total: int
    signs: Mapping[str, str]
    limit: int = -1

    def time(self, ticks: int) -> str:
        """Return a time as the drawing writes it."""
        return amount(ticks, TIME, "down" if ticks == self.limit else "up")

    def used_signs(self) -> dict[str, str]:
        """Return the signs of those kinds of bar that there are."""
        used = {bar.kind for lane in self.lanes for bar in lane.bars if bar.end > bar.start}
        return {kind: sign for kind, sign in self.signs.items() if kind in used}

    def drawn(self, look: Look) -> RenderableType:
        """Return the drawing and its legend."""
        drawn = draw_timeline(self.lanes, self.total, look.width, self.signs, not look.unicode, self.time)
        legend = draw_legend(look.width, self.used_signs(), not look.unicode)
        return Text("\n", no_wrap=True).join(Text(look.text(line)) for line in (*drawn, *legend))


@dataclass(frozen=True, slots=True)
class LadderDrawing:
    """The boards of a chain at their potentials, and each segment's stress against its rating, uV."""

    chain: str
    rungs: tuple[DrawnRung, ...]
    steps: tuple[LadderStep, ...]
    string_voltage: int
    elision: Elision | None = None

    def drawn(self, look: Look) -> RenderableType:
        """Return the ladder; a line stands out where it says that it is missed."""
        lines = draw_ladder(
            self.rungs,
            self.steps,
            self.string_voltage,
            look.width,
            not look.unicode,
            stress_text,
            rating_text,
            self.elision,
        )
        return Text("\n", no_wrap=True).join(
            Text(look.text(line), style=STATUS_STYLES["missed"] if hint == "missed" else "")
            for line, hint in lines
        )


def stress_text(ticks: int) -> str:
    """Return a potential or a stress, uV, as a reader sees it."""
    return amount(ticks, VOLTAGE, "up")


def rating_text(ticks: int) -> str:
    """Return a rating, uV, as a reader sees it."""
    return amount(ticks, VOLTAGE, "down")


Block = Heading | Subheading | Paragraph | Lines | Bullets | Table | TimelineDrawing | LadderDrawing
"""What sections are made of, apart from single texts of rich's own."""

ReportPart = Block | Text | Padding | RichTable
"""A block, or something of rich's own."""

Emphasis = Literal["", "strong", "met", "missed"]

_EMPHASES: dict[str, Emphasis] = {"green": "met", "bold red": "missed", "bold": "strong"}


class TextRun(NamedTuple):
    """A piece of text set in one way."""

    text: str
    emphasis: Emphasis


RunLine = tuple[TextRun, ...]


class Words(NamedTuple):
    """Single text of a section, line by line."""

    lines: tuple[RunLine, ...]


def run_lines(look: Look, text: Cell) -> tuple[RunLine, ...]:
    """Return a text line by line, piece by piece with its emphasis, for a page that knows nothing of rich."""
    if not isinstance(text, Text):
        return ((TextRun(look.text(text), ""),),) if text else ((),)
    lines: list[list[TextRun]] = [[]]
    for run in _runs(text):
        first, *rest = run.text.split("\n")
        lines[-1].append(TextRun(first, run.emphasis))
        lines += [[TextRun(each, run.emphasis)] for each in rest]
    return tuple(tuple(run for run in line if run.text) for line in lines)


def _runs(text: Text) -> Iterator[TextRun]:
    plain = text.plain
    ends = {span.start for span in text.spans} | {span.end for span in text.spans} | {0, len(plain)}
    places = sorted(place for place in ends if place <= len(plain))
    for start, end in pairwise(places):
        styles = [
            str(text.style),
            *(str(span.style) for span in text.spans if span.start <= start < span.end),
        ]
        yield TextRun(
            plain[start:end], next((_EMPHASES[style] for style in styles if style in _EMPHASES), "")
        )


def page_blocks(look: Look, parts: Iterable[ReportPart]) -> Iterator[Block | Words]:
    """Yield what a section is made of, without the blank lines of a screen.

    Raises ``TypeError`` for anything that only a terminal can show.
    """
    for part in parts:
        if isinstance(part, Block):
            yield part
        elif not isinstance(part, Text):
            raise TypeError(f"{type(part).__name__} is no block of a section")
        elif part.plain.strip():
            yield Words(run_lines(look, part))
