"""Verdicts: each target beside the figure it limits, budget by budget.

A room is a function from an evaluation to its verdicts. It works out nothing that no target asks for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

from chainplan.verdicts.coverage import coverage_verdicts
from chainplan.verdicts.faults import fault_verdicts
from chainplan.verdicts.isolation import isolation_verdicts
from chainplan.verdicts.standby import STANDBY_ROOMS
from chainplan.verdicts.timing import latency_verdicts, sample_verdicts, scan_verdicts
from chainplan.verdicts.traffic import traffic_verdicts
from chainplan.verdicts.uplink import uplink_verdicts
from chainplan.verdicts.verdict import Verdict
from chainplan.verdicts.wire import WIRE_ROOMS

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Room = Callable[["Evaluation"], Iterator[Verdict]]

SCANNING: tuple[Room, ...] = (scan_verdicts, sample_verdicts, traffic_verdicts, latency_verdicts)
"""The rooms of what depends on how the chains are scanned, and so can change after a fault."""

WALKS: tuple[Room, ...] = (fault_verdicts,)
"""The rooms that walk through every single fault, and so take longer than all others together."""

ROOMS: tuple[Room, ...] = (
    *SCANNING,
    isolation_verdicts,
    *WALKS,
    *STANDBY_ROOMS,
    coverage_verdicts,
    *WIRE_ROOMS,
    uplink_verdicts,
)
"""Every room, in the order of the report: a new budget adds its line here."""


def judge(evaluation: Evaluation, rooms: Iterable[Room] = ROOMS) -> tuple[Verdict, ...]:
    """Hold every figure against its target, in the order of the report; or only those of some rooms."""
    return tuple(verdict for room in rooms for verdict in room(evaluation))
