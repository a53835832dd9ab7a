"""The uplink: CAN buses on which controllers tell a master or the vehicle what they have read."""

from __future__ import annotations

from typing import Annotated, Literal

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
from chainplan.plan.layout import Actuator, EvaluationPlan


class BusErrors(Part):
    """Bus errors that the response times bear: `burst` at any time, and one more every `interval`."""

    burst: CountOrNone = 0
    """So many at any time."""
    interval: Time | None = None
    """And one more every so often. Left out: no more."""


class BusPlan(Part):
    """A CAN bus (ISO 11898-1). `data_rate` is that of the data phase of CAN FD frames, where it differs."""

    bit_rate: BitRate
    """Bit rate of the bus."""
    data_rate: BitRate | None = None
    """Bit rate of the data phase of CAN FD frames. Left out: `bit_rate`."""
    errors: BusErrors = BusErrors.model_construct()
    """Bus errors that the response times bear. Left out: no errors."""
    note: Note = ""
    """Free text for readers of the plan."""


class MasterPlan(Part):
    """A control unit without chains of its own: it judges what controllers tell it and tells the vehicle."""

    evaluation: EvaluationPlan
    """As of a controller."""
    actuators: dict[Name, Actuator] = {}
    """As of a controller."""
    note: Note = ""
    """Free text for readers of the plan."""


class MessagePlan(Part):
    """A periodic message on one bus; it is queued out of step with the scan and with other messages.

    `sender` is a controller, by its name in the plan (each copy then sends a message of its own, with the
    identifier of the one before plus `identifier_step`) or by that of one copy, or a master. A message
    without a sender is another control unit's and only loads the bus.

    It `carries` what its sender reads in one task, straight from memory or, where it is `evaluated`, as its
    evaluation has left it; or it `forwards` what other messages have reported to its sender, after an
    evaluation. Where not all values fit into one frame, they go out in `multiplexed_over`: each one every so
    many periods. A unit that evaluates them sees every turn only if it evaluates between any two frames, or
    they are `queued`.

    `jitter` is the most by which its queueing lags behind its period's grid. Its `deadline`, from there to
    the end of the frame, is one period unless stated; another unit's message without one is not judged.
    """

    bus: Name
    """The bus it goes on."""
    sender: Name | None = None
    """A controller (each copy sends a message of its own) or a master. Without one the message only loads the
    bus.
    """
    identifier: Annotated[int, Field(ge=0, lt=1 << 29, strict=True)]
    """Identifier, such as `0x120`; the lowest goes first."""
    identifier_step: Count = 1
    """From one copy's identifier to the next one's."""
    extended: Truth = False
    """29-bit identifier."""
    fd: Truth = False
    """CAN FD frame."""
    data: Bits
    """Whole bytes: up to 8, with `fd` up to 64."""
    period: Time
    """How often it is sent, not in step with the scan."""
    jitter: Time = ZERO
    """How late it can be queued."""
    deadline: Time | None = None
    """Until the end of the frame; a message without a sender is judged only if this is given. Left out:
    `period`.
    """
    carries: Name | None = None
    """The task whose readings it tells. Left out: nothing of the pack."""
    evaluated: Truth = False
    """`yes`: as the evaluation has left them; `no`: straight from memory."""
    forwards: Annotated[list[Name], Field(max_length=1000)] = []
    """Messages whose content it passes on after an evaluation."""
    multiplexed_over: Count = 1
    """Values go out multiplexed over so many frames where one frame cannot carry all."""
    received: Literal["newest", "queued"] = "newest"
    """What a control unit of the plan finds at its evaluation: the `newest` frame only, or all that have come
    since its last one.
    """
    note: Note = ""
    """Free text for readers of the plan."""


class UplinkPlan(Part):
    """The buses above the controllers, the masters on them and every message."""

    buses: dict[JoinedName, BusPlan]
    """CAN buses (ISO 11898-1)."""
    masters: dict[JoinedName, MasterPlan] = {}
    """Control units without chains of their own: they judge what controllers tell them, and tell others."""
    messages: dict[JoinedName, MessagePlan] = {}
    """Periodic messages."""
