"""What the nodes and the host say to one another: the content of every frame, in bits.

Content is filled up to whole characters and closed by the protocol's check; framing is the wire's
affair. Amounts of data are taken at their largest, for a frame's length is fixed when the plan is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from chainplan.chain.network import Chain, Controller, Node
from chainplan.plan.parts import Conversion, Protocol
from chainplan.plan.schedule import Task

Style = Literal["write", "summation", "sequential", "polled"]


@dataclass(frozen=True, slots=True)
class Message:
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

    @property
    def asks(self) -> bool:
        """Tell whether an answer is expected."""
        return bool(self.answers)


@dataclass(frozen=True)
class Work:
    """What one task does on one controller. `triggers` and `reads` are the ports' lists of messages.

    ``sensors[c][k]`` is the conversion that node k of chain c performs for the task and the number of
    its channels, or None.
    """

    name: str
    task: Task
    triggers: dict[str, list[Message]]
    reads: dict[str, list[Message]]
    sensors: dict[int, list[tuple[Conversion, int] | None]]

    @property
    def wait(self) -> int:
        """Return the time the host is told to wait for the conversions: the longest of all, fs."""
        if self.task.kind != "measure" or self.task.overlap:
            return 0
        found = [sensor for sensors in self.sensors.values() for sensor in sensors if sensor]
        return max((conversion.time.max for conversion, _ in found), default=0)


def lay_out(controller: Controller, tasks: dict[str, Task]) -> list[Work]:
    """Lay out the work of a controller, in the plan's order of tasks; idle tasks are left out."""
    found = []
    for name, task in tasks.items():
        work = Work(name, task, {}, {}, {})
        for number, chain in enumerate(controller.chains):
            if task.chains is None or chain.name in task.chains or chain.family in task.chains:
                _add_chain(work, number, chain)
        if work.reads:
            found.append(work)
    return found


def _add_chain(work: Work, number: int, chain: Chain) -> None:
    task, protocol = work.task, chain.protocol
    if task.kind == "write":
        command = _filled(protocol, protocol.write.max + task.data.max + protocol.check.width.max)
        work.reads.setdefault(chain.head, []).append(Message(number, "write", command))
        return
    reads = _reads(number, chain, task)
    if not reads:
        return
    work.reads.setdefault(chain.head, []).extend(reads)
    work.sensors[number] = [_sensor(task, node) for node in chain.nodes]
    if task.kind == "measure":
        command = _filled(protocol, protocol.write.max + protocol.check.width.max)
        work.triggers.setdefault(chain.head, []).append(Message(number, "write", command))


def _sensor(task: Task, node: Node) -> tuple[Conversion, int] | None:
    conversion = node.type.conversions.get(task.conversion or task.reads)
    return (conversion, _wired(task, node)) if conversion else None


def _wired(task: Task, node: Node) -> int:
    """Return the number of a node's channels that a task is about."""
    wired = {"cell voltages": node.cells, "open wire": node.cells, "temperatures": node.temperatures}
    return wired.get(task.reads, 0)


def _sent(task: Task, node: Node) -> int:
    """Return the number of values a node sends, those of its unwired inputs included if it must."""
    if task.sends == "wired inputs":
        return _wired(task, node)
    inputs = {
        "cell voltages": node.type.cell_inputs,
        "open wire": node.type.cell_inputs,
        "temperatures": node.type.temperature_inputs,
    }
    return inputs.get(task.reads, 0)


def _reads(number: int, chain: Chain, task: Task) -> list[Message]:
    """Return the messages that fetch a task's values from one chain, one block of values after another."""
    protocol = chain.protocol
    style = task.read_style or protocol.read_style
    request = _filled(protocol, protocol.request.max + protocol.check.width.max)
    value = task.value.max if task.value else 0
    messages = []
    for block in _blocks(task, chain):
        answers, carried, given = [], [], []
        for k, node in enumerate(chain.nodes):
            wired = range(block.start, min(block.stop, _wired(task, node)))
            sent = max(0, min(block.stop, _sent(task, node)) - block.start)
            data = task.data.max if task.reads == "status" else sent * value
            answers.append(_filled(protocol, protocol.answer.max + data + protocol.check.width.max))
            if wired:
                given.append(k)
                if _sensor(task, node):
                    carried.append((k, wired))
        if style != "polled":
            messages.append(Message(number, style, request, tuple(answers), carried=tuple(carried)))
        elif task.reads == "status":
            if task.data.max:
                messages += [Message(number, style, request, (bits,), k) for k, bits in enumerate(answers)]
        elif value:  # a node without a value to give is not asked
            samples = dict(carried)
            for k in given:
                own = ((k, samples[k]),) if k in samples else ()
                messages.append(Message(number, style, request, (answers[k],), k, own))
    return messages


def _blocks(task: Task, chain: Chain) -> list[range]:
    """Return the values fetched by each read, by their place among a node's values."""
    if task.reads == "status":
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
