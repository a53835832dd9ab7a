"""`compare`: what was changed between plans, and what that did to every budget and verdict."""

from __future__ import annotations

from collections.abc import Sequence

from chainplan.cli.files import check_output, write_result
from chainplan.cli.guard import UserError, write_out
from chainplan.cli.plans import open_plan
from chainplan.comparison.whole import Comparison, compare
from chainplan.evaluation import Evaluation
from chainplan.plan.load import LoadedPlan


def run(
    plans: Sequence[str],
    width: int | None,
    out: str | None,
    markdown: str | None,
    *,
    everything: bool = False,
) -> int:
    """Compare plans with the first of them; return 1 if the last one misses a target, else 0.

    The screen is written unless a file is.
    """
    if len(plans) < 2:
        raise UserError("one plan alone has nothing to be compared with\n   expected: two plans or more")
    opened = _open(plans)
    for name in (out, markdown):
        check_output(name, [file for loaded, _ in opened for file in loaded.sources.files()])
    comparison = compare([loaded for loaded, _ in opened], [evaluation for _, evaluation in opened])
    if markdown is not None:
        from chainplan.report.comparison_markdown import comparison_markdown

        write_result(comparison_markdown(comparison), markdown)
    if out is not None:
        from chainplan import __version__
        from chainplan.report.comparison_data import comparison_json

        write_result(comparison_json(comparison, __version__), out)
    if markdown is None and out is None:
        write_out(_screen(comparison, width, everything=everything))
    return 1 if comparison.evaluations[-1].missed else 0


def _screen(comparison: Comparison, width: int | None, *, everything: bool) -> str:
    from rich.console import Console

    from chainplan.report.comparison import comparison_text

    return comparison_text(Console(width=width), comparison, everything=everything)


def _open(plans: Sequence[str]) -> list[tuple[LoadedPlan, Evaluation]]:
    """Read every plan; what is wrong with any of them is said of all at once."""
    opened: list[tuple[LoadedPlan, Evaluation]] = []
    refusals: list[str] = []
    for name in plans:
        try:
            opened.append(open_plan(name))
        except UserError as refusal:
            refusals.append(str(refusal))
    if refusals:
        raise UserError("\n".join(dict.fromkeys(refusals)))
    return opened
