"""The walk through all single faults as data: faults alike together, the most harmful first, and pairs."""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any

from chainplan.after_faults import Aftermath, FaultRow, aftermath, fault_rows
from chainplan.budgets.fault_pairs import StringPairs
from chainplan.budgets.faults import Outcome
from chainplan.chain.degraded import Fault
from chainplan.figures.figure import Figure
from chainplan.quantity import BITS, RATIO, TIME
from chainplan.report.fault_groups import of_itself
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]

MOST_NODES_JUDGED = 3_000
"""Nodes that are evaluated anew to judge targets after faults, all faults together: some seconds."""


def faults_data(evaluation: Evaluation) -> Record:
    """Return every fault with what it does, faults that do the same in one record.

    The targets lost are null for faults that were not judged.
    """
    faults = evaluation.faults
    after = aftermath(evaluation, MOST_NODES_JUDGED)
    worst = faults.worst
    return {
        "cells_count": faults.cells,
        "leaves_least": None if worst is None else worst.name,
        **with_unit("cells_seen_least", None if worst is None else faults.seen(worst).total, RATIO),
        "single_points_count": sum(outcome.others > 0 for outcome in faults.counted),
        "never_known_count": len(faults.unknown),
        "faults": _groups(evaluation, after),
        "targets_judged_after_count": after.judged,
        "pairs": [_pairs(each) for each in faults.pairs],
    }


def _groups(evaluation: Evaluation, after: Aftermath) -> list[Record]:
    """Return the faults, those alike in every figure together."""
    faults = evaluation.faults
    lost: dict[Fault, tuple[Figure, ...]] = {outcome.fault: verdicts for outcome, verdicts in after.lost}
    judged = {outcome.fault for outcome, _ in zip(faults.counted, range(after.judged), strict=False)}
    groups: dict[Hashable, Record] = {}
    for row in fault_rows(faults):
        outcome, *figures = row
        fault = outcome.fault
        missed = lost.get(fault, ()) if fault in judged else None
        itself = [(each.target, of_itself(each.subject, fault.controller)) for each in missed or ()]
        key = outcome.nodes, outcome.cells, tuple(figures), missed is None, tuple(itself)
        if key not in groups:
            groups[key] = {"faults": [], **_record(row), "targets_lost": None if missed is None else []}
        group = groups[key]
        group["faults"].append(_member(evaluation, outcome))
        for verdict in missed or ():
            record = {"target": verdict.target, "subject": verdict.subject}
            if record not in group["targets_lost"]:
                group["targets_lost"].append(record)
    return list(groups.values())


def _member(evaluation: Evaluation, outcome: Outcome) -> Record:
    chains = evaluation.network.chains
    return {
        "kind": outcome.fault.kind,
        "part": outcome.fault.part,
        "blind": {
            left.chain: [left.ahead + 1, count - left.behind]
            for left in outcome.left
            for count in [len(chains[left.chain].nodes)]
            if left.ahead + left.behind < count
        },
    }


def _record(row: FaultRow) -> Record:
    return {
        "blind_nodes_count": row.outcome.nodes,
        "blind_cells_count": row.outcome.cells,
        "cells_seen_ratio": float(row.cells_seen),
        "single_point": row.single_point,
        **with_unit("known", row.known, TIME),
        "known_by": row.known_by,
        **with_unit("recovery", row.recovery, TIME),
        "recovery_note": row.recovery_note,
        **with_unit("scan_after", row.scan_time, TIME),
        **with_unit("heaviest_scan_wire_after", row.wire_bits, BITS),
    }


def _pairs(pairs: StringPairs) -> Record:
    return {
        "string": pairs.string,
        "alone_in_part_count": pairs.alone_in_part,
        "alone_wholly_count": pairs.alone_wholly,
        "pairs_in_part_count": pairs.in_part,
        "pairs_wholly_count": pairs.wholly,
        "in_part_examples": [[one.name, other.name] for one, other in pairs.in_part_examples],
        "wholly_examples": [[one.name, other.name] for one, other in pairs.wholly_examples],
    }
