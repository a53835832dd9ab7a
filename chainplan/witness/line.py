"""A chain with the values that its cables, relays and clocks have in a simulation."""

from __future__ import annotations

from collections.abc import Callable

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


class Line:
    """A chain on which everything is picked anew each time it happens. Times are in fs.

    Bits are clocked by their sender: the host, a node that answers, a relay that stores and forwards.
    """

    def __init__(self, chain: Chain, pick: Pick) -> None:
        relays = [node.type.relay for node in chain.nodes]
        self.chain = chain
        self.nodes = len(chain.nodes)
        self.stores = [relay.style == "store-and-forward" for relay in relays]
        self.across = chain.is_ring and chain.plan.read_from == "across"
        self._pick = pick
        self._cables = [segment.hop.delay for segment in chain.segments]
        self._outward = [relay.outward for relay in relays]
        self._homeward = [relay.homeward for relay in relays]
        self._turns = [node.type.turn_around for node in chain.nodes]
        self._bit_time = bit_time(chain.protocol.bit_rate)

    def hops_out(self, segments: int) -> list[int]:
        """Return for the first segments the delay from the input of the node before to their far end."""
        return self._hops(self._outward, segments)

    def hops_home(self, segments: int) -> list[int]:
        """Return for the first nodes the delay from their output to that of the node nearer to the head."""
        return self._hops(self._homeward, segments)

    def _hops(self, relays: list[Span], segments: int) -> list[int]:
        pick = self._pick
        first, *others = self._cables[:segments]
        # Segment k + 1 lies beyond the relay of node k.
        return [
            pick(first),
            *(pick(relay) + pick(cable) for relay, cable in zip(relays, others, strict=False)),
        ]

    def turn(self, node: int) -> int:
        """Return a node's turn-around time."""
        return self._pick(self._turns[node])

    def answer_gap(self) -> int:
        """Return the pause a node keeps before it sends after another frame."""
        return self._pick(self.chain.protocol.answer_gap)

    def frame_gap(self) -> int:
        """Return the pause after a message."""
        return self._pick(self.chain.protocol.frame_gap)

    def clock(self, sender: int) -> tuple[int, int, int]:
        """Return a sender's bit time, its pause between bytes and its stretch (ticks of a ratio)."""
        del sender  # all alike, and new for every frame
        protocol = self.chain.protocol
        return self._pick(self._bit_time), self._pick(protocol.byte_gap), self._pick(protocol.allowance)

    def frame(self, content: int, sender: int) -> int:
        """Return the time in which a sender sends a frame of `content` bits."""
        tau, byte_gap, allowance = self.clock(sender)
        protocol = self.chain.protocol
        plain = bits_on_wire(protocol, content) * tau + (characters(protocol, content) - 1) * byte_gap
        return plain - (-plain * allowance) // _WHOLE


class SteadyLine(Line):
    """A chain whose hardware keeps the values picked at the start."""

    def __init__(self, chain: Chain, pick: Pick) -> None:
        super().__init__(chain, pick)
        cables = [pick(span) for span in self._cables]
        self._cables = [Span.exact(cable) for cable in cables]  # the same cable both ways
        self._out, self._home = (
            super(SteadyLine, self)._hops(way, len(cables)) for way in (self._outward, self._homeward)
        )
        self._turn = [pick(span) for span in self._turns]
        self._answer_gap, self._frame_gap = super().answer_gap(), super().frame_gap()
        self._clocks = {sender: super(SteadyLine, self).clock(sender) for sender in range(HOST, self.nodes)}
        self._frames: dict[tuple[int, int], int] = {}

    def hops_out(self, segments: int) -> list[int]:
        """Return the delays outward, the same each time."""
        return self._out[:segments]

    def hops_home(self, segments: int) -> list[int]:
        """Return the delays homeward, the same each time; a longer list than asked for does no harm."""
        del segments
        return self._home

    def turn(self, node: int) -> int:
        """Return a node's turn-around time, the same each time."""
        return self._turn[node]

    def answer_gap(self) -> int:
        """Return the pause before an answer, the same each time."""
        return self._answer_gap

    def frame_gap(self) -> int:
        """Return the pause after a message, the same each time."""
        return self._frame_gap

    def clock(self, sender: int) -> tuple[int, int, int]:
        """Return a sender's clock, the same each time."""
        return self._clocks[sender]

    def frame(self, content: int, sender: int) -> int:
        """Return the time of a frame, the same each time for a sender."""
        key = content, sender
        if key not in self._frames:
            self._frames[key] = super().frame(content, sender)
        return self._frames[key]
