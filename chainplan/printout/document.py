"""The whole document: title block, cautions and result, then chapter by chapter, then the appendix."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import count
from typing import TYPE_CHECKING, Any, NamedTuple

from chainplan.cautions import CAUTIONS
from chainplan.figures.sections import SECTIONS
from chainplan.printout import ink
from chainplan.printout.appendix import Figures, appendix, figures_of, source_blocks
from chainplan.printout.ladder import ladder_svgs
from chainplan.printout.layout import layout_blocks
from chainplan.printout.options import Options, PlanFile
from chainplan.printout.svg import FONTS, Ready, Svg
from chainplan.printout.timeline import timeline_svg
from chainplan.report.blocks import (
    Block,
    Bullets,
    Emphasis,
    Heading,
    LadderDrawing,
    Lines,
    Paragraph,
    RunLine,
    Subheading,
    Table,
    TextRun,
    TimelineDrawing,
    Words,
    page_blocks,
    run_lines,
)
from chainplan.report.figures import Look
from chainplan.report.section import section
from chainplan.report.sections.assumptions import foundations
from chainplan.report.sections.common import View
from chainplan.report.sections.targets import closing_line
from chainplan.report.sections.title import setting_words, understood_words

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan

LOOK = Look(width=160)
"""A page has every sign, and room for the longer form of a table."""

MOST_NAMES = 48
"""Names that a list on a page writes out."""

PLAIN = Options()

APART = ("targets", "assumptions", "limits")
"""Sections that have a place of their own; reach says what headroom says, and takes another search."""


class PagePart(NamedTuple):
    """A piece of a chapter: `kind` says how the template sets its `value`."""

    kind: str
    value: Any


class PageTable(NamedTuple):
    """A table: titles with whether their column holds figures, rows of cells of lines of runs."""

    columns: tuple[tuple[tuple[str, ...], bool], ...]
    rows: tuple[tuple[tuple[RunLine, ...], ...], ...]


class Piece(NamedTuple):
    """What stands below one heading: `title` is empty where the chapter's own heading is enough."""

    title: str
    parts: tuple[PagePart, ...]


class Chapter(NamedTuple):
    """A numbered chapter with an anchor for the contents."""

    number: int
    ident: str
    title: str
    remark: str
    pieces: tuple[Piece, ...]


