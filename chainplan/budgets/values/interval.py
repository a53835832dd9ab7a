"""How often a task runs at least, and so how often what it tests is tested."""

from __future__ import annotations

from typing import Literal, NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.values.age import slot_shift
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.quantity import TIME

Unit = Literal["cell", "node"]


class TaskInterval(NamedTuple):
    """How often a task runs on a controller."""

    controller: str
    task: str
    interval: Sum
    typical_interval: Sum


def task_interval(scan: ControllerScan, index: int) -> TaskInterval:
    """Return how often a task runs on a controller at least, fs from begin to begin."""
    work, plan = scan.works[index], scan.controller.settings
    every = work.task.every
    shift, usual_shift = (
        slot_shift(scan, index, 1, early, late)
        for early, late in ((Case.BEST, Case.WORST), (Case.TYPICAL, Case.TYPICAL))
    )
    source = "ISO 26262-1:2018, 3.35"
    return TaskInterval(
        scan.controller.name,
        work.name,
        Sum(
            f"test interval of {work.name}",
            TIME,
            nonzero(
                Term("task period", scan.period, every),
                Term("scan jitter", plan.scan_jitter.max),
                Term("shift of the slot between scans", shift),
                scan.reserve,
            ),
            "task period + jitter + slot shift + retry reserve",
            source,
        ),
        Sum(
            f"typical test interval of {work.name}",
            TIME,
            nonzero(
                Term("task period", plan.scan_period.typical, every),
                Term("shift of the slot between scans", usual_shift),
            ),
            source=source,
        ),
    )
