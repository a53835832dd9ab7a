"""`report`: the whole report, in the terminal or piped."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rich.console import Console

from chainplan.cli.guard import write_out
from chainplan.cli.plans import open_plan
from chainplan.report.terminal import report_text


def run(plan: str, sections: Collection[str], settings: Sequence[str] | None, width: int | None) -> int:
    """Print the report; return 0 if all targets are met, 1 if some are missed."""
    loaded, evaluation = open_plan(plan, settings)
    write_out(report_text(Console(width=width), loaded, evaluation, sections))
    return 1 if evaluation.missed else 0