def printout_html(loaded: LoadedPlan, evaluation: Evaluation, version: str, options: Options = PLAIN) -> str:
    """Return the printout of a plan as one HTML document that fetches nothing and runs nothing.

    `version` is the tool's own. Equal arguments give equal text. Raises ``ImportError`` without jinja2.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined  # late: few commands need it

    view = View(loaded, evaluation, LOOK, MOST_NAMES)
    templates = Environment(
        loader=PackageLoader("chainplan.printout"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    templates.globals["fonts"] = Ready(FONTS)  # quotes of a style sheet stay as they are
    templates.filters |= {"css": lambda text: Ready(css_text(text)), "plain": LOOK.text}
    return templates.get_template("printout.html").render(_context(view, version, options))


def _context(view: View, version: str, options: Options) -> dict[str, Any]:
    plan = view.evaluation.plan
    date = options.date or plan.date or ""
    figures, remarks, beyond = figures_of(view.evaluation)
    return {
        "ink": ink,
        "options": options,
        "plan": plan,
        "version": version,
        "date": date,
        "iso_date": date if re.fullmatch(r"\d{4}-\d\d-\d\d", date) else "",
        "digests": [(each.name, hashlib.sha256(each.content).hexdigest()) for each in options.files],
        "digest": digest(options.files),
        "settings": [setting_words(setting) for setting in view.loaded.sources.settings],
        "understood": [understood_words(each) for each in view.loaded.understood],
        "about": [line for line in plan.about.strip().splitlines() if line.strip()],
        "cautions": CAUTIONS,
        "verdict": run_lines(LOOK, closing_line(view, view.evaluation.verdicts)),
        "missed": bool(view.evaluation.missed),
        "chapters": list(_chapters(view, figures)),
        "appendix": appendix(figures, remarks, beyond),
    }


def digest(files: Sequence[PlanFile]) -> str:
    """Return the SHA-256 of all files one after another, in hexadecimal; empty without files."""
    return hashlib.sha256(b"".join(each.content for each in files)).hexdigest() if files else ""


def css_text(text: str) -> str:
    r"""Return text as a CSS string that shows exactly it: signs are escaped.

    CSS Syntax Module Level 3, 4.3.7: an escape is up to six hexadecimal digits, and one blank ends it.
    """
    letters = LOOK.text(text)
    return (
        '"'
        + "".join(each if each.isalnum() and each.isascii() else f"\\{ord(each):x} " for each in letters)
        + '"'
    )


def _chapters(view: View, figures: Figures) -> Iterator[Chapter]:
    idents = (f"drawing-{number}" for number in count(1))
    chapters: list[list[Any]] = []
    for heading, parts in _groups(_blocks(view, figures, lambda: next(idents))):
        if not chapters or chapters[-1][0] != heading.title:
            chapters.append([heading.title, []])
        chapters[-1][1].append((heading.remark, parts))
    for number, (title, pieces) in enumerate(chapters, start=1):
        ident = f"chapter-{number}"
        single = len(pieces) == 1
        yield Chapter(
            number,
            ident,
            title,
            pieces[0][0] if single else "",
            tuple(Piece("" if single else remark, tuple(parts)) for remark, parts in pieces),
        )


def _blocks(view: View, figures: Figures, ident: Callable[[], str]) -> Iterator[Block | Words | Svg]:
    """Yield the blocks of all chapters in order."""
    yield from _section(view, "targets")
    yield from layout_blocks(view, ident)
    for name in SECTIONS:
        if name not in APART:
            yield from _drawn(_section(view, name), ident)
    yield from page_blocks(LOOK, foundations(view))
    yield from source_blocks(view, figures)


def _section(view: View, name: str) -> Iterator[Block | Words]:
    yield from page_blocks(LOOK, section(view, name))


def _drawn(blocks: Iterable[Block | Words], ident: Callable[[], str]) -> Iterator[Block | Words | Svg]:
    """Yield blocks with what is drawn as drawings for print."""
    for block in blocks:
        if isinstance(block, TimelineDrawing):
            yield timeline_svg(ident(), block)
        elif isinstance(block, LadderDrawing):
            yield from ladder_svgs(ident(), block)
        else:
            yield block


def _groups(blocks: Iterable[Block | Words | Svg]) -> Iterator[tuple[Heading, list[PagePart]]]:
    """Yield each heading with the parts below it."""
    heading: Heading | None = None
    parts: list[PagePart] = []
    for block in blocks:
        if isinstance(block, Heading):
            if heading is not None:
                yield heading, parts
            heading, parts = block, []
        else:
            parts.append(_part(block))
    if heading is not None:
        yield heading, parts


def _part(block: Block | Words | Svg) -> PagePart:
    part: PagePart
    match block:
        case Subheading():
            part = PagePart("subheading", block.text)
        case Paragraph():
            emphasis: Emphasis = "strong" if block.style else ""
            part = PagePart("words", ((TextRun(LOOK.text(block.text), emphasis),),))
        case Words():
            part = PagePart("words", block.lines)
        case Lines():
            part = PagePart("lines", block.texts)
        case Bullets():
            part = PagePart("bullets", block.texts)
        case Table():
            part = PagePart("table", _page_table(block))
        case Svg():
            part = PagePart("drawing", block)
        case _:
            raise TypeError(f"{type(block).__name__} has no place on a page")
    return part


def _page_table(block: Table) -> PageTable:
    columns = tuple(
        (tuple((column.full or column.title).split("\n")), column.figures) for column in block.columns
    )
    rows = tuple(tuple(run_lines(LOOK, cell) for cell in row) for row in block.rows)
    return PageTable(columns, rows)
