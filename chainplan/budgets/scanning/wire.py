"""Time on the wire: what a frame takes, and what the way to a node and back adds.

``T_frame(n) = (preamble + wire_bits_per_character * n + trailer) * tau + (n - 1) * byte_gap`` with
``tau = 1 / (bit_rate * (1 - tolerance))`` in the worst case. Characters of 8, 10 or 11 wire bits make it
the frame time of clocked buses, of LIN (LIN 2.2, 2.3.2) and of MODBUS over Serial Line (V1.02, 2.5.1).
"""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache
from itertools import accumulate
from typing import NamedTuple

from chainplan.chain.network import Chain, Node, Segment
from chainplan.figures.terms import Case
from chainplan.plan.parts import Protocol
from chainplan.quantity import RATIO, bit_time
from chainplan.remembered import remembered, remembered_for_all

_WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""

bit_time_of = lru_cache(maxsize=1024)(bit_time)


def characters(protocol: Protocol, bits: int) -> int:
    """Return how many characters carry `bits` of content, the shortest frame respected."""
    return -(-max(bits, protocol.shortest_frame.max) // protocol.character.data.max)


def whole_characters(protocol: Protocol, bits: int) -> int:
    """Return `bits` rounded up to whole characters of content."""
    size = protocol.character.data.max
    return -(-bits // size) * size


def wire_bits(protocol: Protocol, bits: int) -> int:
    """Return the bit times a frame with `bits` of content occupies, gaps apart."""
    body = protocol.character.wire.max * characters(protocol, bits)
    return protocol.preamble.max + body + protocol.trailer.max


@remembered
def frame_time(protocol: Protocol, bits: int, case: Case) -> int:
    """Return the time of a frame with `bits` of content, fs, rounded up."""
    tau = bit_time_of(protocol.bit_rate)[case]
    gaps = max(characters(protocol, bits) - 1, 0)
    plain = wire_bits(protocol, bits) * tau + gaps * protocol.byte_gap[case]
    stretch = protocol.allowance[case]
    return plain + -(-plain * stretch // _WHOLE) if stretch else plain


def frame_times(protocol: Protocol, contents: Collection[int], case: Case) -> list[int]:
    """Return the times of frames with these bits of content, fs; most frames of a train are alike."""
    known = {bits: frame_time(protocol, bits, case) for bits in set(contents)}
    return [known[bits] for bits in contents]


class Way(NamedTuple):
    """The way along a chain in one case, summed up from the head; entry k belongs to node k (0 = first).

    ``out[k]`` and ``home[k]`` are cables and relays between the head port and node k, fs; every
    store-and-forward relay on the way (``stores[k]`` of them) adds the time of the frame it passes on.
    ``across`` is the way through a whole ring to its back port, past ``stores_across`` such relays.
    """

    out: tuple[int, ...]
    home: tuple[int, ...]
    stores: tuple[int, ...]
    across: int
    stores_across: int

    def reach(self, node: int, frame: int) -> int:
        """Return the delay of a frame of `frame` fs from the head port to a node, fs."""
        return self.out[node] + self.stores[node] * frame

    def back(self, node: int, frame: int) -> int:
        """Return the delay of a frame of `frame` fs from a node to the head port, fs."""
        return self.home[node] + self.stores[node] * frame


def way_along(chain: Chain, case: Case) -> Way:
    """Sum up cable and relay delays along a chain: ``D_k = cables 1..k + relays 1..k-1``."""
    return _way(chain.segments, chain.nodes, case)


@remembered_for_all
def _way(segments: tuple[Segment, ...], nodes: tuple[Node, ...], case: Case) -> Way:
    cables = [segment.hop.delay[case] for segment in segments]
    relays = [node.type.forwarding for node in nodes]
    outward = [0, *[relay.downstream[case] for relay in relays]]
    upstream = [0, *[relay.upstream[case] for relay in relays]]
    stores = [0, *[relay.style == "store-and-forward" for relay in relays]]
    count = len(nodes)
    across = sum(cables) + sum(outward) if len(segments) > count else 0  # a ring has one more
    return Way(
        tuple(accumulate(map(sum, zip(cables[:count], outward, strict=False)))),
        tuple(accumulate(map(sum, zip(cables[:count], upstream, strict=False)))),
        tuple(accumulate(stores[:count])),
        across,
        sum(stores),
    )
