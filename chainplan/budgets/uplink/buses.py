"""The buses of the uplink: how loaded they are, and when their messages arrive.

Response times are those of :mod:`chainplan.budgets.uplink.can_responses` (Davis, Burns, Bril and Lukkien
2007): messages are queued out of step with one another, the lowest identifier goes first, and each control
unit always offers its most urgent message.

In the worst case the bit time is the longest, other messages come as often as they can, and every frame has
all stuff bits that it can have. The typical case has the middle of every tolerance, neither jitter nor bus
errors, and the same frames at the same critical instant.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Literal, NamedTuple

from chainplan.budgets.scanning.wire import bit_time_of
from chainplan.budgets.uplink.can_frames import BusMessage, CanBus, frame_bits, frame_time
from chainplan.budgets.uplink.can_responses import ErrorLoad, ResponseTime, response_times
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.order import copies
from chainplan.plan.uplink import BusPlan, MessagePlan, UplinkPlan
from chainplan.quantity import RATIO, TIME

DAVIS = "Davis, Burns, Bril and Lukkien, Real-Time Systems 35 (2007)"

_WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""


class Message(NamedTuple):
    """One message on its bus: `name` is its own, `family` that of the plan, shared by its copies."""

    name: str
    family: str
    sender: str
    """The sending controller or master; empty for another control unit's message."""
    plan: MessagePlan
    identifier: int
    response: Arrival
    typical_response: Arrival

    @property
    def judged(self) -> bool:
        """Tell whether it has a deadline to keep: another unit's message only where the plan says so."""
        return bool(self.sender) or self.plan.deadline is not None

    @property
    def status(self) -> Literal["met", "missed"]:
        """Return whether it keeps its deadline; one without a bound does not."""
        time = self.response.time
        return "met" if time is not None and time.total <= self.response.deadline else "missed"


class Arrival(NamedTuple):
    """The longest time from a message's release to its frame's end, None with a reason where unbounded."""

    time: Sum | None
    unbounded: str
    deadline: int
    """fs"""
    frame: Term
    """Its own frame with interframe space, fs."""


class Bus(NamedTuple):
    """One bus: its load, and its messages with the most urgent first."""

    name: str
    load: Sum
    typical_load: Sum
    messages: tuple[Message, ...]

    @property
    def families(self) -> dict[str, list[Message]]:
        """Return the messages by their names in the plan, of each family the latest to arrive first."""
        found: dict[str, list[Message]] = {}
        for message in self.messages:
            found.setdefault(message.family, []).append(message)
        for alike in found.values():
            alike.sort(
                key=lambda message: 0 if message.response.time is None else -message.response.time.total
            )
            alike.sort(key=lambda message: message.response.time is not None)
        return found


@budget
def buses(uplink: UplinkPlan | None, senders: dict[str, tuple[str, ...]]) -> dict[str, Bus]:
    """Every bus above the controllers with its messages, copies built out."""
    if uplink is None:
        return {}
    sent = list(_sent(uplink, senders))
    return {
        name: _bus(name, bus, [each for each in sent if each.plan.bus == name])
        for name, bus in uplink.buses.items()
    }


def messages_of(buses: dict[str, Bus]) -> dict[str, Message]:
    """Return every message of all buses by its name."""
    return {message.name: message for bus in buses.values() for message in bus.messages}


class _Sent(NamedTuple):
    """A message before its bus is looked at."""

    name: str
    family: str
    sender: str
    plan: MessagePlan
    identifier: int

    def on_bus(self, case: Case) -> BusMessage:
        """Return the message as the bus sees it: in the worst case as often and as late as it can come."""
        plan = self.plan
        worst = case is Case.WORST
        period = plan.period.min if worst else plan.period.typical
        deadline = period if plan.deadline is None else plan.deadline.min
        return BusMessage(
            self.name,
            self.identifier,
            plan.data.max // 8,
            plan.extended,
            period,
            plan.jitter.max if worst else 0,
            deadline,
            plan.fd,
        )


def _sent(uplink: UplinkPlan, senders: dict[str, tuple[str, ...]]) -> Iterator[_Sent]:
    for family, message in uplink.messages.items():
        names = senders[message.sender] if message.sender else ("",)
        for number, (own, name) in enumerate(zip(copies(family, len(names)), names, strict=True)):
            yield _Sent(own, family, name, message, message.identifier + number * message.identifier_step)


def _bus(name: str, bus: BusPlan, sent: list[_Sent]) -> Bus:
    by_name = {each.name: each for each in sent}
    worst, typical = (_arrivals(bus, sent, case) for case in (Case.WORST, Case.TYPICAL))
    return Bus(
        name,
        _load(name, bus, sent, Case.WORST),
        _load(name, bus, sent, Case.TYPICAL),
        tuple(
            Message(
                own,
                by_name[own].family,
                by_name[own].sender,
                by_name[own].plan,
                by_name[own].identifier,
                arrival,
                typical[own],
            )
            for own, arrival in worst.items()
        ),
    )


def can_bus(bus: BusPlan, case: Case) -> CanBus:
    """Return the bit times of a bus in one case, fs."""
    data = bit_time_of(bus.data_rate)[case] if bus.data_rate is not None else None
    return CanBus(bit_time_of(bus.bit_rate)[case], data)


