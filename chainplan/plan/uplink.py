"""The uplink: CAN buses on which controllers tell a master or the vehicle what they have read."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from chainplan.plan.fields import (
    ZERO,
    BitRate,
    Bits,
    Count,
    CountOrNone,
    JoinedName,
    Name,
    Note,
    Part,
    Time,
    Truth,
)
from chainplan.plan.layout import Actuator, Evaluation


class BusErrors(Part):
    """Bus errors that the response times bear: `burst` at any time, and one more every `interval`."""

    burst: CountOrNone = 0
    interval: Time | None = None


class BusPlan(Part):
    """A CAN bus (ISO 11898-1). `data_rate` is that of the data phase of CAN FD frames, where it differs."""

    bit_rate: BitRate
    data_rate: BitRate | None = None
    errors: BusErrors = BusErrors.model_construct()
    note: Note = ""


class MasterPlan(Part):
    """A control unit without chains of its own: it judges what controllers tell it and tells the vehicle."""

    evaluation: Evaluation
    actuators: dict[Name, Actuator] = {}
    note: Note = ""


class MessagePlan(Part):
    """A periodic message on one bus; it is queued out of step with the scan and with other messages.

    `sender` is a controller, by its name in the plan (each copy then sends a message of its own, with the
    identifier of the one before plus `identifier_step`) or by that of one copy, or a master. A message
    without a sender is another control unit's and only loads the bus.

    It `carries` what its sender reads in one task, straight from memory or, where it is `evaluated`, as its
    evaluation has left it; or it `passes_on` what other messages have told its sender, after an evaluation.
    Where not all values fit into one frame, they go out in `turns`: each one every so many periods.

    `jitter` is the most by which its queueing lags behind its period's grid. Its `deadline`, from there to
    the end of the frame, is one period unless stated; another unit's message without one is not judged.
    """

    bus: Name
    sender: Name | None = None
    identifier: Annotated[int, Field(ge=0, lt=1 << 29, strict=True)]
    identifier_step: Count = 1
    extended: Truth = False
    fd: Truth = False
    data: Bits
    period: Time
    jitter: Time = ZERO
    deadline: Time | None = None
    carries: Name | None = None
    evaluated: Truth = False
    passes_on: Annotated[list[Name], Field(max_length=1000)] = []
    turns: Count = 1
    note: Note = ""


class UplinkPlan(Part):
    """The buses above the controllers, the masters on them and every message."""

    buses: dict[JoinedName, BusPlan]
    masters: dict[JoinedName, MasterPlan] = {}
    messages: dict[JoinedName, MessagePlan] = {}
