"""Checks of the uplink: buses, masters and messages, and what the messages carry."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from chainplan.plan.findings import Finding, Wrong, above_zero, check_name, listed, unknown
from chainplan.plan.model import Plan
from chainplan.plan.order import copies
from chainplan.plan.problems import KeyPath
from chainplan.plan.schedule import Hazard
from chainplan.plan.schedule_checks import samples
from chainplan.plan.uplink import BusPlan, MessagePlan, UplinkPlan

MOST_MESSAGES = 256
"""Messages on one bus, copies counted: every pair of them is looked at, many times."""

_MOST_BYTES = {False: 8, True: 64}
"""Data bytes of a classic frame and of a CAN FD frame (ISO 11898-1)."""


class Sender(NamedTuple):
    """A controller of the plan, all its copies or one, or a master."""

    controller: str | None
    copies: tuple[str, ...]


def find_sender(plan: Plan, name: str) -> Sender | None:
    """Return whom a message's sender names; None for a name that nothing bears."""
    for base, controller in plan.controllers.items():
        names = copies(base, controller.count)
        if name == base:
            return Sender(base, names)
        if name in names:
            return Sender(base, (name,))
    if plan.uplink is not None and name in plan.uplink.masters:
        return Sender(None, (name,))
    return None


def check_uplink(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Yield everything wrong with the uplink, if the plan has one."""
    uplink = plan.uplink
    if wrong.unread(("uplink",)):
        return
    yield from _targets(plan, wrong)
    for name, hazard in plan.hazards.items():
        yield from _hazard(plan, wrong, hazard, ("hazards", name))
    if uplink is None:
        return
    path: KeyPath = ("uplink",)
    for name, bus in uplink.buses.items():
        yield from _bus(wrong, bus, (*path, "buses", name))
    for name, master in uplink.masters.items():
        here: KeyPath = (*path, "masters", name)
        taken = any(name in (base, *copies(base, part.count)) for base, part in plan.controllers.items())
        if taken:
            yield Finding("a controller has this name too", here, None, "names that differ", at_key=True)
        yield from above_zero(master.evaluation.period, (*here, "evaluation", "period"), "a task period")
    for name, message in uplink.messages.items():
        yield from _message(plan, wrong, uplink, message, (*path, "messages", name))
    yield from _load(plan, wrong, uplink)
    yield from _circles(uplink)


def _bus(wrong: Wrong, bus: BusPlan, path: KeyPath) -> Iterator[Finding]:
    yield from above_zero(bus.bit_rate, (*path, "bit_rate"), "a bit rate")
    yield from above_zero(bus.data_rate, (*path, "data_rate"), "a bit rate")
    rate = bus.data_rate
    if rate is not None and not wrong.within(*path, "bit_rate") and not wrong.within(*path, "data_rate"):
        pairs = zip(rate, bus.bit_rate, strict=True)
        if any(data < nominal for data, nominal in pairs):
            message = "the data phase of a CAN FD frame is not slower than the rest of it"
            yield Finding(message, (*path, "data_rate"), None, "at least the bit rate")
    yield from above_zero(bus.errors.interval, (*path, "errors", "interval"), "an interval")


def _message(
    plan: Plan, wrong: Wrong, uplink: UplinkPlan, message: MessagePlan, path: KeyPath
) -> Iterator[Finding]:
    if message.bus not in uplink.buses and not wrong.within("uplink", "buses"):
        yield unknown(message.bus, (*path, "bus"), uplink.buses, "bus")
    width = 29 if message.extended else 11
    if message.identifier >> width and not wrong.within(*path, "extended"):
        expected = f"at most {2**width - 1:#x}" + ("" if message.extended else ", or extended: yes")
        shown = hex(message.identifier)
        yield Finding(f"the identifier has more than {width} bits", (*path, "identifier"), shown, expected)
    yield from above_zero(message.period, (*path, "period"), "a period")
    yield from above_zero(message.deadline, (*path, "deadline"), "a deadline")
    yield from _data(wrong, message, path)
    yield from _sender(plan, wrong, message, path)
    yield from _content(plan, wrong, uplink, message, path)


def _data(wrong: Wrong, message: MessagePlan, path: KeyPath) -> Iterator[Finding]:
    here = (*path, "data")
    most = _MOST_BYTES[message.fd]
    if message.data.min != message.data.max:
        yield Finding("an amount of data has no tolerance", here, None, "one value, such as 8 byte")
    elif message.data.max % 8:
        yield Finding("a frame carries whole bytes", here, None, "such as 8 byte")
    elif message.data.max > 8 * most and not wrong.within(*path, "fd"):
        kind = "CAN FD" if message.fd else "classic CAN"
        yield Finding(f"a {kind} frame does not carry that much", here, None, f"at most {most} byte")


def _sender(plan: Plan, wrong: Wrong, message: MessagePlan, path: KeyPath) -> Iterator[Finding]:
    name = message.sender
    if wrong.unread((*path, "sender")):
        return
    if name is None:
        for key in ("carries", "forwards"):
            if getattr(message, key):
                text = "a message of another control unit tells nothing of this pack"
                yield Finding(text, (*path, key), None, "its `sender`", at_key=True)
        return
    if find_sender(plan, name) is None:
        base = name.rpartition("-")[0]
        unsure = any(wrong.within("controllers", each) for each in (name, base) if each)
        if unsure or wrong.within("uplink", "masters"):
            return
        choices = [*plan.controllers, *(plan.uplink.masters if plan.uplink else ())]
        yield unknown(name, (*path, "sender"), choices, "controller or master")


def _content(
    plan: Plan, wrong: Wrong, uplink: UplinkPlan, message: MessagePlan, path: KeyPath
) -> Iterator[Finding]:
    sender = find_sender(plan, message.sender) if message.sender else None
    if message.carries and message.forwards:
        text = "a message carries what its sender reads, or forwards what was reported to it"
        yield Finding(text, (*path, "forwards"), None, "one message for each", at_key=True)
    if message.carries is not None:
        yield from check_name(plan, wrong, "tasks", message.carries, (*path, "carries"))
        task = plan.tasks.get(message.carries)
        if sender is not None and sender.controller is None:
            text = "a master reads nothing itself"
            yield Finding(text, (*path, "carries"), message.carries, "forwards: [MESSAGE]")
        elif task is not None and not samples(task) and not wrong.within("tasks", message.carries):
            sampling = [name for name, each in plan.tasks.items() if samples(each)]
            text = "this task brings no samples whose age could be stated"
            yield Finding(text, (*path, "carries"), message.carries, listed(sampling))
    for number, name in enumerate(message.forwards):
        here = (*path, "forwards", number)
        other = uplink.messages.get(name)
        if other is None and not wrong.within("uplink", "messages"):
            yield unknown(name, here, uplink.messages, "message")
        elif other is not None and not (other.carries or other.forwards):
            text = "this message carries nothing that could be passed on"
            expected = "a message with `carries` or `forwards`"
            if not wrong.within("uplink", "messages", name):
                yield Finding(text, here, name, expected)
    unsure = any(wrong.unread((*path, key)) for key in ("carries", "forwards"))
    if message.evaluated and not message.carries and not unsure:
        text = "what is passed on is evaluated anyway" if message.forwards else "there is nothing to evaluate"
        yield Finding(text, (*path, "evaluated"), True, "only with `carries`", at_key=True)


def _load(plan: Plan, wrong: Wrong, uplink: UplinkPlan) -> Iterator[Finding]:
    """Yield buses with too many messages, and names and identifiers that two messages share."""
    taken: dict[tuple[str, bool, int], str] = {}
    names: dict[str, str] = {}
    numbers = dict.fromkeys(uplink.buses, 0)
    for name, message in uplink.messages.items():
        path: KeyPath = ("uplink", "messages", name)
        if wrong.within(*path) or message.bus not in numbers:
            continue
        sender = find_sender(plan, message.sender) if message.sender else None
        count = len(sender.copies) if sender else 1
        numbers[message.bus] += count
        if numbers[message.bus] > MOST_MESSAGES:
            text = f"bus `{message.bus}` has {numbers[message.bus]} messages up to this one, copies counted"
            yield Finding(text, path, None, f"at most {MOST_MESSAGES}", at_key=True)
            return
        for own in copies(name, count):
            if own in names:
                text = f"`{own}` is also a copy of `{names[own]}`"
                yield Finding(text, path, None, "names that differ", at_key=True)
                break
            names[own] = name
        last = message.identifier + (count - 1) * message.identifier_step
        width = 29 if message.extended else 11
        if last >> width:
            text = f"the identifier of copy {count} has more than {width} bits"
            yield Finding(text, (*path, "identifier"), hex(last), f"at most {2**width - 1:#x}")
            continue
        for copy in range(count):
            key = message.bus, message.extended, message.identifier + copy * message.identifier_step
            if key in taken:
                text = f"identifier {key[2]:#x} on bus `{message.bus}` is also that of `{taken[key]}`"
                yield Finding(text, (*path, "identifier"), None, "identifiers that differ")
                break
            taken[key] = name


def _circles(uplink: UplinkPlan) -> Iterator[Finding]:
    """Yield the messages that come to pass on themselves."""
    from graphlib import CycleError, TopologicalSorter  # late: most plans have no uplink

    known = uplink.messages
    graph = {name: [each for each in message.forwards if each in known] for name, message in known.items()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        circle: list[str] = error.args[1]
        text = f"this message comes to pass on itself: {' to '.join(f'`{name}`' for name in circle)}"
        path = ("uplink", "messages", circle[-1], "forwards")
        yield Finding(text, path, None, "no circle of messages", at_key=True)


def _hazard(plan: Plan, wrong: Wrong, hazard: Hazard, path: KeyPath) -> Iterator[Finding]:
    """Yield what is wrong with a hazard that is reported to another unit, which reacts."""
    unit, reported_by = hazard.reaction_at, hazard.reported_by
    if any(wrong.unread((*path, key)) for key in ("reaction_at", "reported_by")):
        return
    if reported_by is not None and unit is None:
        text = "the controller that reads it reacts, so it need not be reported"
        wanted = "reaction_at: UNIT beside it"
        yield Finding(text, (*path, "reported_by"), ", ".join(reported_by), wanted, at_key=True)
    if unit is None:
        return
    if reported_by is None:
        text = "a unit that reads nothing of this itself must have it reported"
        yield Finding(text, (*path, "reported_by"), None, "reported_by: MESSAGE", at_key=True)
    messages = plan.uplink.messages if plan.uplink else {}
    telling = [name for name, message in messages.items() if message.carries or message.forwards]
    for number, name in enumerate(reported_by or ()):
        here: KeyPath = (
            (*path, "reported_by", number) if len(reported_by or ()) > 1 else (*path, "reported_by")
        )
        if name in (reported_by or ())[:number]:
            yield Finding("this message is named twice", here, name, "each message once")
        elif name not in telling and not wrong.within("uplink"):
            word = "no message has this name" if name not in messages else "this message tells nothing"
            yield unknown(name, here, telling, "message")._replace(message=word)
    found = find_sender(plan, unit)
    if found is None or len(found.copies) > 1:
        if not wrong.within("controllers") and not wrong.within("uplink"):
            names = [name for name, part in plan.controllers.items() if part.count == 1]
            names += plan.uplink.masters if plan.uplink else ()
            yield unknown(unit, (*path, "reaction_at"), names, "single controller or master")
        return
    section = ("uplink", "masters", unit) if found.controller is None else ("controllers", found.controller)
    part = plan.controllers[found.controller] if found.controller else None
    master = plan.uplink.masters.get(unit) if plan.uplink else None
    actuators = part.actuators if part else master.actuators if master else {}
    if hazard.reaction not in actuators and not wrong.within(*section):
        finding = unknown(hazard.reaction, (*path, "reaction"), actuators, "actuator")
        yield finding._replace(message=f"`{unit}` has no actuator of this name")


def _targets(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    targets = plan.targets
    yield from above_zero(targets.uplink_load, ("targets", "uplink_load"), "a target")
    for name, age in targets.end_to_end_age.items():
        path: KeyPath = ("targets", "end_to_end_age", name)
        yield from above_zero(age, path, "a target")
        messages = plan.uplink.messages if plan.uplink else {}
        telling = [each for each, message in messages.items() if message.carries or message.forwards]
        if name not in messages and plan.uplink and not wrong.within("uplink", "messages"):
            yield unknown(name, path, telling, "message", at_key=True)
        elif name in messages and name not in telling and not wrong.within("uplink", "messages", name):
            text = "this message carries nothing whose age could be stated"
            yield Finding(text, path, None, listed(telling), at_key=True)
    for key in ("uplink_load", "end_to_end_age"):
        if plan.uplink is None and getattr(targets, key):
            yield Finding("the plan has no uplink", ("targets", key), None, "uplink: {...}", at_key=True)
