"""Frames on the segments of a chain: when each frame of an exchange passes each segment, in one case.

The ways of nodes are those of :mod:`chainplan.budgets.scanning.exchange`. A frame lies on a segment from its
first bit at the sender's end until its last bit is at the other end. Answers that queue at relays leave one
after another: departures of a tandem queue, ``X(k, j) = max(X(k + 1, j) + hop, X(k, j + 1) + gap) + T_j``.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.wire import frame_time
from chainplan.chain.network import Chain
from chainplan.figures.terms import Case


class SegmentPassage(NamedTuple):
    """A frame on a segment (0 at the head): times in fs since the first bit left the head port.

    ``sent`` is when its first bit enters the segment, ``time`` how long the frame is there, ``delay`` what
    the segment takes to carry it over. `answer` is the node that sent it; None for what the host sent, also
    when it comes home.
    """

    segment: int
    way: Literal["out", "home"]
    answer: int | None
    sent: int
    time: int
    delay: int

    @property
    def end(self) -> int:
        """Return when the last bit is at the other end."""
        return self.sent + self.time + self.delay


class Train(NamedTuple):
    """What passes in an exchange, and when: `ready[k]` is when node k could answer at the earliest.

    ``heard[k]`` is when node k has the request whole, `left[k]` when the answer before its own has left it
    (0: none before). Times in fs since the first bit left the head port.
    """

    passages: tuple[SegmentPassage, ...]
    heard: tuple[int, ...]
    ready: dict[int, int]
    left: dict[int, int]


def exchange_train(chain: Chain, exchange: Exchange, case: Case) -> Train:
    """Return every frame of an exchange on every segment it passes, in the order of sending."""
    walk = _Walk(chain, case)
    last = len(chain.nodes) - 1
    if exchange.style == "summation":
        across = chain.is_ring and chain.plan.read_from == "across"
        content = exchange.request + sum(exchange.answers)
        walk.outward(content, last + 1 + across)
        if not across:
            walk.turned_round(content, last)
    elif exchange.style == "polled":
        assert exchange.node is not None  # a polled exchange names its node
        walk.outward(exchange.request, exchange.node + 1)
        walk.answer(exchange.node, exchange.answers[0])
    else:
        walk.outward(exchange.request, last + 1)
        for node in range(len(exchange.answers) - 1, -1, -1):
            walk.answer(node, exchange.answers[node])
    return Train(tuple(walk.passages), tuple(walk.heard), walk.ready, walk.before)


class _Walk:
    """Frames sent along a chain one after another."""

    def __init__(self, chain: Chain, case: Case) -> None:
        self._chain, self._case = chain, case
        self.passages: list[SegmentPassage] = []
        self.heard: list[int] = []
        self.ready: dict[int, int] = {}
        self.before: dict[int, int] = {}
        self._first_bit: list[int] = []
        self._left: dict[int, int] = {}
        self._delays = [segment.hop.delay[case] for segment in chain.segments]
        self._stores = [node.type.forwarding.style == "store-and-forward" for node in chain.nodes]

    def outward(self, content: int, segments: int) -> None:
        """Send a frame from the head over the first segments."""
        case, nodes = self._case, self._chain.nodes
        time, sent = frame_time(self._chain.protocol, content, case), 0
        for segment in range(segments):
            delay = self._delays[segment]
            self.passages.append(SegmentPassage(segment, "out", None, sent, time, delay))
            if segment == len(nodes):
                return  # a ring's last segment ends at a port
            sent += delay
            self._first_bit.append(sent)
            self.heard.append(sent + time)
            sent += nodes[segment].type.forwarding.downstream[case] + self._stores[segment] * time

    def turned_round(self, content: int, tail: int) -> None:
        """Let the tail send home the frame that it hears; one that stores frames has it whole first."""
        time = frame_time(self._chain.protocol, content, self._case)
        sent = self.heard[tail] if self._stores[tail] else self._first_bit[tail]
        self._home(tail, None, sent + self._chain.nodes[tail].type.turn_around[self._case], time)

    def answer(self, node: int, content: int) -> None:
        """Let a node answer, after its turn-around and after what it has passed on for those beyond."""
        case, protocol = self._case, self._chain.protocol
        sent = self.ready[node] = self.heard[node] + self._chain.nodes[node].type.turn_around[case]
        self.before[node] = self._left.get(node, 0)
        if node in self._left:
            sent = max(sent, self._left[node] + protocol.answer_gap[case])
        self._home(node, node, sent, frame_time(protocol, content, case))

    def _home(self, node: int, answer: int | None, sent: int, time: int) -> None:
        """Send a frame from a node's output to the head, behind the frames ahead of it."""
        case, gap = self._case, self._chain.protocol.answer_gap[self._case]
        for segment in range(node, -1, -1):
            delay = self._delays[segment]
            self.passages.append(SegmentPassage(segment, "home", answer, sent, time, delay))
            self._left[segment] = sent + time
            if segment == 0:
                return
            relay = segment - 1
            sent += delay + self._chain.nodes[relay].type.forwarding.upstream[case]
            if self._stores[relay]:
                sent += time
                if relay in self._left:
                    sent = max(sent, self._left[relay] + gap)
            else:
                sent = max(sent, self._left.get(relay, 0))
