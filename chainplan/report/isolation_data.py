"""The isolation budget as data: segments alike in one record, with every case and every check."""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, NamedTuple

from chainplan.budgets.isolation.cases import stresses
from chainplan.budgets.isolation.checks import Check
from chainplan.budgets.isolation.segments import SegmentIsolation, potentials_of
from chainplan.chain.potentials import Potentials
from chainplan.figures.figure import Status
from chainplan.figures.units import Voltage
from chainplan.report.alike import gathered
from chainplan.report.units import Number, number, unit_of

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation


class CombinationRecord(NamedTuple):
    """A segment under one combination of conditions: between references (`stress`) and between conductors."""

    combination: str
    stress: Voltage
    stress_case: str
    conductors: Voltage
    conductors_case: str


class CheckRecord(NamedTuple):
    """One figure of a segment's isolation, required and provided, in its unit."""

    subject: str
    place: str
    status: Status
    voltage: Voltage
    """What the need rests upon."""
    unit: str
    required: Number
    provided: Number
    margin: Number
    rule: str
    note: str
    reason: str
    """Why there is nothing to compare."""


class SegmentsRecord(NamedTuple):
    """Segments alike: the worst stress of each against its barriers' rating, and every combination."""

    segments: list[str]
    insulation: str
    status: Status
    stress: Voltage
    stress_case: str
    rating: Voltage | None
    margin: Voltage | None
    conductors: Voltage
    conductors_case: str
    transient_stress: Voltage
    """With arc and overshoot, which are gone after milliseconds."""
    transient_conductors: Voltage
    voltage_class_B: bool  # noqa: N815  # as ISO 6469-3 writes it
    checks: list[CheckRecord]
    combinations: list[CombinationRecord]
    """What lasts, combination by combination."""


class StraddledRecord(NamedTuple):
    """A board whose cells lie on both sides of a break."""

    board: str
    node: str
    string: str
    opening: str
    voltage: Voltage


class IsolationRecord(NamedTuple):
    """What each segment's isolation carries."""

    segments: list[SegmentsRecord]
    straddled_boards: list[StraddledRecord]
    notes: list[str]


_Told = tuple[SegmentIsolation, tuple[CombinationRecord, ...]]


def isolation_record(evaluation: Evaluation) -> IsolationRecord:
    """Return what each segment's isolation carries, case by case."""
    budget = evaluation.isolation
    potentials = potentials_of(evaluation.network.strings, evaluation.plan.insulation).lasting
    told = [(segment, _cases(evaluation, segment, potentials)) for segment in budget.segments]
    return IsolationRecord(
        [_segments([each for each, _ in alike], alike[0][1]) for alike in gathered(told, _key)],
        [
            StraddledRecord(board.board, board.node, board.string, board.opening.name, board.voltage)
            for board in budget.straddled
        ],
        list(budget.notes),
    )


def _key(told: _Told) -> Hashable:
    """Return all that is told of a segment."""
    isolation, cases = told
    voltages = isolation[2:6]
    return (
        isolation.insulation,
        tuple(each.situation.rises for each in voltages),
        (isolation.references.voltage, isolation.references.situation.name),
        (isolation.conductors.voltage, isolation.conductors.situation.name),
        (isolation.transient_references.voltage, isolation.transient_conductors.voltage),
        (isolation.rating, isolation.class_b, isolation.checks),
        cases,
    )


def _segments(alike: list[SegmentIsolation], cases: tuple[CombinationRecord, ...]) -> SegmentsRecord:
    isolation = alike[0]
    return SegmentsRecord(
        [each.segment.name for each in alike],
        isolation.insulation,
        isolation.status,
        isolation.references.voltage,
        isolation.references.situation.name,
        isolation.rating,
        isolation.margin,
        isolation.conductors.voltage,
        isolation.conductors.situation.name,
        isolation.transient_references.voltage,
        isolation.transient_conductors.voltage,
        isolation.class_b,
        [_check(check) for check in isolation.checks],
        list(cases),
    )


def _cases(
    evaluation: Evaluation, isolation: SegmentIsolation, potentials: Potentials
) -> tuple[CombinationRecord, ...]:
    network, segment = evaluation.network, isolation.segment
    return tuple(
        CombinationRecord(
            each.combination,
            each.references.voltage,
            each.references.situation.name,
            each.conductors.voltage,
            each.conductors.situation.name,
        )
        for each in stresses(network, segment, potentials)
    )


def _check(check: Check) -> CheckRecord:
    figures = (check.required, check.provided, check.margin)
    required, provided, margin = (number(each, check.dimension) for each in figures)
    return CheckRecord(
        check.subject,
        check.place,
        check.status,
        check.voltage,
        unit_of(check.dimension),
        required,
        provided,
        margin,
        check.rule,
        check.note,
        check.reason,
    )
