"""The isolation budget as data: nodes with their potentials, segments with every case and every check."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chainplan.budgets.isolation import ChainIsolation, IsolationBudget, SegmentIsolation
from chainplan.budgets.isolation_cases import explain, situations
from chainplan.budgets.isolation_checks import Check
from chainplan.chain.potentials import Potentials
from chainplan.quantity import VOLTAGE
from chainplan.report.units import Figure, with_unit

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]


def isolation_data(evaluation: Evaluation) -> Record:
    """Return what each segment's isolation carries, case by case."""
    budget: IsolationBudget = evaluation.isolation
    potentials = Potentials(evaluation.network.strings)
    return {
        "chains": [_chain(evaluation, chain, potentials) for chain in budget.chains.values()],
        "straddled_boards": [
            {
                "board": board.board,
                "node": board.node,
                "string": board.string,
                "opening": board.opening.name,
                **with_unit("voltage", board.voltage, VOLTAGE),
            }
            for board in budget.straddled
        ],
        "notes": list(budget.notes),
    }


def _chain(evaluation: Evaluation, chain: ChainIsolation, potentials: Potentials) -> Record:
    return {
        "chain": chain.chain.name,
        "nodes": [
            {
                "node": rung.node,
                "string": rung.string,
                **with_unit("reference", rung.reference, VOLTAGE),
                **with_unit("top", rung.top, VOLTAGE),
            }
            for rung in chain.ladder
        ],
        "segments": [_segment(evaluation, segment, potentials) for segment in chain.segments],
    }


def _segment(evaluation: Evaluation, isolation: SegmentIsolation, potentials: Potentials) -> Record:
    segment = isolation.segment
    return {
        "segment": segment.name,
        "near": segment.near,
        "far": segment.far,
        "insulation": segment.insulation,
        "status": isolation.status,
        **volts("stress", isolation.references.voltage),
        "stress_case": isolation.references.situation.name,
        **volts("rating", isolation.rating),
        **volts("margin", isolation.margin),
        **volts("conductors", isolation.conductors.voltage),
        "conductors_case": isolation.conductors.situation.name,
        "voltage_class_B": isolation.class_b,
        "checks": [_check(check) for check in isolation.checks],
        "cases": _cases(evaluation, isolation, potentials),
    }


def _cases(evaluation: Evaluation, isolation: SegmentIsolation, potentials: Potentials) -> list[Record]:
    network, segment = evaluation.network, isolation.segment
    found = []
    for situation in situations(network, segment, potentials):
        stress = explain(network, segment, situation, potentials)
        found.append(
            {
                "case": stress.case,
                **volts("stress", abs(stress.references.total)),
                **volts("conductors", abs(stress.conductors.total)),
                "note": stress.note,
            }
        )
    return found


def _check(check: Check) -> Record:
    return {
        "subject": check.subject,
        "place": check.place,
        "status": check.status,
        **volts("voltage", check.voltage),
        **with_unit("needed", check.needed, check.dimension),
        **with_unit("offered", check.offered, check.dimension),
        **with_unit("margin", check.margin, check.dimension),
        "rule": check.rule,
        "note": check.note,
        "reason": check.reason,
    }


def volts(key: str, ticks: int | None) -> dict[str, Figure]:
    """Return one entry of a voltage."""
    return with_unit(key, ticks, VOLTAGE)
