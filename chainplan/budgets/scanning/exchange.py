"""Exchanges: a request and everything that answers it, its time and its bytes, for each read style.

How nodes answer, which the times below follow from:

- a broadcast write ends when the last node has it;
- *summation*: one frame carries every node's block; the tail turns it round (a ring read across lets it
  out at the back port);
- *sequential*: after one broadcast request the tail answers first, and each nearer node sends its own
  frame after it has passed on the last one from beyond, the answer gap between, and not before its own
  turn-around is over;
- *polled*: one request and one answer for a node.

A frame gap follows every exchange. A cut-through relay delays a frame; a store-and-forward relay takes
it in whole first, so it adds the frame's own time once more.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import accumulate
from typing import Literal, NamedTuple

from chainplan.budgets.scanning.wire import Way, frame_time, frame_times, whole_characters, wire_bits
from chainplan.chain.network import Chain, Node, makes
from chainplan.figures.terms import Case, Term, nonzero
from chainplan.plan.parts import Protocol
from chainplan.plan.readings import is_block, values_at
from chainplan.plan.schedule import Task

Style = Literal["write", "summation", "sequential", "polled"]


class Exchange(NamedTuple):
    """What is sent in one exchange, in bits of content (check bits included, framing not).

    `answers` holds one entry per answering node in chain order; a polled exchange has one, of `node`.
    """

    task: str
    chain: str
    style: Style
    request: int
    answers: tuple[int, ...]
    payload: int
    samples: int
    first_channel: int
    node: int | None = None


def trigger_exchange(name: str, chain: Chain) -> Exchange:
    """Return the broadcast that starts a conversion on every node of a chain."""
    protocol = chain.protocol
    bits = whole_characters(protocol, protocol.write.max + protocol.check.width.max)
    return Exchange(name, chain.name, "write", bits, (), 0, 0, 0)


def write_exchange(name: str, task: Task, chain: Chain) -> Exchange:
    """Return the broadcast of a write task."""
    protocol = chain.protocol
    bits = whole_characters(protocol, protocol.write.max + task.data.max + protocol.check.width.max)
    return Exchange(name, chain.name, "write", bits, (), 0, 0, 0)


def channels(task: Task, node: Node) -> int:
    """Return how many values a node has for a task; a block of data is one."""
    return values_at(task.reads, node.cells, node.temperatures)


def sent_values(task: Task, node: Node) -> int:
    """Return how many values a node sends for a task, wired or not."""
    if task.sends == "wired inputs":
        return channels(task, node)
    return values_at(task.reads, node.type.cell_inputs, node.type.temperature_inputs)


def read_exchanges(name: str, task: Task, chain: Chain) -> list[Exchange]:
    """Return the exchanges that fetch a task's results from one chain, in order.

    A read that would carry no wired value of any node it asks is left out.
    """
    style = task.read_style or chain.protocol.read_style
    if is_block(task.reads):
        return _reads(name, task, chain, style, 0, task.data.max, None)
    most = max((sent_values(task, make.node) for make in makes(chain.nodes)), default=0)
    block = task.values_per_read or max(most, 1)
    found: list[Exchange] = []
    for first in range(0, most, block):
        found += _reads(name, task, chain, style, first, 0, block)
    return found


def _reads(
    name: str, task: Task, chain: Chain, style: Style, first: int, status_bits: int, block: int | None
) -> list[Exchange]:
    """Return the exchange (polled: one per node) that fetches values `first` to `first + block`."""
    protocol = chain.protocol
    value = task.value.max if task.value else 0
    check = protocol.check.width.max
    beside = check + (task.freshness or 0)
    request = whole_characters(protocol, protocol.request.max + check)
    answers = [0] * len(chain.nodes)
    worth = [(0, 0)] * len(chain.nodes)
    for make in makes(chain.nodes):
        node = make.node
        if block is None:
            samples, payload, data = 1, status_bits, status_bits
        else:
            samples = min(max(channels(task, node) - first, 0), block)
            payload = samples * value
            data = min(max(sent_values(task, node) - first, 0), block) * value
        answer = whole_characters(protocol, protocol.answer.max + data + beside)
        for place in make.places:
            answers[place] = answer
            worth[place] = payload, samples
    if style == "polled":
        return [
            Exchange(name, chain.name, style, request, (answer,), payload, samples, first, index)
            for index, (answer, (payload, samples)) in enumerate(zip(answers, worth, strict=True))
            if payload
        ]
    payload, samples = (sum(column) for column in zip(*worth, strict=True))
    if not samples:
        return []
    return [Exchange(name, chain.name, style, request, tuple(answers), payload, samples, first)]


def exchange_wire_bits(protocol: Protocol, exchange: Exchange) -> int:
    """Return the bits that pass the head port in an exchange, framing included."""
    if exchange.style == "summation":
        return wire_bits(protocol, exchange.request + sum(exchange.answers))
    answers = exchange.answers
    return wire_bits(protocol, exchange.request) + sum(
        [wire_bits(protocol, answer) * answers.count(answer) for answer in set(answers)]  # most are alike
    )


def exchange_terms(chain: Chain, way: Way, exchange: Exchange, case: Case) -> tuple[Term, ...]:
    """Return the terms of an exchange's time on the wire, fs, gap to the next one included."""
    return nonzero(
        *_TERMS[exchange.style](chain, way, exchange, case),
        Term("frame gap", chain.protocol.frame_gap[case]),
    )


