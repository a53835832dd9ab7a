"""`printout`: the results as a page for a design review, as HTML or PDF."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from chainplan.cli.files import write_whole
from chainplan.cli.guard import UserError, complain
from chainplan.cli.plans import open_plan, search
from chainplan.plan.problems import escape
from chainplan.report.terse import closing_line

if TYPE_CHECKING:
    from chainplan.plan.load import LoadedPlan
    from chainplan.printout.options import PlanFile


def run(
    plan: str,
    out: str,
    paper: Literal["A4", "Letter"],
    date: str,
    prepared: str,
    checked: str,
    approved: str,
    settings: Sequence[str] | None,
) -> int:
    """Write the printout; return 0 if all targets are met, 1 if some are missed: the file is written too."""
    as_pdf = _is_pdf(out)
    if as_pdf:
        _check_pdf()
    loaded, evaluation = open_plan(plan, settings, out)
    search(evaluation)
    from chainplan import __version__
    from chainplan.printout.document import printout_html
    from chainplan.printout.options import Options

    options = Options(paper, date, prepared, checked, approved, tuple(plan_files(loaded)))
    page = printout_html(loaded, evaluation, __version__, options)
    if as_pdf:
        from chainplan.printout.pdf import pdf_bytes

        write_whole(out, pdf_bytes(page))
    else:
        write_whole(out, page)
    complain(f"{escape(out)} is written: {closing_line(evaluation.verdicts)}")
    return 1 if evaluation.missed else 0


def _is_pdf(out: str) -> bool:
    suffix = Path(out).suffix.lower()
    if suffix not in (".html", ".htm", ".pdf"):
        raise UserError(
            f"--out {escape(out)}: the name does not say what to write\n   expected: FILE.html or FILE.pdf"
        )
    return suffix == ".pdf"


def _check_pdf() -> None:
    """Raise :class:`UserError` before any work where a PDF cannot be made."""
    from chainplan.printout.pdf import NoPdfError, load_maker

    try:
        load_maker()
    except NoPdfError as error:
        raise UserError(str(error)) from None


def plan_files(loaded: LoadedPlan) -> Iterator[PlanFile]:
    """Yield the files a plan was read from, the included ones named from the plan's own folder."""
    from chainplan.printout.options import PlanFile

    folder = os.path.dirname(loaded.file)
    for name in loaded.sources.files():
        shown = os.path.relpath(name, folder or ".")
        try:
            content = Path(name).read_bytes()
        except OSError as error:
            raise UserError(f"{escape(name)}: the file cannot be read again: {error.strerror}") from None
        yield PlanFile(shown.replace(os.sep, "/"), content)
