"""`check`: missed targets only, and an exit code, for CI."""

from __future__ import annotations

from collections.abc import Iterable

from chainplan.cli.guard import UNUSABLE, UserError, complain, write_out
from chainplan.cli.plans import open_plan, plain_look
from chainplan.report.terse import terse_text


def run(plans: Iterable[str]) -> int:
    """Check every plan; return 0 if all targets are met, 1 if some are missed, 2 if a plan is unusable."""
    look = plain_look(None)
    code = 0
    for plan in plans:
        try:
            loaded, evaluation = open_plan(plan)
        except UserError as refusal:
            complain(str(refusal))
            code = UNUSABLE
            continue
        write_out(terse_text(loaded.file, evaluation.verdicts, look))
        code = max(code, 1 if evaluation.missed else 0)
    return code
