"""The summary: every target with its margin, the missed ones first, then the tightest first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction

from rich.text import Text

from chainplan.figures.figure import Figure, Status
from chainplan.report import figures
from chainplan.report.alike import gathered
from chainplan.report.blocks import STATUS_STYLES, Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.sections.common import ORDER, STATUS_WIDTH, View, status_text, two_lines


def render(view: View) -> Iterator[ReportPart]:
    """Return the summary of targets."""
    verdicts = view.evaluation.verdicts
    yield Heading("Targets", "worst case against limit, margin first")
    yield closing_line(view, verdicts)
    yield Text()
    groups = alike(in_order(verdicts))
    yield _wide(view, groups) if view.wide else _narrow(view, groups)
    yield Text()
    yield Paragraph(EXPLANATION)


EXPLANATION = (
    "Worst case: every tolerance at its unfavourable end at once. Typical: the middle of each. Printed worst "
    "cases are rounded up, limits and margins down, so that none looks better than it is. A margin in % is "
    "of the limit; between two percentages it is first given in points."
)


def in_order(verdicts: Iterable[Figure]) -> list[Figure]:
    """Return the verdicts as a reader wants them: missed before unknown before met.

    Misses come in the order in which they endanger, others by the least margin; what is met as a whole, yes
    or no, stands last.
    """

    def place(verdict: Figure) -> tuple[int, bool, tuple[int, Fraction]]:
        missed = verdict.status == "missed"
        danger = figures.by_danger(verdict)
        whole = verdict.kind.yes_no and not missed
        return ORDER[verdict.status], whole, danger if missed else (0, danger[1])

    return sorted(verdicts, key=place)


def alike(verdicts: Iterable[Figure]) -> list[list[Figure]]:
    """Return verdicts that differ in nothing but whom they are about together, to be written once."""
    return gathered(
        verdicts,
        lambda each: (each.target, each.value, each.limit, each.typical, each.dimension.name, each.note),
    )


def count_line(verdicts: Sequence[Figure]) -> str:
    """Return how many targets there are, and how many of each verdict."""
    counts = Counter(verdict.status for verdict in verdicts)
    parts = [f"{counts['missed']} missed", f"{counts['met']} met"]
    if counts["not checked"]:
        parts.insert(1, f"{counts['not checked']} not checked")
    return f"{figures.plural(len(verdicts), 'target')}: {', '.join(parts)}"


def closing_line(view: View, verdicts: Sequence[Figure]) -> Text:
    """Return the one sentence that answers whether the layout works."""
    worst: Status = min((verdict.status for verdict in verdicts), key=ORDER.__getitem__, default="met")
    answer = {
        "missed": "This layout misses targets in the worst case.",
        "not checked": "This layout meets every target that could be checked, in the worst case.",
        "met": "This layout meets every target in the worst case.",
    }[worst]
    count = view.look.text(f"{count_line(verdicts)}.")
    return Text.assemble((view.look.text(answer), STATUS_STYLES[worst]), "\n", count)


def _wide(view: View, groups: list[list[Figure]]) -> ReportPart:
    columns = [
        Column("verdict", most=STATUS_WIDTH),
        Column("margin", figures=True),
        Column("", figures=True, full="of limit"),
        Column("target"),
        Column("worst case", figures=True),
        Column("limit", figures=True),
        Column("typical", figures=True),
    ]
    rows: list[list[Cell]] = [
        [
            status_text(view, verdict.status),
            figures.margin(verdict),
            figures.margin_share(verdict),
            two_lines(view, _title(view, group), _remark(verdict)),
            figures.worst(verdict),
            figures.limit(verdict),
            figures.typical(verdict),
        ]
        for group in groups
        for verdict in group[:1]
    ]
    return Table(columns, rows)


def _narrow(view: View, groups: list[list[Figure]]) -> ReportPart:
    columns = [
        Column("verdict", most=STATUS_WIDTH),
        Column("margin", figures=True),
        Column("target"),
        Column("worst case\n(typical)", figures=True),
        Column("limit", figures=True),
    ]
    rows: list[list[Cell]] = [
        [
            status_text(view, verdict.status),
            two_lines(view, figures.margin(verdict), _unless_dash(figures.margin_share(verdict))),
            two_lines(view, _title(view, group), _remark(verdict) if verdict.status != "met" else ""),
            two_lines(view, figures.worst(verdict), _bracketed(figures.typical(verdict))),
            figures.limit(verdict),
        ]
        for group in groups
        for verdict in group[:1]
    ]
    return Table(columns, rows)


def _bracketed(text: str) -> str:
    return f"({text})" if _unless_dash(text) else ""


def _unless_dash(text: str) -> str:
    return "" if text == "-" else text


def _title(view: View, group: list[Figure]) -> str:
    subjects = [verdict.subject for verdict in group]
    return f"{group[0].target}: {figures.listed(subjects, view.most_names)}"


def _remark(verdict: Figure) -> str:
    return "; ".join(part for part in (verdict.where, verdict.note) if part)
