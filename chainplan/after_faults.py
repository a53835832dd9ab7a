"""Which targets a plan still meets once it has recovered from a fault, and the walk's outcomes as rows.

What is left of the network after a fault is evaluated like a plan of its own, with the budgets and targets of
the whole plan: scan, sample age, skew, bytes and fault handling times. Only the controller of the fault is
scanned anew, with its old slot table. That takes about as long as evaluating the plan once, for every fault
that leaves something else behind, so it is done for as many faults as are asked for.
"""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

from chainplan.budgets.faults.walk import FaultBudget, Outcome
from chainplan.budgets.scanning.scan import ControllerScan, controller_scan, phases_of, with_phases
from chainplan.chain.degraded import Left, degraded_network, tasks_after
from chainplan.chain.network import Network
from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Figure

MOST_NODES_EVALUATED = 10_000
"""Nodes that are evaluated anew, all faults together, unless more are asked for: some seconds."""


SCANNING = ("scan", "bytes", "fault handling", "sample age")
"""Sections of the figures that depend on how the chains are scanned, and so can change after a fault."""


class FaultRow(NamedTuple):
    """One fault as a reader wants it in a table. Times are worst cases in fs, None where there is none."""

    outcome: Outcome
    cells_monitored: Fraction
    single_point: bool
    known: int | None
    detected_by: str
    """The task that shows the fault; empty where none does."""
    recovery: int | None
    recovery_note: str
    """Why there is no recovery time."""
    scan_time: int
    """Of the fault's controller, after recovery."""
    wire_bits: int
    """In its heaviest scan after recovery."""

    @property
    def name(self) -> str:
        """Return the fault in words."""
        return self.outcome.name


class Aftermath(NamedTuple):
    """The targets that a plan meets without a fault and misses after recovery from one.

    ``lost`` pairs each such fault with the verdicts that are missed then. The faults were judged in the order
    of harm, the first ``judged`` of ``faults``; dead controllers are not among them.
    """

    lost: tuple[tuple[Outcome, tuple[Figure, ...]], ...]
    judged: int
    faults: int


def fault_rows(faults: FaultBudget, most: int | None = None) -> list[FaultRow]:
    """Return the faults, the most harmful first; at most so many."""
    return [_row(faults, outcome) for outcome in faults.outcomes[:most]]


def _row(faults: FaultBudget, outcome: Outcome) -> FaultRow:
    recovery = faults.recovery(outcome)
    return FaultRow(
        outcome,
        Fraction(faults.cells - outcome.cells, faults.cells) if faults.cells else Fraction(1),
        outcome.others > 0,
        outcome.known.total if outcome.known else None,
        outcome.known.task if outcome.known else "",
        recovery.total,
        recovery.note,
        faults.rescan(outcome).total,
        faults.wire_bits(outcome).total,
    )


def _scanned_after(evaluation: Evaluation, outcome: Outcome) -> tuple[Network, ControllerScan]:
    """Return what is left of the network, and how the fault's controller scans it with its old slot table."""
    network = degraded_network(evaluation.network, outcome.left)
    name = outcome.fault.controller
    tasks = with_phases(tasks_after(evaluation.plan.tasks, outcome.left), phases_of(evaluation.scans[name]))
    return network, controller_scan(tasks, network.controllers[name])


def _met(evaluation: Evaluation) -> set[tuple[str, str]]:
    return {each.key for each in evaluation.judged(kinds(*SCANNING)) if each.status == "met"}


def _lost(met: set[tuple[str, str]], evaluation: Evaluation, outcome: Outcome) -> tuple[Figure, ...]:
    """Return what is met without a fault and missed after it.

    A fault changes the scans of one controller. What the others' scans meet they meet still, so they are left
    out; but for an uplink, on which they send as before.
    """
    network, scan = _scanned_after(evaluation, outcome)
    others = evaluation.scans if evaluation.plan.uplink else {}
    scans = {**others, outcome.fault.controller: scan}
    after = evaluation.altered(evaluation.plan, network=network, scans=scans)
    verdicts = after.judged(kinds(*SCANNING))
    return tuple(each for each in verdicts if each.status == "missed" and each.key in met)


def aftermath(evaluation: Evaluation, most_nodes: int = MOST_NODES_EVALUATED) -> Aftermath:
    """Judge the targets after every fault, in the order of harm, until `most_nodes` nodes were evaluated.

    Faults that leave the same behind are evaluated once and count once towards the limit.
    """
    met = _met(evaluation)
    sizes = {
        name: sum(len(chain.nodes) for chain in controller.chains)
        for name, controller in evaluation.network.controllers.items()
    }
    outcomes = list(evaluation.faults.counted)
    known: dict[tuple[Left, ...], tuple[Figure, ...]] = {}
    effort = 0
    lost = []
    judged = 0
    for outcome in outcomes:
        if outcome.left not in known:
            effort += sizes[outcome.fault.controller]
            if effort > most_nodes:
                break
            known[outcome.left] = _lost(met, evaluation, outcome)
        judged += 1
        if known[outcome.left]:
            lost.append((outcome, known[outcome.left]))
    return Aftermath(tuple(lost), judged, len(outcomes))


def targets_lost(after: Aftermath) -> dict[tuple[str, str], list[Outcome]]:
    """Return, by target and subject, the faults after which it is missed."""
    found: dict[tuple[str, str], list[Outcome]] = {}
    for outcome, verdicts in after.lost:
        for verdict in verdicts:
            found.setdefault(verdict.key, []).append(outcome)
    return found
