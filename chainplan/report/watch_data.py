"""What the tasks cover, and what is told above the controllers, as data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from chainplan.budgets.uplink.buses import Message
from chainplan.budgets.uplink.end_to_end_age import passed_on
from chainplan.budgets.values.monitoring import KindMonitoring
from chainplan.figures.units import Time

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation


class GapRecord(NamedTuple):
    """Boards of one string on which nothing shows a kind of hazard."""

    string: str
    boards: list[int]
    """Positions in the string."""
    whole_string: bool
    not_covered: int
    """Cells or nodes."""
    reason: str


class MonitoringRecord(NamedTuple):
    """How far one kind of hazard is covered."""

    kind: str
    counted: Literal["cell", "node"]
    total: int
    covered: int
    tasks: list[str]
    tested_least_often_by: str | None
    """Task that tests the place that is tested least often; null where nothing is."""
    hazards: list[str]
    """Hazards of this kind in the plan."""
    gaps: list[GapRecord]


def monitoring_record(kind: KindMonitoring) -> MonitoringRecord:
    """Return how far one kind of hazard is covered."""
    return MonitoringRecord(
        kind.kind,
        kind.unit,
        kind.total,
        kind.covered.total,
        list(dict.fromkeys(test.task for test in kind.tests)),
        None if kind.slowest is None else f"{kind.slowest.controller}, {kind.slowest.task}",
        [hazard.hazard for hazard in kind.hazards],
        [GapRecord(gap.string, list(gap.boards), gap.whole, gap.units, gap.reason) for gap in kind.gaps],
    )


class MessageRecord(NamedTuple):
    """One message on a bus, the most urgent first. Copies of one message are judged together, as a figure."""

    bus: str
    message: str
    family: str
    """Its name in the plan, shared by the copies of a controller."""
    sender: str | None
    """Null for another control unit's message."""
    identifier: int
    extended: bool
    CAN_FD: bool  # as ISO 11898-1 calls it
    frame: Time
    response_worst: Time | None
    """Null where it has no bound."""
    response_typical: Time | None
    deadline: Time | None
    """Null where nothing is asked."""
    unbounded: str
    """Why its response time has no bound."""
    passed_on: bool
    """Whether another message carries it further."""


def message_records(evaluation: Evaluation) -> list[MessageRecord]:
    """Return every message on the buses above the controllers."""
    further = passed_on(evaluation.plan.uplink)
    return [
        _message(name, message, message.family in further)
        for name, bus in evaluation.buses.items()
        for message in bus.messages
    ]


def _message(bus: str, message: Message, further: bool) -> MessageRecord:
    arrival, usual = message.response, message.typical_response
    return MessageRecord(
        bus,
        message.name,
        message.family,
        message.sender or None,
        message.identifier,
        message.plan.extended,
        message.plan.fd,
        arrival.frame.total,
        arrival.time.total if arrival.time else None,
        usual.time.total if usual.time else None,
        arrival.deadline if message.judged else None,
        arrival.unbounded,
        further,
    )
