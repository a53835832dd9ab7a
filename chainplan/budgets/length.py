"""The length budget: level and delay of every segment, waits for answers, and addresses in use.

What a longer segment, a longer chain or one more board costs shows here first: loss per segment
(:mod:`chainplan.budgets.link`), delay per chain (:mod:`chainplan.budgets.answer_window`), addresses in use.
How far each may grow until a target is missed is searched for in :mod:`chainplan.reach`.
"""

from __future__ import annotations

from typing import NamedTuple

from chainplan.budgets.answer_window import Wait, chain_waits
from chainplan.budgets.link import Link, chain_links, link_of
from chainplan.budgets.scan import ControllerScan
from chainplan.budgets.terms import Sum, Term
from chainplan.chain.network import Chain, Network, makes
from chainplan.quantity import COUNT, Span


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


def length_budget(network: Network, scans: dict[str, ControllerScan]) -> dict[str, ChainLength]:
    """Return what the length of every chain costs, by the chain's name."""
    found = {}
    known: dict[tuple[int, int], Link] = {}
    for scan in scans.values():
        for chain in scan.controller.chains:
            limits = [
                limit for make in makes(chain.nodes) if (limit := make.node.type.address_limit) is not None
            ]
            found[chain.name] = ChainLength(
                chain,
                chain_links(network, chain, known),
                chain_waits(scan, chain),
                chain.protocol.answer_window,
                min(limits, default=None),
            )
    return found
