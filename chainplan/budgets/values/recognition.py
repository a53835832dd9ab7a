"""From readings to a recognised fault: how many it takes on a controller, and how long each lasts.

The first reading after a fault comes one task period later, and n readings until it is recognised take

    task period + (n - 1) * step + lost * (period of a scan whose reads all fail - period) + stale * period

where a step is a task period, or what passes until an evaluation that judges the newest reading only has
found another one (:mod:`chainplan.budgets.values.debounce`). A lost reading is one of a scan in which every
read may have waited for its time-out. A stale one brings what its node sampled before: until the first bad
sample it tells nothing, and after it it counts as bad once more. With a freshness counter it is a lost one.
"""

from __future__ import annotations

from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.time_outs import period_of_a_lost_scan, run_given_up, wholly_lost
from chainplan.budgets.values.age import slot_starts
from chainplan.budgets.values.debounce import (
    judged_by,
    judges_all,
    lost_words,
    rule_of,
    tolerated_of,
    until_found,
)
from chainplan.figures.terms import Case, Term, nonzero
from chainplan.plan.layout import EvaluationPlan
from chainplan.plan.schedule import Hazard
from chainplan.remembered import remembered

NEVER = "losses that are tolerated can keep it from being recognised for good"


class Recognition(NamedTuple):
    """What it takes until a fault is recognised, at most: readings, and times in fs."""

    readings: int
    lost: int
    period: int
    """From a run of the task to its next one."""
    step: int
    """From a reading that is judged to the next one that is, at most."""
    longer: int
    """How much longer than others the period after a lost reading is."""
    how: str
    stale: int = 0
    """Readings with old values before the first bad sample."""
    lost_decides: bool = False
    """Whether the last one may be lost and counts as bad."""

    @property
    def total(self) -> int:
        """Return the time from just before the first reading that would have shown it to the last one."""
        waits = (1 + self.stale) * self.period + self.lost * self.longer
        return waits + (self.readings - 1) * self.step

    def terms(self, label: str, pipeline: int = 0) -> tuple[Term, ...]:
        """Return the same as terms, `pipeline` readings before the first one included."""
        how = self.how + (f", {self.stale} with old values" if self.stale else "")
        how += ", 1 in the pipeline" if pipeline else ""
        longer = Term("scans held up by lost readings", self.longer, self.lost)
        early = pipeline + self.stale
        if self.step == self.period:
            return nonzero(Term(label, self.period, self.readings + early, how=how), longer)
        return nonzero(
            Term(label, self.period, 1 + early, how="until the first one"),
            Term("until the evaluation finds the next", self.step, self.readings - 1, how=how),
            longer,
        )


def recognition(
    hazard: Hazard | None,
    scan: ControllerScan,
    index: int,
    evaluation: EvaluationPlan,
    case: Case,
    period: int,
    spread: int,
) -> Recognition | None:
    """Return what recognition takes by a task whose scans come every `period` fs; None: it may never come.

    `spread` is how much later than earliest its readings can be known, fs. Without a hazard one is enough.
    """
    pace, every = scan.controller.settings.scan_period, scan.works[index].task.every
    if hazard is None:
        return Recognition(1, 0, period * every, period * every, 0, "1 bad in a row")
    if case is not Case.WORST:
        rule = rule_of(hazard, _periods(hazard, case, period * every, 0))
        found = until_found(rule, tolerated_of(hazard)._replace(most=0, within=None))
        judged = max(period * every, 0 if judges_all(evaluation) else evaluation.period[case])
        assert found is not None
        return Recognition(found.readings, 0, period * every, judged, 0, _how(hazard, 0))
    step, unjudged = judged_by(evaluation, pace.min * every, period * every, spread)
    longer = max(0, period_of_a_lost_scan(scan) - period) if hazard.kind != "chain loss" else 0
    rule = rule_of(hazard, _periods(hazard, case, pace.min * every, spread))
    task, losses = scan.works[index].task, tolerated_of(hazard)
    stale = task.stale_runs if hazard.kind != "chain loss" else 0
    if task.freshness:
        losses, stale = losses._replace(most=losses.most + stale), 0
    found = until_found(rule, losses, unjudged, 1000 * longer // period)
    if found is None:
        return None
    how = _how(hazard, found.lost)
    lost_decides = found.lost > 0 and hazard.on_lost == "count as bad"
    return Recognition(found.readings, found.lost, period * every, step, longer, how, stale, lost_decides)


def _periods(hazard: Hazard, case: Case, period: int, spread: int) -> int:
    time = hazard.debounce_time
    return -(-(time[case] + spread) // period) if time is not None else 0


def _how(hazard: Hazard, lost: int) -> str:
    if hazard.debounce_time is not None:
        found = "the debounce time"
    elif hazard.counter is not None:
        found = f"counter to {hazard.debounce}, {hazard.counter.up} up, {hazard.counter.down} down"
    else:
        found = f"{hazard.debounce} " + ("bad in a row" if hazard.kind == "chain loss" else "to debounce")
    return found + lost_words(hazard, lost)


@remembered
def arrival_spread(scan: ControllerScan, index: int) -> int:
    """Return how much later than earliest in its scan a task's reading can be in memory, fs."""
    best, worst = scan.runs[Case.BEST][index], scan.runs[Case.WORST][index]
    retried = scan.reserve.total > 0
    ends = zip(best.reads, worst.reads, strict=True)
    arrivals = max([(worst.length if retried else late.end) - early.end for early, late in ends], default=0)
    starts = max(slot_starts(scan, index, Case.WORST)) - min(slot_starts(scan, index, Case.BEST))
    return scan.controller.settings.scan_jitter.max + starts + arrivals + scan.reserve.total


@remembered
def spread_of_lost(scan: ControllerScan, index: int) -> int:
    """Return the same where lost readings count: how much later than a reading one can be known to be lost.

    That is when its run is over; before it, and in it, every read may have waited for its time-out.
    """
    waits = wholly_lost(scan).runs
    starts = [
        sum([scan.runs[Case.WORST][other].length + waits[other] for other in due if other < index])
        for due in scan.due_together
        if index in due
    ]
    early = min(slot_starts(scan, index, Case.BEST)) + min(
        [step.end for step in scan.runs[Case.BEST][index].reads]
    )
    jitter = scan.controller.settings.scan_jitter.max
    return jitter + max(starts) + run_given_up(scan, index) - early + scan.reserve.total
