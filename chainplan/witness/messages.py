"""What the nodes and the host say to one another: the content of every frame, in bits.

Content is filled up to whole characters and closed by the protocol's check; framing is the wire's
affair. Amounts of data are taken at their largest, for a frame's length is fixed when the plan is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain as chained
from typing import Literal, NamedTuple

from chainplan.chain.ends import from_back
from chainplan.chain.network import Chain, Controller, Node
from chainplan.plan.parts import Conversion, Protocol
from chainplan.plan.readings import READINGS, is_block, values_at
from chainplan.plan.schedule import Task
from chainplan.quantity import Span

Style = Literal["write", "summation", "sequential", "polled"]


@dataclass(frozen=True, slots=True)
class WireMessage:
    """A request and the answers to it on one chain.

    ``answers`` are bits of content per node from the head on; a polled message has one, of node
    ``polled``. ``carried`` pairs each node whose samples the answers carry with the places of these
    in its conversion sequence.
    """

    chain: int
    style: Style
    request: int
    answers: tuple[int, ...] = ()
    polled: int = -1
    carried: tuple[tuple[int, range], ...] = ()
    frames: tuple[int, ...] = ()
    """The frames that pass the head port, in bit times."""

    @property
    def asks(self) -> bool:
        """Tell whether an answer is expected."""
        return bool(self.answers)

    @classmethod
    def framed(
        cls,
        protocol: Protocol,
        chain: int,
        style: Style,
        request: int,
        answers: tuple[int, ...] = (),
        polled: int = -1,
        carried: tuple[tuple[int, range], ...] = (),
    ) -> WireMessage:
        """Return a message with its frames: one of request and all answers in a summation."""
        contents = [request + sum(answers)] if style == "summation" else [request, *answers]
        frames = tuple(bits_on_wire(protocol, content) for content in contents)
        return cls(chain, style, request, answers, polled, carried, frames)


class Sensor(NamedTuple):
    """The conversion a node performs for a task, on how many channels, and how long it settles before.

    `pause` is the time from the trigger's arrival until balancing has been stopped and has died away.
    """

    conversion: Conversion
    channels: int
    pause: Span


_NONE = Span(0, 0, 0)

_AT_ONCE = Conversion.model_construct(time=_NONE)
"""What a node does that looks at itself when it is asked: no conversion goes before."""


@dataclass(frozen=True)
class Work:
    """What one task does on one controller. `triggers` and `reads` are the ports' lists of messages.

    ``sensors[c][k]`` is what node k of chain c samples for the task, or None.
    """

    name: str
    task: Task
    triggers: dict[str, list[WireMessage]]
    reads: dict[str, list[WireMessage]]
    sensors: dict[int, list[Sensor | None]]
    turns: bool = False
    """Whether it turns rings round: those that it asks by their back port."""

    @property
    def wait(self) -> int:
        """Return the time the host is told to wait for the conversions: the longest of all, fs."""
        return self.longest_conversion if self.task.kind == "measure" and not self.task.overlap else 0

    @property
    def longest_conversion(self) -> int:
        """Return the longest time from a trigger to ready results of any of the nodes, fs."""
        found = [sensor for sensors in self.sensors.values() for sensor in sensors if sensor]
        free = self.task.kind == "read"  # the round that goes on ends, then a whole one
        rounds = [2 if free and each.conversion.publishes == "whole round" else 1 for each in found]
        times = [each.conversion.time.max * count for each, count in zip(found, rounds, strict=True)]
        return max((each.pause.max + time for each, time in zip(found, times, strict=True)), default=0)


def simulated_chains(controller: Controller, tasks: dict[str, Task]) -> tuple[Chain, ...]:
    """Return the chains that messages go along: a controller's own, then rings the other way round.

    Those are the rings that some task asks by their back port; `ring` of each says which one it is.
    """
    turned = [
        from_back(chain)._replace(ring=chain.name)
        for chain in controller.chains
        if chain.back is not None
        and any(task.sent_from == "back" and _runs_on(task, chain) for task in tasks.values())
    ]
    return (*controller.chains, *turned)


def _runs_on(task: Task, chain: Chain) -> bool:
    return task.chains is None or chain.name in task.chains or chain.family in task.chains


def lay_out(controller: Controller, tasks: dict[str, Task]) -> list[Work]:
    """Lay out the work of a controller, in the plan's order of tasks; idle tasks are left out."""
    chains = simulated_chains(controller, tasks)
    turned = {chain.ring: number for number, chain in enumerate(chains) if chain.ring}
    found = []
    for name, task in tasks.items():
        work = Work(name, task, {}, {}, {})
        for own, chain in enumerate(controller.chains):
            if _runs_on(task, chain):
                number = turned.get(chain.name, own) if task.sent_from == "back" else own
                _add_chain(work, number, chains[number])
        if work.reads:
            asked = {message.chain for messages in work.reads.values() for message in messages}
            found.append(replace(work, turns=not asked.isdisjoint(turned.values())))
    return found


