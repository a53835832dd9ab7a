"""The walk through all single faults as data: every fault, the most harmful first, and pairs of faults."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chainplan.after_faults import FaultRow, aftermath, fault_rows
from chainplan.budgets.fault_pairs import StringPairs
from chainplan.chain.degraded import Fault
from chainplan.quantity import BITS, RATIO, TIME
from chainplan.report.units import with_unit
from chainplan.verdicts.verdict import Verdict

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]

MOST_NODES_JUDGED = 3_000
"""Nodes that are evaluated anew to judge targets after faults, all faults together: some seconds."""


def faults_data(evaluation: Evaluation) -> Record:
    """Return every fault with what it does; the targets lost are null for faults that were not judged."""
    faults = evaluation.faults
    after = aftermath(evaluation, MOST_NODES_JUDGED)
    judged = {outcome.fault for outcome, _ in zip(faults.counted, range(after.judged), strict=False)}
    lost: dict[Fault, tuple[Verdict, ...]] = {outcome.fault: verdicts for outcome, verdicts in after.lost}
    worst = faults.worst
    return {
        "cells_count": faults.cells,
        "leaves_least": None if worst is None else worst.name,
        **with_unit("cells_seen_least", None if worst is None else faults.seen(worst).total, RATIO),
        "single_points_count": sum(outcome.others > 0 for outcome in faults.counted),
        "never_known_count": len(faults.unknown),
        "faults": [
            _fault(evaluation, row, lost.get(fault, ()) if fault in judged else None)
            for row in fault_rows(faults)
            for fault in [row.outcome.fault]
        ],
        "targets_judged_after_count": after.judged,
        "pairs": [_pairs(each) for each in faults.pairs],
    }


def _fault(evaluation: Evaluation, row: FaultRow, lost: tuple[Verdict, ...] | None) -> Record:
    outcome = row.outcome
    fault = outcome.fault
    chains = evaluation.network.chains
    return {
        "fault": row.name,
        "kind": fault.kind,
        "part": fault.part,
        "controller": fault.controller,
        "chain": fault.chain or None,
        "place": fault.place or None,
        "blind_nodes_count": outcome.nodes,
        "blind_cells_count": outcome.cells,
        "blind_cells_of_strings": row.blind,
        "blind_places": [
            {"chain": left.chain, "first": left.ahead + 1, "last": count - left.behind}
            for left in outcome.left
            for count in [len(chains[left.chain].nodes)]
            if left.ahead + left.behind < count
        ],
        "cells_seen_ratio": float(row.cells_seen),
        "single_point": row.single_point,
        **with_unit("known", row.known, TIME),
        "known_by": row.known_by,
        **with_unit("recovery", row.recovery, TIME),
        "recovery_note": row.recovery_note,
        **with_unit("scan_after", row.scan_time, TIME),
        **with_unit("heaviest_scan_wire_after", row.wire_bits, BITS),
        "targets_lost": None
        if lost is None
        else [{"target": each.target, "subject": each.subject} for each in lost],
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
