"""`data`: all results as JSON."""

from __future__ import annotations

from collections.abc import Sequence

from chainplan import __version__
from chainplan.cli.files import write_result
from chainplan.cli.plans import open_plan
from chainplan.report.data import data_pieces


def run(
    plan: str, settings: Sequence[str] | None, out: str | None, *, reach: bool = False, headroom: bool = False
) -> int:
    """Write the results of a plan, to stdout or to a file."""
    loaded, evaluation = open_plan(plan, settings, out)
    write_result(data_pieces(loaded, evaluation, __version__, reach=reach, headroom=headroom), out)
    return 0
