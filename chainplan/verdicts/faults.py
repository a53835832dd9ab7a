"""Verdicts on single faults: what is still seen, when they are known, how the chain recovers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from chainplan.quantity import RATIO, TIME
from chainplan.verdicts.verdict import WHOLE, Verdict

if TYPE_CHECKING:
    from chainplan.budgets.faults import FaultBudget, Outcome
    from chainplan.evaluation import Evaluation
    from chainplan.plan.schedule import Targets


def fault_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield the verdicts on single faults; the walk through them is made only where a target asks for it."""
    targets = evaluation.plan.targets
    if targets.cells_seen_after_fault:
        least = targets.cells_seen_after_fault.max
        for kind, outcome in evaluation.faults.worst_of_kind.items():
            if kind != "controller dead":
                seen = evaluation.faults.seen(outcome)
                subject, figure = f"one {kind}", f"{outcome.figure}/cells"
                target, where = "cells seen after a fault", outcome.name
                never_cut_off = kind == "node babbling" and evaluation.faults.jams(outcome.fault)
                if never_cut_off and seen.total < least:
                    where += "; nothing cuts it off: its type has no `jabber_limit`"
                yield Verdict(target, subject, seen.total, "at least", least, RATIO, figure, where)
    if targets.fault_known or targets.recovery:
        for name in evaluation.scans:
            yield from _fault_times(evaluation.faults, name, targets)


def _never_known(faults: FaultBudget, hidden: Sequence[Outcome]) -> str:
    """Say which faults are never known, and which tasks would show them."""
    names = ", ".join(outcome.name for outcome in hidden[:3])
    more = f" and {len(hidden) - 3} more" if len(hidden) > 3 else ""
    unheeded = "".join(
        f"; task {task} misses answers after {number} of them, but no hazard `chain loss` counts that"
        for task, number in faults.unheeded(hidden).items()
    )
    hint = unheeded or (_WAY_BACK if all(map(faults.on_way_back, hidden)) else "")
    return f"never known: {names}{more}{hint}"


_WAY_BACK = "; a task `sent_from: back` would use the way back"


def _fault_times(faults: FaultBudget, name: str, targets: Targets) -> Iterator[Verdict]:
    if targets.fault_known:
        latest, (hidden, count) = faults.latest_known(name), faults.unknown_of(name)
        limit = targets.fault_known.min
        if latest is not None and latest.known is not None:
            time, figure = latest.known.time.total, f"{latest.figure}/known"
            yield Verdict("fault known", name, time, "at most", limit, TIME, figure, latest.name)
        if count:
            shown, figure = faults.shown(name).total, f"faults/{name}/shown"
            where = _never_known(faults, hidden) if hidden else ""
            yield Verdict("faults that a read shows", name, shown, "at least", WHOLE, RATIO, figure, where)
    if targets.recovery:
        slowest, unbounded = faults.slowest_recovery(name)
        recovery = faults.recovery(slowest).time if slowest else None
        bound = recovery.total if recovery else None
        limit, figure, where = targets.recovery.min, "", ""
        if slowest and recovery:
            figure, where = f"{slowest.figure}/recovery", slowest.name
        note = "" if slowest else "nothing has to be recovered after any fault"
        if unbounded:
            note = f"{len(unbounded)} without a bound: {faults.recovery(unbounded[0]).note}"
            if bound is not None and bound <= limit:  # what is known does not miss, the rest is not known
                bound = None
        yield Verdict("recovery", name, bound, "at most", limit, TIME, figure, where, note)
