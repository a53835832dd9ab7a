"""`check`: missed targets only, and an exit code, for CI; on request as JUnit XML and as Markdown, too."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from chainplan.cli.files import OutputError, same_file, write_result
from chainplan.cli.guard import UNUSABLE, UserError, complain, write_out
from chainplan.cli.plans import open_plan, plain_look
from chainplan.plan.problems import dotted, escape, render_all
from chainplan.report.terse import terse_text

if TYPE_CHECKING:
    from chainplan.figures.figure import Figure
    from chainplan.report.checked import CheckedPlan

Settings = Sequence[str] | None


def run(
    plan: Iterable[str], junit: str | None, markdown: str | None, settings: Settings, *, strict: bool
) -> int:
    """Check every plan; return 0 if no target is missed, 1 if some are, 2 if a plan is unusable.

    If `strict`, a target that could not be checked counts as one that is missed.

    A file that is named gets the whole result in one go, when all plans are checked; ``-`` means stdout, in
    place of the lines that stand there otherwise.
    """
    plans = list(plan)
    wanted = [name for name in (junit, markdown) if name is not None]
    _refuse_collisions(plans, wanted)
    if not wanted:
        return _lines(plans, settings, strict)
    return _files(plans, junit, markdown, settings, strict)


def _lines(plans: Iterable[str], settings: Settings, strict: bool) -> int:
    """Print what is missed, plan by plan."""
    look = plain_look(None)
    code = 0
    for plan in plans:
        try:
            loaded, evaluation = open_plan(plan, settings)
        except UserError as refusal:
            complain(str(refusal))
            code = UNUSABLE
            continue
        write_out(terse_text(loaded.file, evaluation.verdicts, look))
        code = max(code, _code(evaluation.verdicts, strict))
    return code


def _files(
    plans: Iterable[str], junit: str | None, markdown: str | None, settings: Settings, strict: bool
) -> int:
    """Check all plans, print what is missed where stdout is free, then write the files."""
    from datetime import UTC, datetime

    from chainplan import __version__
    from chainplan.report.junit import junit_text
    from chainplan.report.markdown import markdown_text

    begun = datetime.now(UTC)
    checked = [_checked(plan, settings, junit, markdown) for plan in plans]
    if "-" not in (junit, markdown):
        look = plain_look(None)
        write_out(
            "".join(terse_text(plan.file, plan.verdicts, look) for plan in checked if not plan.problems)
        )
    if junit is not None:
        write_result(junit_text(checked, __version__, begun), junit)
    if markdown is not None:
        text = markdown_text(checked)
        write_result(_encodable(text) if markdown == "-" else text, markdown)
    if any(plan.problems for plan in checked):
        return UNUSABLE
    return max((_code(plan.verdicts, strict) for plan in checked), default=0)


def _code(verdicts: Iterable[Figure], strict: bool) -> int:
    bad = ("missed", "not checked") if strict else ("missed",)
    return 1 if any(verdict.status in bad for verdict in verdicts) else 0


def _checked(plan: str, settings: Settings, *results: str | None) -> CheckedPlan:
    """Check one plan; what cannot be used is told on stderr, too.

    Raises :class:`OutputError` where a file for the results cannot be written, or is one the plan is made of.
    """
    from time import perf_counter

    from chainplan.report.checked import CheckedPlan

    begun = perf_counter()
    try:
        loaded, evaluation = open_plan(plan, settings, *results)
    except OutputError:
        raise
    except UserError as refusal:
        complain(str(refusal))
        return CheckedPlan(plan, "", "", (), (), "", str(refusal), perf_counter() - begun)
    verdicts, head = evaluation.verdicts, loaded.plan
    warnings = render_all(loaded.warnings)
    changed = tuple(f"{dotted(each.path)} = {each.text}" for each in loaded.sources.settings)
    seconds = perf_counter() - begun
    return CheckedPlan(loaded.file, head.title, head.revision, changed, verdicts, warnings, "", seconds)


def _refuse_collisions(plans: Iterable[str], wanted: list[str]) -> None:
    """Refuse to write two results to one place, or a result over a plan."""
    if wanted.count("-") > 1:
        raise UserError("--junit - and --markdown -: only one of the two can go to the standard output")
    files = [name for name in wanted if name != "-"]
    if len(files) > 1 and same_file(files[0], files[1]):
        raise UserError(f"--junit and --markdown: both name the file {escape(files[0])}")
    for file in files:
        if any(same_file(file, plan) for plan in plans):
            raise UserError(f"{escape(file)}: this is a plan that is checked; a result does not replace it")


def _encodable(text: str) -> str:
    """Return Markdown that stdout can carry: what its encoding lacks as the number of the character."""
    encoding = sys.stdout.encoding or "ascii"
    return text.encode(encoding, "xmlcharrefreplace").decode(encoding)