def _write(chain: Chain, way: Way, exchange: Exchange, case: Case) -> tuple[Term, ...]:
    frame = frame_time(chain.protocol, exchange.request, case)
    last = len(chain.nodes) - 1
    return (
        Term("broadcast frame", frame),
        Term("way out to the last node", way.out[last]),
        Term("stored and forwarded on the way out", frame, way.stores[last]),
    )


def _summation(chain: Chain, way: Way, exchange: Exchange, case: Case) -> tuple[Term, ...]:
    frame = frame_time(chain.protocol, exchange.request + sum(exchange.answers), case)
    if chain.plan.read_from == "across":
        return (
            Term("summation frame", frame),
            Term("way across the ring", way.across),
            Term("stored and forwarded across the ring", frame, way.stores_across),
        )
    last = len(chain.nodes) - 1
    tail = chain.nodes[last].type
    stored_at_tail = tail.forwarding.style == "store-and-forward"
    return (
        Term("summation frame", frame),
        Term("way out to the tail", way.out[last]),
        Term("turn-around at the tail", tail.turn_around[case]),
        Term("way home from the tail", way.home[last]),
        Term("stored and forwarded on the way", frame, 2 * way.stores[last] + stored_at_tail),
    )


def _sequential(chain: Chain, way: Way, exchange: Exchange, case: Case) -> tuple[Term, ...]:
    protocol = chain.protocol
    request = frame_time(protocol, exchange.request, case)
    frames = frame_times(protocol, exchange.answers, case)
    trains = [
        (
            Term("request frame", request),
            Term(f"way out to the {place}", way.out[node]),
            Term("request stored and forwarded on the way out", request, way.stores[node]),
            Term(f"turn-around at the {place}", chain.nodes[node].type.turn_around[case]),
            *_answer_terms(frames[: node + 1]),
            Term("answer gap", protocol.answer_gap[case], node),
            Term(f"way home from the {place}", way.home[node]),
            Term("answers stored and forwarded on the way home", _longest_stored(chain, frames[: node + 1])),
        )
        for node, place in _train_starts(chain, case)
    ]
    return trains[0] if len(trains) == 1 else max(trains, key=lambda terms: sum(term.total for term in terms))


def _train_starts(chain: Chain, case: Case) -> Iterator[tuple[int, str]]:
    """Yield the nodes that can hold up the train: the tail, and nearer ones slower than all beyond.

    A nearer node has the request sooner, so without a longer turn-around it is ready in time.
    """
    slowest = -1
    last = len(chain.nodes) - 1
    for node in range(last, -1, -1):
        turn = chain.nodes[node].type.turn_around[case]
        if turn > slowest:
            slowest = turn
            yield node, "tail" if node == last else f"slow node {chain.nodes[node].name}"


def _answer_terms(frames: list[int]) -> list[Term]:
    """Return one term per length of answer, so that equal nodes stand in one line."""
    return [Term("answer frame", frame, frames.count(frame)) for frame in sorted(set(frames), reverse=True)]


def _longest_stored(chain: Chain, frames: list[int]) -> int:
    """Return what store-and-forward relays add to a train of answers, fs.

    Frames queue at such relays, so the train's end is a longest path through hops and frames (a tandem
    queue, whose departures obey ``X(k,j) = max(X(k+1,j) + hop, X(k,j+1) + gap) + T_j``). Every frame lies
    on that path once for being sent; each storing relay adds one more frame, at most the longest of those
    that come through it, and the longest path does pass there.
    """
    beyond = [*accumulate(reversed(frames[1:]), max)][::-1]
    return sum(
        longest
        for node, longest in zip(chain.nodes, beyond, strict=False)
        if node.type.forwarding.style == "store-and-forward"
    )


def _polled(chain: Chain, way: Way, exchange: Exchange, case: Case) -> tuple[Term, ...]:
    assert exchange.node is not None  # a polled exchange names its node
    request = frame_time(chain.protocol, exchange.request, case)
    answer = frame_time(chain.protocol, exchange.answers[0], case)
    stores = way.stores[exchange.node]
    return (
        Term("request frame", request),
        Term("way out to the node", way.out[exchange.node]),
        Term("request stored and forwarded on the way out", request, stores),
        Term("turn-around", chain.nodes[exchange.node].type.turn_around[case]),
        Term("answer frame", answer),
        Term("way home from the node", way.home[exchange.node]),
        Term("answer stored and forwarded on the way home", answer, stores),
    )


_TERMS = {"write": _write, "summation": _summation, "sequential": _sequential, "polled": _polled}
