"""The length budget: level and delay of every segment, waits for answers, and addresses in use.

What a longer segment, a longer chain or one more board costs shows here first: loss per segment
(:mod:`chainplan.budgets.line.link`), delay per chain (:mod:`chainplan.budgets.line.answer_window`),
addresses in use. How far each may grow until a target is missed is searched for in
:mod:`chainplan.headroom.reach`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from chainplan.budgets.line.answer_window import Wait, chain_waits
from chainplan.budgets.line.link import Link, chain_links, link_of
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.chain.network import Chain, Network, makes
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Sum, Term
from chainplan.quantity import COUNT, LEVEL, TIME, Span


class ChainLength(NamedTuple):
    """What a chain's length costs.

    `link_makes` are the links of the first segment of every make; None where the protocol describes no
    signal. `window` is how long the host waits for an answer (fs), `addresses` how many nodes can be told
    apart by the node type that knows the fewest; None where the plan does not say.
    """

    chain: Chain
    link_makes: tuple[Link, ...] | None
    waits: tuple[Wait, ...]
    window: Span | None
    addresses: int | None

    @property
    def links(self) -> tuple[Link, ...] | None:
        """Return the links of all segments; None where the protocol describes no signal."""
        if self.link_makes is None:
            return None
        like = {id(link.segment.hop): link for link in self.link_makes}
        return tuple(link_of(segment, like[id(segment.hop)]) for segment in self.chain.segments)

    @property
    def tightest(self) -> Link | None:
        """Return the segment with the least margin beyond the one wanted; None if no loss is known."""
        known = [link for link in self.link_makes or () if link.worst is not None]
        return min(known, key=lambda link: link.spare or 0, default=None)

    @property
    def unknown(self) -> tuple[Link, ...]:
        """Return the segments whose loss is not known."""
        if all(link.worst is not None for link in self.link_makes or ()):
            return ()
        return tuple(link for link in self.links or () if link.worst is None)

    @property
    def nodes(self) -> Sum:
        """Return the number of nodes that need an address, by their type."""
        kinds: dict[int, list[str]] = {}
        for node in self.chain.nodes:
            kinds.setdefault(id(node.type), []).append(node.name)
        terms = (
            Term(f"nodes like {names[0]}", 1, len(names), _limit(self.chain, kind))
            for kind, names in kinds.items()
        )
        return Sum(
            f"node addresses on {self.chain.name}", COUNT, tuple(terms), "every node of the chain once"
        )


def _limit(chain: Chain, kind: int) -> str:
    limit = next(node.type.address_limit for node in chain.nodes if id(node.type) == kind)
    return "" if limit is None else f"knows {limit} addresses"


@budget
def lengths(network: Network, scans: dict[str, ControllerScan]) -> dict[str, ChainLength]:
    """Level and delay of each chain, by its name: what its length costs."""
    found = {}
    known: dict[tuple[int, int], Link] = {}
    for scan in scans.values():
        for chain in scan.controller.chains:
            limits = [
                limit for make in makes(chain.nodes) if (limit := make.node.type.address_limit) is not None
            ]
            found[chain.name] = ChainLength(
                chain,
                chain_links(network.wiring, chain, known),
                chain_waits(scan, chain),
                chain.protocol.answer_window,
                min(limits, default=None),
            )
    return found


LINK_MARGIN = Kind[Link](
    "link margin",
    LEVEL,
    ("chain", "part"),
    "link budget",
    lambda link: link.worst,
    lambda link: link.typical,
    named=lambda link: f"link/{link.segment.name}",
    sense="at least",
    where=lambda link: link.segment.name,
    asked=lambda plan: any(each.signal for each in plan.protocols.values()),
)


@LINK_MARGIN.of
def link_margins(lengths: dict[str, ChainLength]) -> Iterator[Figure]:
    """What is left of the signal above the receiver's threshold, on the segment that has least to spare."""
    for name, length in lengths.items():
        tightest, unknown = length.tightest, length.unknown
        reason = unknown[0].reason if unknown else ""
        if tightest is None and unknown:
            yield LINK_MARGIN(name, "", limit=unknown[0].wanted, note=reason)
        elif tightest is not None:
            share_left = f"({len(unknown)} of {len(length.chain.segments)} segments"
            remarks = [f"{reason} {share_left} not checked)"] if unknown else []
            note = "; ".join([*remarks, tightest.note] if tightest.note else remarks)
            yield LINK_MARGIN(name, "", item=tightest, limit=tightest.wanted, note=note)
            if unknown:  # one segment that is met speaks for no other
                note = f"{reason} {share_left})"
                yield LINK_MARGIN(name, "other segments", limit=unknown[0].wanted, note=note)


SEGMENT_MARGIN = Kind[Link](
    "link margin of a segment",
    LEVEL,
    ("segment",),
    "link budget",
    lambda link: link.worst,
    lambda link: link.typical,
    named="link/{}",
    sense="at least",
)


@SEGMENT_MARGIN.of
def segment_margins(lengths: dict[str, ChainLength]) -> Iterator[Figure]:
    """What is left of the signal above the receiver's threshold, once for each make of segment."""
    for length in lengths.values():
        shown: set[int] = set()
        for link in length.links or ():
            if link.worst is None:
                continue
            if link is length.tightest or id(link.segment.hop) not in shown:
                shown.add(id(link.segment.hop))
                yield SEGMENT_MARGIN(link.segment.name, item=link)


ANSWER_WAIT = Kind[Wait](
    "wait for an answer",
    TIME,
    ("chain", "read style"),
    "link budget",
    lambda wait: wait.worst,
    lambda wait: wait.typical,
    named="answer-wait/{}/{}",
    where=lambda wait: wait.node,
    asked=lambda plan: any(each.answer_window for each in plan.protocols.values()),
)


@ANSWER_WAIT.of
def answer_waits(lengths: dict[str, ChainLength]) -> Iterator[Figure]:
    """From the end of a request to the first bit of an answer at the port, beside the answer window."""
    for name, length in lengths.items():
        limit = length.window.min if length.window else None
        for wait in length.waits:
            yield ANSWER_WAIT(name, wait.style, item=wait, limit=limit)


ADDRESSES = Kind[ChainLength](
    "node addresses",
    COUNT,
    ("chain",),
    "link budget",
    lambda length: length.nodes,
    named="addresses/{}",
    asked=lambda plan: any(each.address_limit for each in plan.node_types.values()),
)


@ADDRESSES.of
def addresses(lengths: dict[str, ChainLength]) -> Iterator[Figure]:
    """Nodes of a chain, beside the addresses that the node type with fewest can tell apart."""
    for name, length in lengths.items():
        if length.addresses is not None:
            yield ADDRESSES(name, item=length, limit=length.addresses)
