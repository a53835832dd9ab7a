"""A chain with the values that its cables, relays and clocks have in a simulation."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from chainplan.chain.network import Chain
from chainplan.quantity import Span
from chainplan.witness.messages import bits_on_wire, characters

HOST = -1
"""Stands for the host's end of a chain where a sender's node number is asked for."""

_BIT = 10**15 * 10**6  # fs in a second times ubit in a bit
_WHOLE = 10**12  # ticks of the ratio 1

Pick = Callable[[Span], int]


def bit_time(rate: Span) -> Span:
    """Return the time of one bit at a rate in ubit/s, fs, rounded outward."""
    return Span(_BIT // rate.max, (2 * _BIT + rate.typical) // (2 * rate.typical), -(-_BIT // rate.min))


class WireLine:
    """A chain whose hardware keeps the values picked for it at the start. Times are in fs.

    Bits are clocked by their sender, each with its own clock: the host, a node that answers, a relay that
    stores and forwards.
    """

    def __init__(self, chain: Chain, pick: Pick) -> None:
        relays = [node.type.forwarding for node in chain.nodes]
        self.chain = chain
        self.nodes = len(chain.nodes)
        self.stores = [relay.style == "store-and-forward" for relay in relays]
        self.across = chain.is_ring and chain.plan.read_from == "across"
        cables = [pick(segment.hop.delay) for segment in chain.segments]
        # Segment k + 1 lies beyond the relay of node k; the cable is the same both ways.
        self._out, self._home = (
            [cables[0], *(pick(relay) + cable for relay, cable in zip(way, cables[1:], strict=False))]
            for way in ([relay.downstream for relay in relays], [relay.upstream for relay in relays])
        )
        self._turns = [pick(node.type.turn_around) for node in chain.nodes]
        self._answer_gap = pick(chain.protocol.answer_gap)
        self._frame_gap = pick(chain.protocol.frame_gap)
        spans = bit_time(chain.protocol.bit_rate), chain.protocol.byte_gap, chain.protocol.allowance
        self._clocks = {sender: tuple(pick(span) for span in spans) for sender in range(HOST, self.nodes)}
        self._frames: dict[tuple[int, int], int] = {}

    def hops_out(self, segments: int) -> list[int]:
        """Return for the first segments the delay from the input of the node before to their far end."""
        return self._out[:segments]

    def hops_home(self, segments: int) -> list[int]:
        """Return the delay from a node's output to that of the node nearer to the head, for the first nodes.

        The list may be longer.
        """
        del segments
        return self._home

    def turn(self, node: int) -> int:
        """Return a node's turn-around time."""
        return self._turns[node]

    def answer_gap(self) -> int:
        """Return the pause a node keeps before it sends after another frame."""
        return self._answer_gap

    def frame_gap(self) -> int:
        """Return the pause after a message."""
        return self._frame_gap

    def frame(self, content: int, sender: int) -> int:
        """Return the time in which a sender sends a frame of `content` bits."""
        key = content, sender
        if key not in self._frames:
            self._frames[key] = self._frame_time(content, *self._clocks[sender])
        return self._frames[key]

    def _frame_time(self, content: int, bit: int, byte_gap: int, allowance: int) -> int:
        """Return the time of a frame from the bit time, the pause between bytes and the stretch."""
        protocol = self.chain.protocol
        gaps = max(characters(protocol, content) - 1, 0)  # a frame may have no character at all
        plain = bits_on_wire(protocol, content) * bit + gaps * byte_gap
        return plain - (-plain * allowance) // _WHOLE


class DrawnLine(WireLine):
    """A chain on which everything is drawn anew each time it happens."""

    def __init__(self, chain: Chain, random: Random) -> None:
        super().__init__(chain, lambda span: span[0])
        self._draw = random.random
        relays = [node.type.forwarding for node in chain.nodes]
        cables = [segment.hop.delay for segment in chain.segments]
        self._wide_out, self._wide_home = (
            _widths(cables, way)
            for way in ([relay.downstream for relay in relays], [relay.upstream for relay in relays])
        )
        self._bit_time = bit_time(chain.protocol.bit_rate)

    def hops_out(self, segments: int) -> list[int]:
        """Return the delays outward, drawn."""
        return self._hops(self._out, self._wide_out, segments)

    def hops_home(self, segments: int) -> list[int]:
        """Return the delays upstream, drawn."""
        return self._hops(self._home, self._wide_home, segments)

    def _hops(self, least: list[int], wide: list[tuple[int, int]], segments: int) -> list[int]:
        hops = least[:segments]
        for segment, width in wide:
            if segment >= segments:
                break
            hops[segment] += int(self._draw() * width)
        return hops

    def turn(self, node: int) -> int:
        """Return a node's turn-around time, drawn."""
        return self._event(self.chain.nodes[node].type.turn_around)

    def answer_gap(self) -> int:
        """Return the pause before an answer, drawn."""
        return self._event(self.chain.protocol.answer_gap)

    def frame_gap(self) -> int:
        """Return the pause after a message, drawn."""
        return self._event(self.chain.protocol.frame_gap)

    def frame(self, content: int, sender: int) -> int:
        """Return the time of a frame, drawn."""
        del sender  # all alike
        protocol, event = self.chain.protocol, self._event
        clock = event(self._bit_time), event(protocol.byte_gap), event(protocol.allowance)
        return self._frame_time(content, *clock)

    def _event(self, span: Span) -> int:
        least, most = span[0], span[2]
        return least if least == most else least + int(self._draw() * (most - least + 1))


def _widths(cables: list[Span], relays: list[Span]) -> list[tuple[int, int]]:
    """Return every span on the way that has a width, as its segment and the number of its values."""
    on_segment = [*enumerate(cables), *enumerate(relays[: len(cables) - 1], start=1)]
    return sorted((segment, span[2] - span[0] + 1) for segment, span in on_segment if span[2] > span[0])
