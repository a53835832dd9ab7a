"""The walk through all single faults as data: faults alike together, the most harmful first, and pairs."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from chainplan.after_faults import Aftermath, FaultRow, aftermath, fault_rows
from chainplan.budgets.faults.pairs import StringPairs
from chainplan.budgets.faults.walk import Outcome
from chainplan.chain.degraded import Fault, FaultKind
from chainplan.figures.figure import Figure
from chainplan.figures.units import Bits, Counted, Ratio, Time
from chainplan.quantity import RATIO
from chainplan.report.fault_groups import of_itself

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

MOST_NODES_JUDGED = 3_000
"""Nodes that are evaluated anew to judge targets after faults, all faults together: some seconds."""

_WHOLE = int(RATIO.units[""])


class LostTarget(NamedTuple):
    """A target that is met without the fault and missed after recovery from it."""

    target: str
    subject: str


class FaultRecord(NamedTuple):
    """One fault: what fails, how, and the nodes that are read no more."""

    kind: FaultKind
    part: str
    """Name of the segment, node, port or controller; `chains` lists them."""
    not_monitored: dict[str, list[int]]
    """By chain the first and the last node not monitored, as places from the head: 1 for the first node."""


class FaultsAlike(NamedTuple):
    """What each one of these faults does, worst case."""

    faults: list[FaultRecord]
    unmonitored_nodes: Counted
    unmonitored_cells: Counted
    cells_monitored: Ratio
    single_point: bool
    """Whether cells of other nodes than the faulty one itself are not monitored."""
    known: Time | None
    """Null where nothing the controller reads shows the fault, and for a dead controller."""
    detected_by: str
    recovery: Time | None
    recovery_note: str
    """Why there is no recovery time."""
    scan_after: Time
    """The longest scan after recovery; 0 where nothing is left to be read."""
    heaviest_scan_wire_after: Bits
    targets_lost: list[LostTarget] | None
    """After any of these faults, each for its own controller; null where it was not judged."""


class PairsRecord(NamedTuple):
    """Faults that leave a string unmonitored alone, and pairs of others that do so together.

    In part: at least one of its cells is monitored no more. Wholly: none of them is.
    """

    string: str
    alone_in_part: Counted
    alone_wholly: Counted
    pairs_in_part: Counted
    pairs_wholly: Counted
    in_part_examples: list[list[str]]
    wholly_examples: list[list[str]]


class FaultsRecord(NamedTuple):
    """Every single fault, the most harmful first. Dead controllers are in no count but that of faults."""

    cells: Counted
    leaves_least: str | None
    """The fault after which fewest cells are still monitored; null where the plan has none."""
    cells_monitored_least: Ratio | None
    single_points: Counted
    never_known: Counted
    faults: list[FaultsAlike]
    targets_judged_after: Counted
    """How many faults, the most harmful ones, the targets were judged after."""
    pairs: list[PairsRecord]


def faults_record(evaluation: Evaluation) -> FaultsRecord:
    """Return every fault with what it does, faults that do the same in one record."""
    faults = evaluation.faults
    after = aftermath(evaluation, MOST_NODES_JUDGED)
    worst = faults.worst
    return FaultsRecord(
        faults.cells,
        None if worst is None else worst.name,
        None if worst is None else faults.seen(worst).total,
        sum(outcome.others > 0 for outcome in faults.counted),
        len(faults.unknown),
        list(_groups(evaluation, after)),
        after.judged,
        [_pairs(each) for each in faults.pairs],
    )


def _groups(evaluation: Evaluation, after: Aftermath) -> Iterator[FaultsAlike]:
    """Yield the faults, those alike in every figure together."""
    faults = evaluation.faults
    lost: dict[Fault, tuple[Figure, ...]] = {outcome.fault: verdicts for outcome, verdicts in after.lost}
    judged = {outcome.fault for outcome, _ in zip(faults.counted, range(after.judged), strict=False)}
    groups: dict[Hashable, tuple[list[FaultRow], dict[LostTarget, None]]] = {}
    for row in fault_rows(faults):
        outcome, *figures = row
        missed = lost.get(outcome.fault, ())
        itself = [(each.target, of_itself(each.subject, outcome.fault.controller)) for each in missed]
        key = outcome.nodes, outcome.cells, tuple(figures), outcome.fault in judged, tuple(itself)
        rows, targets = groups.setdefault(key, ([], {}))
        rows.append(row)
        targets.update(dict.fromkeys(LostTarget(*each.key) for each in missed))
    for rows, targets in groups.values():
        first = rows[0]
        yield FaultsAlike(
            [_fault(evaluation, row.outcome) for row in rows],
            first.outcome.nodes,
            first.outcome.cells,
            first.cells_monitored * _WHOLE,
            first.single_point,
            first.known,
            first.detected_by,
            first.recovery,
            first.recovery_note,
            first.scan_time,
            first.wire_bits,
            list(targets) if first.outcome.fault in judged else None,
        )


def _fault(evaluation: Evaluation, outcome: Outcome) -> FaultRecord:
    counts = {left.chain: len(evaluation.network.chains[left.chain].nodes) for left in outcome.left}
    return FaultRecord(
        outcome.fault.kind,
        outcome.fault.part,
        {
            left.chain: [left.ahead + 1, counts[left.chain] - left.behind]
            for left in outcome.left
            if left.ahead + left.behind < counts[left.chain]
        },
    )


def _pairs(pairs: StringPairs) -> PairsRecord:
    return PairsRecord(
        pairs.string,
        pairs.alone_in_part,
        pairs.alone_wholly,
        pairs.in_part,
        pairs.wholly,
        [[one.name, other.name] for one, other in pairs.in_part_examples],
        [[one.name, other.name] for one, other in pairs.wholly_examples],
    )
