"""`slots`: the slot table for the firmware, as rows, as data or as a header of C."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from chainplan import __version__
from chainplan.cautions import CAUTIONS
from chainplan.cli.files import write_result
from chainplan.cli.guard import UserError
from chainplan.cli.plans import open_plan
from chainplan.exports.slots import SlotTable, slot_table
from chainplan.plan.problems import escape, hint, nearest

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan


def run(plan: str, settings: Sequence[str] | None, controller: str | None, form: str, out: str | None) -> int:
    """Write the slot table of one controller or of all; return 0."""
    loaded, evaluation = open_plan(plan, settings, out)
    tables = [slot_table(evaluation.scans[name]) for name in chosen(evaluation, controller)]
    write_result(_text(loaded, tables, form), out)
    return 0


def chosen(evaluation: Evaluation, controller: str | None) -> list[str]:
    """Return the controller's name, or all names without one; UserError for a name the plan has not."""
    names = list(evaluation.scans)
    if controller is None:
        return names
    if controller not in names:
        close = nearest(controller, names)
        listed = ", ".join(map(escape, names))
        raise UserError(
            f"--controller {escape(controller)}: the plan has no such controller"
            f"\n   expected: {listed}{hint(close)}"
        )
    return [controller]


def _text(loaded: LoadedPlan, tables: list[SlotTable], form: str) -> str:
    if form == "csv":
        from chainplan.exports.slot_data import slots_csv

        return slots_csv(tables)
    if form == "header":
        from chainplan.exports.header import slots_header

        remarks = [f"Written by chainplan {__version__}. Times are whole ns, rounded up.", *CAUTIONS]
        return slots_header(tables, loaded.plan.title, loaded.plan.revision, remarks)
    from chainplan.exports.slot_data import slots_data

    document = slots_data(tables, head(loaded))
    return json.dumps(document, indent=2, allow_nan=False, ensure_ascii=True) + "\n"


def head(loaded: LoadedPlan) -> dict[str, Any]:
    """Return what stands before the figures in every data file: the tool, the plan, the cautions."""
    plan = loaded.plan
    return {
        "tool": {"name": "chainplan", "version": __version__},
        "plan": {
            "file": os.fsencode(loaded.file).decode("utf-8", "replace"),
            "title": plan.title,
            "revision": plan.revision,
        },
        "cautions": list(CAUTIONS),
    }