def error_load(bus: BusPlan) -> ErrorLoad:
    """Return the bus errors that the response times must bear."""
    interval = bus.errors.interval
    return ErrorLoad(bus.errors.burst, None if interval is None else interval.min)


def _load(name: str, bus: BusPlan, sent: list[_Sent], case: Case) -> Sum:
    wire = can_bus(bus, case)
    terms = []
    for each in sent:
        message = each.on_bus(case)
        busy = frame_time(wire, message)
        terms.append(Term(f"message {each.name}", -(-busy * _WHOLE // message.period)))
    formula = "longest frame / shortest period, of every message"
    return Sum(f"load of {name}", RATIO, nonzero(*terms), formula)


def _arrivals(bus: BusPlan, sent: list[_Sent], case: Case) -> dict[str, Arrival]:
    wire = can_bus(bus, case)
    errors = error_load(bus) if case is Case.WORST else None
    found = _analysed(wire, tuple(each.on_bus(case) for each in sent), errors)
    return {each.message.name: _arrival(wire, each) for each in found}


@lru_cache(maxsize=64)
def _analysed(
    wire: CanBus, messages: tuple[BusMessage, ...], errors: ErrorLoad | None
) -> tuple[ResponseTime, ...]:
    """Return the response times on a bus, kept: most changes to a plan leave its buses as they are."""
    return response_times(wire, messages, errors)


def _arrival(wire: CanBus, found: ResponseTime) -> Arrival:
    message = found.message
    frame = Term("its own frame", found.frame, parts=_frame_parts(wire, message))
    if found.response is None:
        return Arrival(None, found.unbounded or "", message.deadline, frame)
    instance = found.instance or 0
    terms = nonzero(
        Term("lag of its queueing", found.jitter),
        Term(f"longest frame of lower priority, {found.blocked_by}", found.blocking),
        *(
            Term(f"frames of {other.name}, which goes first", other.time // other.frames, other.frames)
            for other in found.interference
            if other.frames
        ),
        Term("bus errors and frames sent again", found.errors or 0),
        Term("its own frames queued before", found.frame, instance),
        frame,
        Term("released so much after the first of them", -message.period, instance),
    )
    formula = "lag + blocking + frames that go first + errors + own frame"
    return Arrival(
        Sum(f"response time of {message.name}", TIME, terms, formula, DAVIS), "", message.deadline, frame
    )


def _frame_parts(wire: CanBus, message: BusMessage) -> tuple[Term, ...]:
    """Return a frame's bits, at their rates, with the most stuff bits."""
    bits = frame_bits(wire, message)
    data_bit = wire.data_bit or 0
    return nonzero(
        Term("bits at the bit rate", wire.nominal_bit, bits.nominal),
        Term("stuff bits at the bit rate", wire.nominal_bit, bits.nominal_stuff),
        Term("bits for bus delays", wire.nominal_bit, bits.late),
        Term("bits at the data rate", data_bit, bits.data),
        Term("stuff bits at the data rate", data_bit, bits.data_stuff + bits.fixed_stuff),
    )


BUS_LOAD = Kind[Bus](
    "uplink load",
    RATIO,
    ("bus",),
    "uplink",
    lambda bus: bus.load,
    lambda bus: bus.typical_load,
    named="uplink/{}",
    target="uplink_load",
)


@BUS_LOAD.of
def bus_loads(buses: dict[str, Bus]) -> Iterator[Figure]:
    """Busy share of a bus above the controllers."""
    for name, bus in buses.items():
        yield BUS_LOAD(name, item=bus)


RESPONSE_TIME = Kind[Message](
    "response time",
    TIME,
    ("bus", "message"),
    "uplink",
    lambda message: message.response.time,
    lambda message: message.typical_response.time,
    named=lambda message: f"uplink/{message.plan.bus}/{message.name}",
    where=lambda message: "" if message.name == message.family else message.name,
    asked=lambda plan: plan.uplink,
)


@RESPONSE_TIME.of
def response_times_judged(buses: dict[str, Bus]) -> Iterator[Figure]:
    """From a message's release to its frame's end, of the copy that arrives last. Always checked."""
    for name, bus in buses.items():
        for family, copies_of_it in bus.families.items():
            message = copies_of_it[0]
            if not message.judged:
                continue
            limit, where = message.response.deadline, "" if message.name == family else message.name
            if message.response.time is not None:
                yield RESPONSE_TIME(name, family, item=message, limit=limit)
            else:
                why = message.response.unbounded
                yield RESPONSE_TIME(name, family, limit=limit, where=where, note=why, boundless=True)


MESSAGE_RESPONSE = Kind[Message](
    "response time of a message",
    TIME,
    ("bus", "message"),
    "uplink",
    lambda message: message.response.time,
    lambda message: message.typical_response.time,
    named="uplink/{}/{}",
)


@MESSAGE_RESPONSE.of
def message_responses(buses: dict[str, Bus]) -> Iterator[Figure]:
    """From a message's release to its frame's end, copy by copy."""
    for name, bus in buses.items():
        for message in bus.messages:
            if message.response.time is not None:
                yield MESSAGE_RESPONSE(name, message.name, item=message)
