"""What crosses how many segments in an exchange: frames that noise can hit, and blocks under a check.

Every node sends anew what it receives, so a frame is exposed to noise once on every segment it crosses. A hit
anywhere in it, framing included, spoils it. What a check code sees is its own block alone: the whole content
of a request or of an answer, or one node's block in a summation frame, which is exposed from the node that
puts it in to the head. Nodes are taken to relay what they receive as it is, without checking it on the way.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Literal, NamedTuple

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.wire import characters, wire_bits
from chainplan.chain.network import Chain
from chainplan.plan.parts import Protocol

BlockKind = Literal["broadcast", "request", "answer"]


class Block(NamedTuple):
    """Bits under one check, check included, that reach one receiver over so many segments."""

    kind: BlockKind
    bits: int
    crossings: int


def frames(chain: Chain, exchange: Exchange) -> dict[int, int]:
    """Return the frames of an exchange by their length on the wire: bits, and segments crossed in all."""
    protocol, nodes = chain.protocol, len(chain.nodes)
    crossings: dict[int, int] = {}

    def cross(bits: int, segments: int) -> None:
        on_wire = wire_bits(protocol, bits)
        crossings[on_wire] = crossings.get(on_wire, 0) + segments

    if exchange.style == "summation":
        across = chain.plan.read_from == "across"
        cross(exchange.request + sum(exchange.answers), nodes + 1 if across else 2 * nodes)
    elif exchange.style == "polled":
        assert exchange.node is not None  # a polled exchange names its node
        cross(exchange.request, exchange.node + 1)
        cross(exchange.answers[0], exchange.node + 1)
    else:
        cross(exchange.request, nodes)
        for node, answer in enumerate(exchange.answers):
            cross(answer, node + 1)
    return crossings


def blocks(chain: Chain, exchange: Exchange) -> Counter[Block]:
    """Return the blocks under a check that an exchange brings to their receivers.

    A request or a broadcast is received, and could be misread, by every node that it reaches.
    """
    protocol, nodes = chain.protocol, len(chain.nodes)
    found: Counter[Block] = Counter()
    kind: BlockKind = "broadcast" if exchange.style == "write" else "request"
    reached = nodes if exchange.node is None else exchange.node + 1
    summation = exchange.style == "summation"
    if exchange.request:
        bits = exchange.request if summation else framed_content(protocol, exchange.request)
        found.update(Block(kind, bits, node + 1) for node in range(reached))
    for place, answer in enumerate(exchange.answers):
        node = place if exchange.node is None else exchange.node
        if not summation:
            found[Block("answer", framed_content(protocol, answer), node + 1)] += 1
        elif chain.plan.read_from == "across":
            found[Block("answer", answer, nodes - node)] += 1
        else:
            found[Block("answer", answer, 2 * nodes - 1 - node)] += 1
    return found


def longest_blocks(chain: Chain, exchange: Exchange) -> Iterator[tuple[BlockKind, int]]:
    """Yield the longest block of each kind in an exchange, bits."""
    protocol, summation = chain.protocol, exchange.style == "summation"
    kinds: tuple[tuple[BlockKind, int], ...] = (
        ("broadcast" if exchange.style == "write" else "request", exchange.request),
        ("answer", max(exchange.answers, default=0)),
    )
    for kind, bits in kinds:
        if bits:
            yield kind, bits if summation else framed_content(protocol, bits)


def framed_content(protocol: Protocol, bits: int) -> int:
    """Return the content of a frame of its own: filled up to the shortest frame, in whole characters."""
    return characters(protocol, bits) * protocol.character.data.max