def _add_chain(work: Work, number: int, chain: Chain) -> None:
    task, protocol = work.task, chain.protocol
    if task.kind == "write":
        command = _filled(protocol, protocol.write.max + task.data.max + protocol.check.width.max)
        work.reads.setdefault(chain.head, []).append(WireMessage.framed(protocol, number, "write", command))
        return
    reads = _reads(number, chain, task)
    if not reads:
        return
    work.reads.setdefault(chain.head, []).extend(reads)
    work.sensors[number] = [_sensor(task, node) for node in chain.nodes]
    if task.kind == "measure":
        command = _filled(protocol, protocol.write.max + protocol.check.width.max)
        work.triggers.setdefault(chain.head, []).append(
            WireMessage.framed(protocol, number, "write", command)
        )


def _sensor(task: Task, node: Node) -> Sensor | None:
    conversion = node.type.conversions.get(task.conversion or task.reads)
    if conversion is None and is_block(task.reads) and READINGS[task.reads].shows:
        return Sensor(_AT_ONCE, 1, _NONE)
    if conversion is None:
        return None
    balancing = node.type.balancing
    pause = balancing.settling if balancing and task.pause_balancing else _NONE
    return Sensor(conversion, _wired(task, node), pause)


def _wired(task: Task, node: Node) -> int:
    """Return the number of a node's channels that a task is about; of a block that shows no hazard none."""
    shows = READINGS[task.reads].shows
    return values_at(task.reads, node.cells, node.temperatures) if shows else 0


def _sent(task: Task, node: Node) -> int:
    """Return the number of values a node sends, those of its unwired inputs included if it must."""
    if task.sends == "wired inputs":
        return _wired(task, node)
    return values_at(task.reads, node.type.cell_inputs, node.type.temperature_inputs)


def _reads(number: int, chain: Chain, task: Task) -> list[WireMessage]:
    """Return the messages that fetch a task's values from one chain, one block of values after another.

    Where no node has anything to say nothing is asked; a polled node that has not is not asked itself.
    """
    protocol = chain.protocol
    style = task.read_style or protocol.read_style
    request = _filled(protocol, protocol.request.max + protocol.check.width.max)
    value = task.value.max if task.value else 0
    messages = []
    for block in _blocks(task, chain):
        answers: list[int] = []
        given: dict[int, tuple[tuple[int, range], ...]] = {}  # nodes with something to say, their samples
        for k, node in enumerate(chain.nodes):
            wired = range(block.start, min(block.stop, _wired(task, node)))
            sent = max(0, min(block.stop, _sent(task, node)) - block.start)
            data = task.data.max if is_block(task.reads) else sent * value
            data += protocol.check.width.max + (task.freshness or 0)
            answers.append(_filled(protocol, protocol.answer.max + data))
            if wired or is_block(task.reads):
                given[k] = ((k, wired),) if wired and _sensor(task, node) else ()
        if style == "polled":
            messages += [
                WireMessage.framed(protocol, number, style, request, (answers[k],), k, samples)
                for k, samples in given.items()
            ]
        elif given:
            carried = tuple(chained.from_iterable(given.values()))
            messages.append(
                WireMessage.framed(protocol, number, style, request, tuple(answers), carried=carried)
            )
    return messages


def _blocks(task: Task, chain: Chain) -> list[range]:
    """Return the values fetched by each read, by their place among a node's values."""
    if is_block(task.reads):
        return [range(1)]
    most = max(_sent(task, node) for node in chain.nodes)
    size = task.values_per_read or max(most, 1)
    return [range(first, first + size) for first in range(0, most, size)]


def _filled(protocol: Protocol, bits: int) -> int:
    """Return bits of content filled up to whole characters."""
    data = protocol.character.data.max
    return (bits + data - 1) // data * data


def characters(protocol: Protocol, content: int) -> int:
    """Return the number of characters in a frame of `content` bits; short content is padded."""
    data = protocol.character.data.max
    return (max(content, protocol.shortest_frame.max) + data - 1) // data


def bits_on_wire(protocol: Protocol, content: int) -> int:
    """Return the bit times a frame takes: preamble, characters with start and stop bits, trailer."""
    body = characters(protocol, content) * protocol.character.wire.max
    return protocol.preamble.max + body + protocol.trailer.max
