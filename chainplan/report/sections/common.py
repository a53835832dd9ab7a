"""What all sections share: the view of a plan they draw from, headings, tables and wrapped lines."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from rich.text import Text

from chainplan.report.alike import gathered, tightest
from chainplan.report.blocks import STATUS_STYLES, Paragraph, ReportPart
from chainplan.report.figures import Look, listed, plural

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.figures.figure import Figure, Status
    from chainplan.plan.load import LoadedPlan

STATUS_WIDTH = 8
"""Columns of the longest verdict that stands on one line."""

WIDE = 100
"""Columns from which a table may carry what a narrow screen has no room for."""

MOST_CONTROLLERS = 24
"""Controllers that differ and are shown each; of more the busiest."""

ORDER: dict[Status, int] = {"missed": 0, "not checked": 1, "met": 2}
"""Verdicts as a reader wants them: missed before unknown before met."""

_Thing = TypeVar("_Thing")


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


def status_text(view: View, status: Status) -> Text:
    """Return a verdict's sign and word, coloured where there are colours."""
    return Text(view.look.status(status), style=STATUS_STYLES[status])


def two_lines(view: View, first: str, second: str) -> Text:
    """Return a cell with a remark under its text."""
    return Text("\n".join(view.look.text(text) for text in (first, second) if text))


class Told(NamedTuple):
    """Controllers that differ in nothing that is shown: their names as they are written, and the first one's.

    `remark` says whose names the figures have, where there are several.
    """

    names: str
    first: str
    remark: str


def by_controller(
    view: View, figures: Mapping[str, _Thing], key: Callable[[_Thing], Hashable]
) -> tuple[list[tuple[Told, _Thing]], str]:
    """Return figures of controllers, equal ones once, and what is to be said of those left out.

    `key` is all that is shown of one. Of too many that differ the busiest are kept.
    """
    groups = gathered(figures.items(), lambda item: key(item[1]))
    scans = view.evaluation.scans

    def room(group: Sequence[tuple[str, _Thing]]) -> Fraction:
        scan = scans[group[0][0]]
        return -Fraction(scan.longest, scan.controller.settings.scan_period.min)

    shown = tightest(groups, MOST_CONTROLLERS, room)
    left = len(figures) - sum(map(len, shown))
    note = (
        f"Not shown: {plural(left, 'controller')} more, none of them busier. data writes them."
        if left
        else ""
    )
    return [(_told([name for name, _ in group]), group[0][1]) for group in shown], note


def _told(names: Sequence[str]) -> Told:
    remark = f"These controllers are alike; names are those of {names[0]}." if len(names) > 1 else ""
    return Told(listed(names), names[0], remark)


def noted(note: str) -> Iterator[ReportPart]:
    """Yield what is to be said after a section, if there is anything."""
    if note:
        yield Text()
        yield Paragraph(note)


def by_target(verdicts: Iterable[Figure], most: int) -> list[str]:
    """Return every target once, with whom it is about, of whom at most so many are named."""
    subjects: dict[str, list[str]] = {}
    for verdict in verdicts:
        subjects.setdefault(verdict.target, []).append(verdict.subject)
    return [f"{target} ({listed(whom, most)})" for target, whom in subjects.items()]
