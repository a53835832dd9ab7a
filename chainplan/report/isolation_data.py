"""The isolation budget as data: segments alike in one record, with every case and every check."""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any, NamedTuple

from chainplan.budgets.isolation import IsolationBudget, SegmentIsolation
from chainplan.budgets.isolation_cases import explain, situations
from chainplan.budgets.isolation_checks import Check
from chainplan.chain.potentials import Potentials
from chainplan.quantity import VOLTAGE
from chainplan.report.group_data import group_records
from chainplan.report.units import Figure, with_unit

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]


class Case(NamedTuple):
    """A segment in one case: voltages between references and between conductors, uV."""

    case: str
    stress: int
    conductors: int
    note: str


Cases = tuple[Case, ...]


def isolation_data(evaluation: Evaluation) -> Record:
    """Return what each segment's isolation carries, case by case."""
    budget: IsolationBudget = evaluation.isolation
    potentials = Potentials(evaluation.network.strings)
    return {
        "segments": group_records(
            ((segment, _cases(evaluation, segment, potentials)) for segment in budget.segments),
            "segments",
            name=lambda pair: pair[0].segment.name,
            key=lambda pair: _key(*pair),
            record=lambda pair: _segment(*pair),
        ),
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


def _key(isolation: SegmentIsolation, cases: Cases) -> Hashable:
    """Return all that is told of a segment."""
    return (
        isolation.insulation,
        (isolation.references.voltage, isolation.references.situation.name),
        (isolation.conductors.voltage, isolation.conductors.situation.name),
        (isolation.rating, isolation.class_b, isolation.checks),
        cases,
    )


def _segment(isolation: SegmentIsolation, cases: Cases) -> Record:
    return {
        "insulation": isolation.insulation,
        "status": isolation.status,
        **volts("stress", isolation.references.voltage),
        "stress_case": isolation.references.situation.name,
        **volts("rating", isolation.rating),
        **volts("margin", isolation.margin),
        **volts("conductors", isolation.conductors.voltage),
        "conductors_case": isolation.conductors.situation.name,
        "voltage_class_B": isolation.class_b,
        "checks": [_check(check) for check in isolation.checks],
        "cases": [
            {"case": each.case, **volts("stress", each.stress), **volts("conductors", each.conductors)}
            | {"note": each.note}
            for each in cases
        ],
    }


def _cases(evaluation: Evaluation, isolation: SegmentIsolation, potentials: Potentials) -> Cases:
    network, segment = evaluation.network, isolation.segment
    found = []
    for situation in situations(network, segment, potentials):
        stress = explain(network, segment, situation, potentials)
        sizes = abs(stress.references.total), abs(stress.conductors.total)
        found.append(Case(stress.case, *sizes, stress.note))
    return tuple(found)


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
