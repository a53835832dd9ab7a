"""`report`: the answer on one screen, or the whole report, in the terminal or piped."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console

from chainplan.cli.guard import UserError, write_out, write_pages
from chainplan.cli.plans import open_plan, search
from chainplan.figures.sections import section_of, section_words
from chainplan.plan.problems import escape, hint, nearest
from chainplan.report.terminal import report_text


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
        from chainplan.headroom.quick import quick_fixes
        from chainplan.report.first_screen import first_misses, first_screen_text

        fixes = quick_fixes(evaluation, first_misses(evaluation.verdicts))
        text += first_screen_text(console, loaded, evaluation, fixes)
    (write_pages if full else write_out)(text)
    return 1 if evaluation.missed else 0


def _section(words: str) -> str:
    name = section_of(words)
    if name is not None:
        return name
    known = section_words()
    close = nearest(words.casefold(), known)
    raise UserError(
        f"--section {escape(words)}: the report has no such section"
        f"\n   expected: {', '.join(known)}{hint(close)}"
    )
