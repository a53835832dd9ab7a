"""Which targets a plan still meets once it has recovered from a fault, and the walk's outcomes as rows.

What is left of the network after a fault is evaluated like a plan of its own, with the budgets and targets of
the whole plan: scan, sample age, skew, bytes and fault handling times. Only the controller of the fault is
scanned anew, with its old slot table. That takes about as long as evaluating the plan once, for every fault
that leaves something else behind, so it is done for as many faults as are asked for.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import NamedTuple

from chainplan.budgets.faults import FaultBudget, Outcome
from chainplan.budgets.scan import controller_scan
from chainplan.chain.degraded import Left, degraded_network
from chainplan.evaluation import Evaluation
from chainplan.plan.model import Plan
from chainplan.verdicts import SCANNING, judge
from chainplan.verdicts.verdict import Verdict

MOST_NODES_EVALUATED = 10_000
"""Nodes that are evaluated anew, all faults together, unless more are asked for: some seconds."""


class FaultRow(NamedTuple):
    """One fault as a reader wants it in a table. Times are worst cases in fs, None where there is none."""

    outcome: Outcome
    cells_seen: Fraction
    single_point: bool
    known: int | None
    known_by: str
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

    lost: tuple[tuple[Outcome, tuple[Verdict, ...]], ...]
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


def evaluate_after(evaluation: Evaluation, outcome: Outcome) -> Evaluation:
    """Return the evaluation of what is left after a fault, its controller's slot table kept."""
    network = degraded_network(evaluation.network, outcome.left)
    name = outcome.fault.controller
    pinned = replace(network, plan=_with_phases(network.plan, evaluation, name))
    scan = controller_scan(pinned, pinned.controllers[name])
    after = Evaluation(evaluation.plan)
    after.network = network
    after.scans = {**evaluation.scans, name: scan}
    return after


def _with_phases(plan: Plan, evaluation: Evaluation, controller: str) -> Plan:
    """Return a plan whose tasks have the phases that a controller runs them with."""
    scan = evaluation.scans[controller]
    phases = {work.name: phase for work, phase in zip(scan.works, scan.phases.phases, strict=True)}
    tasks = {
        name: task.model_copy(update={"phase": phases[name]}) if name in phases else task
        for name, task in plan.tasks.items()
    }
    return plan.model_copy(update={"tasks": tasks})


def _met(evaluation: Evaluation) -> set[tuple[str, str]]:
    verdicts = judge(evaluation, SCANNING)
    return {each.key for each in verdicts if each.status == "met"}


def _lost(met: set[tuple[str, str]], evaluation: Evaluation, outcome: Outcome) -> tuple[Verdict, ...]:
    """Return what is met without a fault and missed after it.

    A fault changes the scans of one controller. What the others' scans meet they meet still, so they are left
    out; but for an uplink, on which they send as before.
    """
    after = evaluate_after(evaluation, outcome)
    if evaluation.plan.uplink is None:
        name = outcome.fault.controller
        after.scans = {name: after.scans[name]}
    verdicts = judge(after, SCANNING)
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
    known: dict[tuple[Left, ...], tuple[Verdict, ...]] = {}
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
