"""The report in the terminal: the chosen sections in order, for the width and the signs of the screen."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from chainplan.figures.sections import ON_REQUEST, SECTIONS
from chainplan.report.blocks import Block, Bullets, Paragraph, ReportPart
from chainplan.report.figures import Look
from chainplan.report.section import section
from chainplan.report.sections import title
from chainplan.report.sections.common import View

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan

LEAST_WIDTH = 72
"""Columns below which the tables would have to break figures; a narrower screen wraps lines instead."""

PROSE = 100
"""Columns beyond which text is no longer easily read; drawings and tables take all there are."""


def report_text(
    console: Console, loaded: LoadedPlan, evaluation: Evaluation, sections: Collection[str] = ()
) -> str:
    """Return the report as `console` would print it: with colours only where that shows them.

    `sections` are names of :data:`chainplan.figures.sections.SECTIONS`; none means all but those on request.
    """
    view = view_of(console, loaded, evaluation)
    whole = [name for name in SECTIONS if name not in ON_REQUEST]
    return text_of(console, view.look, renderables(view, sections or whole))


def view_of(console: Console, loaded: LoadedPlan, evaluation: Evaluation) -> View:
    """Return what there is to draw and the screen to draw it for."""
    return View(loaded, evaluation, Look(max(console.width, LEAST_WIDTH), console.encoding))


def text_of(console: Console, look: Look, parts: Iterable[ReportPart]) -> str:
    """Return parts as `console` would print them, without blanks at the ends of lines."""
    with console.capture() as captured:
        for part in parts:
            shown = part.drawn(look) if isinstance(part, Block) else part
            width = min(look.width, PROSE) if isinstance(part, Paragraph | Bullets) else look.width
            console.print(shown, width=width, highlight=False, emoji=False, markup=False)
    return "\n".join(map(_without_tail, captured.get().split("\n")))


_TAIL = re.compile(r"(?: |\x1b\[[0-9;]*m)+$")


def _without_tail(line: str) -> str:
    """Return a line without the blanks at its end; what switches a style off stays."""
    return _TAIL.sub(lambda tail: tail[0].replace(" ", ""), line)


def renderables(view: View, sections: Collection[str]) -> Iterator[ReportPart]:
    """Yield the title block and the chosen sections, in the order of the report."""
    yield from title.render(view)
    for name in SECTIONS:
        if name in sections:
            yield from section(view, name)
    yield Text()
