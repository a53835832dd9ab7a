"""`report`: the whole report, in the terminal or piped."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console

from chainplan.cli.guard import UserError, write_out
from chainplan.cli.plans import open_plan, search
from chainplan.figures.sections import SECTIONS
from chainplan.plan.problems import escape, nearest
from chainplan.report.terminal import report_text


def run(plan: str, section: Sequence[str] | None, settings: Sequence[str] | None, width: int | None) -> int:
    """Print the report; return 0 if all targets are met, 1 if some are missed."""
    sections = section or ()
    for name in sections:
        if name not in SECTIONS:
            raise UserError(_unknown(name))
    loaded, evaluation = open_plan(plan, settings)
    if not sections or "headroom" in sections:
        search(evaluation)
    write_out(report_text(Console(width=width), loaded, evaluation, sections))
    return 1 if evaluation.missed else 0


def _unknown(name: str) -> str:
    close = nearest(name, SECTIONS)
    hint = f"\n   did you mean: {close}" if close else ""
    return (
        f"--section {escape(name)}: the report has no such section\n   expected: {', '.join(SECTIONS)}{hint}"
    )
