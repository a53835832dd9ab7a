"""A comparison as Markdown, for the review of a change: the answer first, then tables.

CommonMark with the tables of GitHub Flavored Markdown, as in :mod:`chainplan.report.markdown`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from chainplan.cautions import CAUTIONS
from chainplan.comparison.changes import Change
from chainplan.comparison.whole import Against, Comparison, mark
from chainplan.report import comparison_words as words
from chainplan.report.figures import STATUS_WORDS, plural
from chainplan.report.markdown import plain

MOST_ROWS = 200
"""Rows of one table; the data has all of them."""


def comparison_markdown(comparison: Comparison) -> str:
    """Return a comparison as Markdown."""
    pieces = [*_head(comparison)]
    for number, against in enumerate(comparison.others, start=1):
        pieces += _changes(number, against)
    pieces += _targets(comparison)
    for number, against in enumerate(comparison.others, start=1):
        pieces += _figures(number, against)
    pieces.append("\n".join(f"> {plain(caution)}  " for caution in CAUTIONS))
    return "\n\n".join(pieces) + "\n"


def _head(comparison: Comparison) -> Iterator[str]:
    both = zip(comparison.plans, comparison.evaluations, strict=True)
    lines = [words.plan_line(loaded, evaluation.verdicts) for loaded, evaluation in both]
    yield "\n".join(f"- {mark(number)}: {plain(line)}" for number, line in enumerate(lines))
    for number, against in enumerate(comparison.others, start=1):
        yield f"**{plain(words.answer(number, against))}**"


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """Yield a table, and how many rows it leaves out."""
    lines = [_row(map(plain, row)) for row in rows]
    shown = [_row(heads), _row(["---"] * len(heads)), *lines[:MOST_ROWS]]
    yield "\n".join(shown)
    if len(lines) > MOST_ROWS:
        yield f"and {plural(len(lines) - MOST_ROWS, 'more row')}, which the data has"


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _changes(number: int, against: Against) -> Iterator[str]:
    changes = against.plan.changes
    if changes:
        yield f"### Plan: {plural(len(changes), 'change')} from {mark(0)} to {mark(number)}"
        yield from _table(("change", "key", mark(0), mark(number)), map(_change, changes))


def _change(change: Change) -> tuple[str, ...]:
    used = f" (used by {', '.join(change.used_by)})" if change.used_by else ""
    sides = ("" if side is None else words.side_text(side) for side in (change.old, change.new))
    return change.kind, change.key + used, *sides


def _targets(comparison: Comparison) -> Iterator[str]:
    found = [group for group in words.groups(comparison) if group.changes]
    if found:
        yield "### Targets"
        heads = ("change", "target", "plan", "verdict", "worst case", "change", "in %", "margin", "of limit")
        yield from _table(heads, _rows(found))
    same = sum(not row.differs for row in comparison.targets)
    if same:
        yield f"{plural(same, 'target')} the same in all plans."


def _rows(found: Iterable[words.TargetGroup]) -> Iterator[tuple[str, ...]]:
    """Yield a row per target and plan; what the row above says already is not said again."""
    part = ""
    for group in found:
        first = ("" if group.part == part else group.part, f"{group.title}; {group.limit}")
        part = group.part
        for line in group.lines:
            yield *first, line.letter, STATUS_WORDS[line.status], *line[2:]
            first = "", ""


def _figures(number: int, against: Against) -> Iterator[str]:
    found = words.figure_lines(against)
    before, after = words.one_sided(against)
    if found:
        yield f"### Figures from {mark(0)} to {mark(number)}, worst case"
        heads = ("figure", mark(0), mark(number), "change", "in %", "largest terms of the difference")
        yield from _table(heads, ((*line[:5], "; ".join(line.terms)) for line in found))
    if before or after:
        yield f"{plural(before, 'figure')} only in {mark(0)}, {after} only in {mark(number)}."
