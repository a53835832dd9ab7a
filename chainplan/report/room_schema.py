"""The shape of two rooms in the results: what the tasks cover, and the uplink."""

from __future__ import annotations

from typing import Literal

from chainplan.report.record_schema import ResultRecord


class IntervalData(ResultRecord):
    """How often a task runs on a controller at least, from begin to begin."""

    controller: str
    task: str
    worst_s: float
    typical_s: float


class GapData(ResultRecord):
    """Boards of one string on which nothing shows a kind of hazard."""

    string: str
    boards: list[int]
    """Positions in the string."""
    whole_string: bool
    not_covered: int
    """Cells or nodes."""
    reason: str


class CoveredKindData(ResultRecord):
    """How far one kind of hazard is covered."""

    kind: str
    counted: Literal["cell", "node"]
    total: int
    covered: int
    tasks: list[str]
    interval: IntervalData | None
    """The test of the place that is tested least often; null where nothing is."""
    hazards: list[str]
    """Hazards of this kind in the plan."""
    gaps: list[GapData]


class IdleTaskData(ResultRecord):
    """A task that shows no hazard of the plan."""

    task: str
    reason: str


class CoverageData(ResultRecord):
    """Which hazards the tasks cover, how often and where."""

    kinds: list[CoveredKindData]
    intervals: list[IntervalData]
    idle_tasks: list[IdleTaskData]


class MessageData(ResultRecord):
    """One message on a bus; times are null where there is no bound, and status where nothing is asked."""

    message: str
    family: str
    """Its name in the plan, shared by the copies of a controller."""
    sender: str | None
    """Null for another control unit's message."""
    identifier: int
    extended: bool
    CAN_FD: bool
    frame_s: float
    response_worst_s: float | None
    response_typical_s: float | None
    deadline_s: float | None
    status: Literal["met", "missed"] | None
    unbounded: str


class BusData(ResultRecord):
    """One bus, its messages with the most urgent first."""

    bus: str
    load_worst_ratio: float
    load_typical_ratio: float
    messages: list[MessageData]


class AgeData(ResultRecord):
    """How old what a message tells of one controller's task gets where it is received."""

    message: str
    controller: str
    task: str
    path: list[str]
    passed_on: bool
    """Whether another message carries it further."""
    age_worst_s: float | None
    age_typical_s: float | None
    figure: str
    unbounded: str


class UplinkData(ResultRecord):
    """The buses above the controllers."""

    buses: list[BusData]
    ages: list[AgeData]
