"""The check as Markdown, for the summary page of a CI job: a table per plan, what is missed first.

Written in CommonMark with the tables of GitHub Flavored Markdown (spec 0.29, 4.10): a vertical bar within a
cell is escaped, and so is everything else in a user's words that Markdown or HTML would take for markup.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from chainplan.cautions import CAUTIONS
from chainplan.figures.figure import Figure, Status
from chainplan.plan.problems import escape
from chainplan.report.checked import CheckedPlan
from chainplan.report.figures import STATUS_WORDS, limit, margin, margin_share, worst
from chainplan.report.terse import closing_line

ORDER: tuple[Status, ...] = ("missed", "not checked", "met")
"""What the reader of a job page has to act upon comes first."""

HEADINGS = ("status", "target", "subject", "worst case", "limit", "margin", "of limit", "where, note")

_MARKUP = re.compile(r"([\\`*_{}\[\]#|~$]|:(?=/))")
"""What is escaped wherever it stands; our own words come first on every line, so list marks need not be."""


def markdown_text(plans: Sequence[CheckedPlan]) -> str:
    """Return the summary of some plans as Markdown."""
    pieces = [piece for plan in plans for piece in _plan(plan)]
    pieces.append("\n".join(f"> {plain(caution)}  " for caution in CAUTIONS))
    return "\n\n".join(pieces) + "\n"


def _plan(plan: CheckedPlan) -> Iterator[str]:
    if plan.problems:
        yield f"### {plain(plan.file)}: cannot be used"
        yield code_block(plan.problems)
        return
    yield f"### {plain(plan.file)}: {plain(closing_line(plan.verdicts))}"
    yield f"Worst case of every tolerance at once; plan: {plain(plan.title)}, revision {plain(plan.revision)}"
    yield from (f"Set: {plain(setting)}" for setting in plan.settings)
    if plan.verdicts:
        yield "\n".join((_row(HEADINGS), _row(["---"] * len(HEADINGS)), *map(_verdict, _ordered(plan))))
    if plan.warnings:
        yield code_block(plan.warnings)


def _ordered(plan: CheckedPlan) -> list[Figure]:
    return sorted(plan.verdicts, key=lambda verdict: ORDER.index(verdict.status))


def _verdict(verdict: Figure) -> str:
    remarks = "; ".join(part for part in (verdict.where, verdict.note) if part)
    cells = (
        STATUS_WORDS[verdict.status],
        verdict.target,
        verdict.subject,
        worst(verdict),
        limit(verdict),
        margin(verdict),
        margin_share(verdict),
        remarks,
    )
    return _row(map(plain, cells))


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def plain(text: str) -> str:
    """Return words as Markdown that shows exactly them, on one line."""
    words = escape(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return _MARKUP.sub(r"\\\1", words)


def code_block(text: str) -> str:
    """Return lines as a code block whose fence is longer than any run of backticks in them."""
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    fence = "`" * max(3, longest + 1)
    lines = "\n".join(map(escape, text.split("\n")))
    return f"{fence}text\n{lines}\n{fence}"
