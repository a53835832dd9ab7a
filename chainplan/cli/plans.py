"""Reading a plan for a command: problems on stderr, warnings too, results evaluated."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from chainplan.cli.files import check_output
from chainplan.cli.guard import UserError, complain, heed_interruption
from chainplan.evaluation import Evaluation
from chainplan.plan.load import LoadedPlan, load_plan
from chainplan.plan.problems import PlanError, render_all
from chainplan.report.figures import Look


def open_plan(
    name: str, settings: Sequence[str] | None = None, *results: str | None
) -> tuple[LoadedPlan, Evaluation]:
    """Read and check a plan; its warnings go to stderr. Raises :class:`UserError` with every problem.

    `settings` are values set instead of what the file says (:mod:`chainplan.plan.settings`). `results`
    are the files that what comes of it goes to: refused here, before any work, where that cannot be, as
    :class:`~chainplan.cli.files.OutputError`.
    """
    try:
        loaded = load_plan(name, settings or (), called="--with")
    except PlanError as error:
        raise UserError(render_all(error.problems)) from None
    heed_interruption()
    for out in results:
        check_output(out, loaded.sources.files())
    if loaded.warnings:
        complain(render_all(loaded.warnings))
    return loaded, Evaluation(loaded.plan)


def plain_look(width: int | None) -> Look:
    """Return what stdout can show, for plain text: the width asked for, the terminal's or 80."""
    import shutil

    columns = width or (shutil.get_terminal_size((80, 24)).columns if sys.stdout.isatty() else 80)
    return Look(columns, sys.stdout.encoding or "ascii")


def search(evaluation: Evaluation) -> None:
    """Search a plan's headroom, which takes seconds, with a progress bar; kept for those who show it."""
    from chainplan.cli.progress import progress  # late, as only some commands search
    from chainplan.headroom.budget import headroom_budget

    with progress("headroom") as moves:
        headroom_budget(evaluation, progress=moves)
