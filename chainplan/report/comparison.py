"""A comparison for the terminal: the answer, what was changed in the plan, targets, figures, cautions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from chainplan.cautions import CAUTIONS
from chainplan.comparison.whole import Against, Comparison, mark
from chainplan.plan.problems import display_width
from chainplan.report import comparison_words as words
from chainplan.report.blocks import STATUS_STYLES, Bullets, Heading, Paragraph, ReportPart, Subheading
from chainplan.report.figures import plural
from chainplan.report.sections.common import View
from chainplan.report.terminal import text_of, view_of

if TYPE_CHECKING:
    from rich.console import Console

    from chainplan.report.comparison_words import FigureLine, TargetGroup

MOST_CHANGES = 100
"""Changes of one plan that the screen shows."""

MOST_TARGETS = 100
"""Groups of targets that the screen shows."""

MOST_FIGURES = 20
"""Figures of one plan that the screen shows."""

_STYLES = {"worse": "bold red", "mixed": "bold", "better": "green"}


def comparison_text(console: Console, comparison: Comparison, *, everything: bool = False) -> str:
    """Return a comparison as `console` would print it; with `everything` targets that stay the same, too."""
    view = view_of(console, comparison.plans[0], comparison.evaluations[0])
    return text_of(console, view.look, _parts(view, comparison, everything=everything))


def _parts(view: View, comparison: Comparison, *, everything: bool) -> Iterator[ReportPart]:
    yield Heading("Comparison", f"{mark(0)} is the reference")
    yield _plans(view, comparison)
    yield Text()
    for number, against in enumerate(comparison.others, start=1):
        yield Paragraph(words.answer(number, against), _STYLES.get(against.outcome.word, ""))
    for number, against in enumerate(comparison.others, start=1):
        yield from _changes(view, number, against)
    yield from _targets(view, comparison, everything=everything)
    for number, against in enumerate(comparison.others, start=1):
        yield from _figures(view, number, against)
    yield Heading("Cautions")
    yield Bullets(CAUTIONS)
    yield Text()


def _plans(view: View, comparison: Comparison) -> ReportPart:
    grid = _grid(1)
    for number, (loaded, evaluation) in enumerate(zip(comparison.plans, comparison.evaluations, strict=True)):
        grid.add_row(mark(number), Text(view.look.text(words.plan_line(loaded, evaluation.verdicts))))
    return grid


def _grid(columns: int) -> Table:
    """Return a table without lines whose first columns are never broken and whose last one is wrapped."""
    grid = Table.grid(padding=(0, 2, 0, 0))
    for _ in range(columns):
        grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    return grid


# What was changed in the plan.


def _changes(view: View, number: int, against: Against) -> Iterator[ReportPart]:
    changes = against.plan.changes
    if not changes:
        return
    yield Heading("Plan", f"{plural(len(changes), 'change')} from {mark(0)} to {mark(number)}")
    for change in changes[:MOST_CHANGES]:
        title, sides = words.change_lines(change, number)
        kind, _, rest = title.partition(" ")
        yield Text.assemble((kind, "bold"), " ", view.look.text(rest))
        grid = _grid(1)
        for letter, text in sides:
            grid.add_row(letter, Text(view.look.text(text)))
        yield Padding(grid, (0, 0, 0, 2))
    yield from _left_out(view, len(changes) - MOST_CHANGES, "change")


def _left_out(view: View, number: int, thing: str) -> Iterator[ReportPart]:
    if number > 0:
        yield Paragraph(f"and {plural(number, f'more {thing}')}, which the data has (--out FILE)")


# Targets.


def _targets(view: View, comparison: Comparison, *, everything: bool) -> Iterator[ReportPart]:
    found = words.groups(comparison)
    changed = [group for group in found if group.changes]
    still = [group for group in found if not group.changes]
    if changed or everything:
        yield Heading("Targets", "worst case, its change, margin")
        shown = changed[:MOST_TARGETS]
        kept = still[:MOST_TARGETS] if everything else []
        widths = _widths([*shown, *kept], view)
        yield from _legend(view, widths)
        for part, group in groupby(shown, key=lambda each: each.part):
            yield Subheading(part)
            for each in group:
                yield from _target(view, each, widths)
        yield from _left_out(view, _targets_in(changed[MOST_TARGETS:]), "target")
        if kept:
            yield Subheading("The same in all plans")
        for each in kept:
            yield from _target(view, each, widths)
        yield from _left_out(view, _targets_in(still[MOST_TARGETS:]) if everything else 0, "target")
    yield from _same(view, comparison, everything=everything)


def _targets_in(found: Sequence[TargetGroup]) -> int:
    return sum(group.targets for group in found)


def _same(view: View, comparison: Comparison, *, everything: bool) -> Iterator[ReportPart]:
    """Say how many targets stay as they are, and how many of those are missed."""
    rows = [row for row in comparison.targets if not row.differs]
    missed = sum(row.verdicts[0] is not None and row.verdicts[0].status == "missed" for row in rows)
    if rows:
        hint = "" if everything else " (--all shows them)"
        yield Text()
        text = f"{plural(len(rows), 'target')} the same in all plans, {missed} of them missed{hint}"
        yield Paragraph(text)


_HEADS = ("", "verdict", "worst case", "change", "", "margin", "of limit")
_AT_THE_RIGHT = (False, False, True, True, True, True, True)


def _cells(line: words.PlanLine, view: View) -> list[str]:
    status = view.look.status(line.status)
    texts = (line.worst, line.change, line.change_share, line.margin, line.margin_share)
    return [line.letter, status, *map(view.look.text, texts)]


def _widths(shown: Sequence[TargetGroup], view: View) -> list[int]:
    rows = [list(_HEADS), *(_cells(line, view) for group in shown for line in group.lines)]
    return [max(map(display_width, column)) for column in zip(*rows, strict=True)]


def _aligned(cells: Sequence[str], widths: Sequence[int]) -> list[str]:
    """Return cells filled up with blanks to the widths of their columns."""
    blanks = [" " * (width - display_width(cell)) for cell, width in zip(cells, widths, strict=True)]
    sides = zip(cells, blanks, _AT_THE_RIGHT, strict=True)
    return [blank + cell if right else cell + blank for cell, blank, right in sides]


def _gap(view: View, widths: Sequence[int]) -> str:
    """Return what stands between columns: two blanks, or one where the screen is too narrow for that."""
    return "  " if 2 + sum(widths) + 2 * (len(widths) - 1) <= view.look.width else " "


def _legend(view: View, widths: Sequence[int]) -> Iterator[ReportPart]:
    text = "  " + _gap(view, widths).join(_aligned(_HEADS, widths))
    yield Text(text, style="bold")
    yield Text(("─" if view.look.unicode else "-") * min(len(text), view.look.width))


def _target(view: View, group: TargetGroup, widths: Sequence[int]) -> Iterator[ReportPart]:
    yield Paragraph(f"{group.title}; {group.limit}")
    gap = _gap(view, widths)
    for line in group.lines:
        letter, status, *figures = _aligned(_cells(line, view), widths)
        styled = (status, STATUS_STYLES[line.status])
        yield Text.assemble("  ", letter, gap, styled, gap, gap.join(figures), overflow="fold")


# Figures.


def _figures(view: View, number: int, against: Against) -> Iterator[ReportPart]:
    found = words.figure_lines(against)
    before, after = words.one_sided(against)
    if not found and not before and not after:
        return
    both = f"{mark(0)} to {mark(number)}"
    yield Heading("Figures", f"worst case, {both}, with the terms that make the difference")
    for line in found[:MOST_FIGURES]:
        yield from _figure(view, line)
    yield from _left_out(view, len(found) - MOST_FIGURES, "figure")
    if before or after:
        text = f"{plural(before, 'figure')} only in {mark(0)}, {after} only in {mark(number)}"
        yield Paragraph(text)
    yield Text()
    yield Paragraph("`chainplan explain PLAN FIGURE` shows one of them term by term.")


def _figure(view: View, line: FigureLine) -> Iterator[ReportPart]:
    share = f" ({line.change_share})" if line.change_share else ""
    yield Paragraph(f"{line.name}: {line.old} → {line.new}, {line.change}{share}")
    grid = _grid(1)
    grid.columns[0].justify = "right"
    for term in line.terms:
        change, _, rest = term.partition("  ")
        grid.add_row(Text(view.look.text(change)), Text(view.look.text(rest)))
    yield Padding(grid, (0, 0, 0, 4))
