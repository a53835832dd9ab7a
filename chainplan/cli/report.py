"""`report`: the answer on one screen, or the whole report, in the terminal or piped."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from rich.console import Console

from chainplan.cli.guard import UserError, write_out
from chainplan.cli.plans import open_plan, search
from chainplan.figures.sections import section_of, section_words
from chainplan.headroom.quick import quick_fixes
from chainplan.plan.problems import escape, nearest
from chainplan.report.first_screen import MOST_LINES, told_misses
from chainplan.report.terminal import first_screen_text, report_text


def run(
    plan: str,
    section: Sequence[str] | None,
    settings: Sequence[str] | None,
    width: int | None,
    *,
    full: bool,
) -> int:
    """Print the report; return 0 if all targets are met, 1 if some are missed."""
    names = [_section(words) for words in section or ()]
    loaded, evaluation = open_plan(plan, settings)
    console = Console(width=width)
    text = ""
    if names or full:
        if not names or "headroom" in names:
            search(evaluation)
        text = report_text(console, loaded, evaluation, names)
    if full or not names:
        told = [group[0] for group in told_misses(evaluation.verdicts)]
        text += first_screen_text(console, loaded, evaluation, quick_fixes(evaluation, told))
    if full and sys.stdout.isatty() and text.count("\n") > MOST_LINES:
        import pydoc

        pydoc.pager(text)
    else:
        write_out(text)
    return 1 if evaluation.missed else 0


def _section(words: str) -> str:
    name = section_of(words)
    if name is not None:
        return name
    known = section_words()
    close = nearest(words.casefold(), known)
    hint = f"\n   did you mean: {close}" if close else ""
    raise UserError(
        f"--section {escape(words)}: the report has no such section\n   expected: {', '.join(known)}{hint}"
    )
