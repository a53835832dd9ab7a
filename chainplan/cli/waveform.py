"""`waveform`: the planned scans as a value change dump for a waveform viewer."""

from __future__ import annotations

from collections.abc import Sequence

from chainplan import __version__
from chainplan.cautions import CAUTIONS
from chainplan.cli.files import write_result
from chainplan.cli.guard import UserError, complain
from chainplan.cli.plans import open_plan
from chainplan.exports.vcd import vcd_text
from chainplan.exports.waveform import plan_waveform
from chainplan.figures.terms import Case
from chainplan.plan.problems import escape

USUAL_SCANS = 64
"""Scans that are drawn where the user names no number and the major cycle is longer."""

_CASES = {
    "worst": "Worst case: every duration at its longest, every scan period at its shortest.",
    "typical": "Typical case: the middle of every tolerance. It promises nothing.",
}


def run(plan: str, settings: Sequence[str] | None, out: str, scans: int | None, case: str) -> int:
    """Write the waveform of all controllers; return 0."""
    loaded, evaluation = open_plan(plan, settings, out)
    cycle = max((scan.phases.major_cycle for scan in evaluation.scans.values()), default=1)
    count = scans or min(cycle, USUAL_SCANS)
    try:
        waveform = plan_waveform(evaluation.scans, evaluation.units, count, Case[case.upper()])
    except ValueError as error:
        raise UserError(f"--scans {count}: {error}") from None
    if scans is None and count < cycle:
        complain(
            f"{escape(out)}: the first {count} of the {cycle} scans of the major cycle; --scans for more"
        )
    remarks = (
        f"{loaded.plan.title}, revision {loaded.plan.revision}",
        _CASES[case] + " Without retries; no instant is rounded.",
        "evaluation is not in step with the scan: drawn is one of the many ways it can lie.",
        *CAUTIONS,
    )
    write_result(vcd_text(waveform, loaded.plan.title, f"chainplan {__version__}", remarks), out)
    return 0
