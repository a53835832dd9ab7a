"""Figures of the walk through all single faults: what is seen, when it is known, when it is read again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from chainplan.budgets.faults.walk import FaultBudget, Outcome
from chainplan.figures.figure import WHOLE, Figure, Kind
from chainplan.figures.terms import Sum
from chainplan.quantity import RATIO, TIME


class Walked(NamedTuple):
    """A fault with the walk that it belongs to."""

    faults: FaultBudget
    outcome: Outcome

    @property
    def seen(self) -> Sum:
        """Return the share of cells still seen."""
        return self.faults.seen(self.outcome)

    @property
    def recovery(self) -> Sum | None:
        """Return the time until all cells that are left are monitored again, if that is known."""
        return self.faults.recovery(self.outcome).time


CELLS_MONITORED = Kind[Walked](
    "cells monitored after a fault",
    RATIO,
    ("fault",),
    "single faults",
    lambda each: each.seen,
    sums=lambda each: (each.seen, None),
    named=lambda each: f"{each.outcome.figure}/cells",
    sense="at least",
    where=lambda each: each.outcome.name + _never_cut_off(each),
    target="cells_monitored_after_fault",
)


@CELLS_MONITORED.of
def cells_monitored(faults: FaultBudget) -> Iterator[Figure]:
    """Share of cells still read after any single fault, of each kind the one that leaves fewest."""
    for kind, outcome in faults.worst_of_kind.items():
        if kind != "controller dead":
            yield CELLS_MONITORED(f"one {kind}", item=Walked(faults, outcome))


def _never_cut_off(each: Walked) -> str:
    jams = each.outcome.fault.kind == "node babbling" and each.faults.jams(each.outcome.fault)
    return "; nothing cuts it off: its type has no `jabber_limit`" if jams else ""


FAULT_DETECTION = Kind[Outcome](
    "fault known",
    TIME,
    ("controller",),
    "single faults",
    lambda outcome: outcome.known.total if outcome.known else None,
    sums=lambda outcome: (outcome.known.time if outcome.known else None, None),
    named=lambda outcome: f"{outcome.figure}/known",
    where=lambda outcome: outcome.name,
    target="fault_detection",
)


@FAULT_DETECTION.of
def faults_known(faults: FaultBudget) -> Iterator[Figure]:
    """Until a broken chain is known, after the fault that is known last of those that ever are."""
    for name in faults.scans:
        latest = faults.latest_known(name)
        if latest is not None:
            yield FAULT_DETECTION(name, item=latest)


class ShownFaults(NamedTuple):
    """Which faults of a controller its reads show."""

    faults: FaultBudget
    controller: str

    @property
    def hidden(self) -> list[Outcome]:
        """Return those that nothing shows."""
        return self.faults.unknown_of(self.controller)[0]


FAULTS_SHOWN = Kind[ShownFaults](
    "faults that a read shows",
    RATIO,
    ("controller",),
    "single faults",
    lambda each: each.faults.shown(each.controller),
    named="faults/{}/shown",
    sense="at least",
    where=lambda each: _never_known(each.faults, each.hidden),
    target="fault_detection",
    limit=lambda _: WHOLE,
    yes_no=True,
)


@FAULTS_SHOWN.of
def faults_shown(faults: FaultBudget) -> Iterator[Figure]:
    """Share of a controller's single faults that its reads ever show."""
    for name in faults.scans:
        if faults.unknown_of(name)[1]:
            yield FAULTS_SHOWN(name, item=ShownFaults(faults, name))


def _never_known(faults: FaultBudget, hidden: Sequence[Outcome]) -> str:
    """Say which faults are never known, and which tasks would show them."""
    if not hidden:
        return ""
    names = ", ".join(outcome.name for outcome in hidden[:3])
    more = f" and {len(hidden) - 3} more" if len(hidden) > 3 else ""
    unheeded = "".join(
        f"; task {task} misses answers after {number} of them, but no hazard `chain loss` counts that"
        for task, number in faults.unheeded(hidden).items()
    )
    hint = unheeded or (_WAY_BACK if all(map(faults.on_return_path, hidden)) else "")
    return f"never known: {names}{more}{hint}"


_WAY_BACK = "; a task `sent_from: back` would use the return path"


RECOVERY = Kind[Walked](
    "recovery",
    TIME,
    ("controller", "part"),
    "single faults",
    lambda each: each.recovery,
    sums=lambda each: (each.recovery, None),
    named=lambda each: f"{each.outcome.figure}/recovery",
    where=lambda each: each.outcome.name,
    target="recovery",
)


@RECOVERY.of
def recoveries(faults: FaultBudget) -> Iterator[Figure]:
    """From a fault until all cells that can be monitored are monitored again, after the slowest recovery."""
    for name in faults.scans:
        slowest, unbounded = faults.slowest_recovery(name)
        if slowest is not None:
            yield RECOVERY(name, "", item=Walked(faults, slowest))
        elif not unbounded:
            yield RECOVERY(name, "", note="nothing has to be recovered after any fault")
        if unbounded:  # a recovery that is known speaks for no other
            note = f"{len(unbounded)} without a bound: {faults.recovery(unbounded[0]).note}"
            yield RECOVERY(name, "other faults" if slowest else "", note=note)
