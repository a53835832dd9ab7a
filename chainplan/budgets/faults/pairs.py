"""Pairs of faults that blind a string of cells though neither of the two does so alone.

Two senses, counted apart:

- *in part*: each fault alone leaves every cell of the string seen, both together leave at least one unseen;
- *wholly*: each fault alone leaves at least one cell of the string seen, both together leave none.

Counted are unordered pairs of different single faults, dead controllers apart; a segment open and the same
segment shorted are one fault. Nothing is enumerated: what lies between two breaks of a ring is blind, an open
chain is blind beyond its first break, and so is a ring that is not switched (wholly, if it is read across),
so pairs are counted by where their two breaks stand among the string's nodes. (A path is cut by any of its
edges, a cycle only by two: Menger, 1927; Whitney, 1932.)
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import accumulate, pairwise
from typing import NamedTuple

from chainplan.chain.degraded import Fault, FaultKind, switches
from chainplan.chain.ends import from_head
from chainplan.chain.network import Chain, Network

MOST_EXAMPLES = 3


class StringPairs(NamedTuple):
    """How many single faults and how many pairs of others blind a string, in part and wholly."""

    string: str
    alone_in_part: int
    alone_wholly: int
    in_part: int
    wholly: int
    in_part_examples: tuple[tuple[Fault, Fault], ...]
    """Pairs that blind least: the two segments around one node."""
    wholly_examples: tuple[tuple[Fault, Fault], ...]
    """Pairs whose breaks stand closest together."""


def string_pairs(network: Network) -> tuple[StringPairs, ...]:
    """Return, for every string with cells on a chain, the faults and pairs of faults that blind it."""
    places: dict[str, dict[str, list[int]]] = {}
    chains = {name: _as_read(network, chain) for name, chain in network.chains.items()}
    for chain in chains.values():
        for index, node in enumerate(chain.nodes):
            if node.cells:
                places.setdefault(node.string, {}).setdefault(chain.name, []).append(index)
    limits = {chain.name: _limits_before(chain) for chain in chains.values()}
    return tuple(
        _pairs(
            string, [_Share(network, chains[name], where, limits[name]) for name, where in on_chains.items()]
        )
        for string, on_chains in places.items()
    )


def _as_read(network: Network, chain: Chain) -> Chain:
    """Return a chain with a return path only where its controller uses it once the chain is broken."""
    return chain if switches(network, chain) or chain.plan.read_from == "across" else from_head(chain)


def _limits_before(chain: Chain) -> list[int]:
    """Return how many of the first 0, 1, ... nodes of a chain have a jabber limit."""
    return [0, *accumulate(int(node.type.jabber_limit is not None) for node in chain.nodes)]


class _Share:
    """The part of a string that stands on one chain; all counts leave faults of ports out.

    `nodes` are the places of its nodes (0 at the head) and `limits[k]` counts the nodes with a jabber limit
    among the chain's first k. Such a node, when it babbles, is a break like a silent one; one without a limit
    blinds the whole chain.
    """

    def __init__(self, network: Network, chain: Chain, nodes: list[int], limits: list[int]) -> None:
        self.chain = chain
        self.fragile = chain.is_ring and not switches(network, chain)
        """Any break of a ring read across that is not switched blinds it wholly."""
        self.redundant = chain.is_ring and not self.fragile
        self.nodes = nodes
        self.first, self.last = nodes[0], nodes[-1]
        self._limits = limits
        self._count = len(chain.nodes)
        self.endless = self._count - limits[-1]
        """Nodes that would babble without end."""

    def _broken(self, begin: int, end: int) -> int:
        """Return the faults that are a break at one of the nodes `begin` to `end` (not included)."""
        return end - begin + self._limits[end] - self._limits[begin]

    @property
    def alone_in_part(self) -> int:
        """Return the faults that alone blind one of the nodes."""
        if self.fragile:
            return self.alone_wholly
        if self.redundant:
            return sum(self._broken(node, node + 1) for node in self.nodes) + self.endless
        return self.last + 1 + self._broken(0, self.last + 1) + self.endless

    @property
    def alone_wholly(self) -> int:
        """Return the faults that alone blind all of the nodes."""
        if self.fragile:
            return self._count + 1 + self._broken(0, self._count) + self.endless
        if self.redundant:
            only = self._broken(self.first, self.first + 1) if len(self.nodes) == 1 else 0
            return only + self.endless
        return self.first + 1 + self._broken(0, self.first + 1) + self.endless

    def in_part(self, ports_ahead: int, ports_behind: int) -> int:
        """Return the pairs that blind one of the nodes of a ring together: one stands between them.

        `ports_ahead` (0 or 1) counts the head port, as a break before the first node, and `ports_behind`
        the back port, as one behind the last.
        """
        if not self.redundant:
            return 0
        groups = [ports_ahead + self.first + 1 + self._broken(0, self.first)]
        groups += [after - node + self._broken(node + 1, after) for node, after in pairwise(self.nodes)]
        groups += [self._count - self.last + self._broken(self.last + 1, self._count) + ports_behind]
        total = sum(groups)
        return (total**2 - sum(size**2 for size in groups)) // 2

    @property
    def ahead(self) -> int:
        """Return the breaks of a ring before or at the first node that leave another node seen."""
        end = self.first if len(self.nodes) == 1 else self.first + 1
        return self.first + 1 + self._broken(0, end) if self.redundant else 0

    @property
    def behind(self) -> int:
        """Return the breaks of a ring at or behind the last node that leave another node seen."""
        begin = self.last + 1 if len(self.nodes) == 1 else self.last
        return self._count - self.last + self._broken(begin, self._count) if self.redundant else 0

    def blinded_by(self, port: str) -> bool:
        """Tell whether a dead port alone blinds the nodes."""
        return not self.redundant and port in (self.chain.head, self.chain.back)

    def segment(self, place: int) -> Fault:
        """Return the break of the segment before node `place`, or behind the last node."""
        segment = self.chain.segments[place]
        return Fault(
            "segment open or shorted", segment.name, self.chain.controller, self.chain.name, place + 1
        )

    def blinder(self) -> Fault | None:
        """Return a fault that alone blinds all of the nodes, as near to them as can be."""
        if not self.redundant:
            return self.segment(self.first)
        if len(self.nodes) == 1:
            return self._node("node silent", self.first)
        for place, node in enumerate(self.chain.nodes):
            if node.type.jabber_limit is None:
                return self._node("node babbling", place)
        return None

    def _node(self, kind: FaultKind, place: int) -> Fault:
        return Fault(kind, self.chain.nodes[place].name, self.chain.controller, self.chain.name, place + 1)


def _pairs(string: str, shares: list[_Share]) -> StringPairs:
    ports = _ports(shares)
    blinding = {port for port in ports if any(share.blinded_by(port) for share in shares)}
    alone_wholly = [port for port in ports if all(share.blinded_by(port) for share in shares)]
    one = len(shares) == 1
    return StringPairs(
        string,
        sum(share.alone_in_part for share in shares) + len(blinding),
        (shares[0].alone_wholly if one else 0) + len(alone_wholly),
        _in_part(shares, blinding),
        _wholly(shares) + _wholly_with_ports(shares, [port for port in ports if port not in alone_wholly]),
        tuple(_around_nodes(shares))[:MOST_EXAMPLES],
        tuple(_around_all(shares, [port for port in ports if port not in alone_wholly]))[:MOST_EXAMPLES],
    )


def _ports(shares: Iterable[_Share]) -> list[str]:
    ends = (end for share in shares for end in (share.chain.head, share.chain.back))
    return [port for port in dict.fromkeys(ends) if port is not None]


def _in_part(shares: list[_Share], blinding: set[str]) -> int:
    count = 0
    both: set[tuple[str, str]] = set()  # two dead ports are one pair, however many rings they share
    for share in shares:
        head, back = share.chain.head, share.chain.back
        if back is None or not share.redundant:
            continue
        ahead, behind = head not in blinding, back not in blinding
        count += share.in_part(ahead, behind)
        if ahead and behind:
            pair = min(head, back), max(head, back)
            count -= pair in both
            both.add(pair)
    return count


def _wholly(shares: list[_Share]) -> int:
    """Return the pairs without ports: two breaks of one ring, or one blinding fault on each of two chains."""
    if len(shares) == 1:
        return shares[0].ahead * shares[0].behind
    if len(shares) == 2:
        return shares[0].alone_wholly * shares[1].alone_wholly
    return 0


def _wholly_with_ports(shares: list[_Share], ports: list[str]) -> int:
    """Return the pairs with one dead port or two, of those ports that do not blind the string alone."""
    count = 0
    for port in ports:
        seen = [share for share in shares if not share.blinded_by(port)]
        if len(seen) == 1:
            share = seen[0]
            count += share.alone_wholly if len(shares) > 1 else 0
            count += share.behind if port == share.chain.head else 0
            count += share.ahead if port == share.chain.back else 0
    return count + len(_blinding_ports(shares, ports))


def _blinding_ports(shares: list[_Share], ports: list[str]) -> list[tuple[str, str]]:
    """Return the pairs of ports that blind the string together: one of them is an end of its first chain."""
    ends = [port for port in ports if port in (shares[0].chain.head, shares[0].chain.back)]
    found: dict[frozenset[str], tuple[str, str]] = {}
    for one in ends:
        for other in ports:
            if one != other and all(_blinded_by_both(share, one, other) for share in shares):
                found.setdefault(frozenset((one, other)), (one, other))
    return list(found.values())


def _blinded_by_both(share: _Share, one: str, other: str) -> bool:
    if share.redundant:
        return {share.chain.head, share.chain.back} == {one, other}
    return share.blinded_by(one) or share.blinded_by(other)


def _around_nodes(shares: list[_Share]) -> Iterable[tuple[Fault, Fault]]:
    for share in shares:
        if share.redundant:
            least = min(share.nodes, key=lambda place: share.chain.nodes[place].cells)
            yield share.segment(least), share.segment(least + 1)


def _around_all(shares: list[_Share], ports: list[str]) -> Iterable[tuple[Fault, Fault]]:
    if len(shares) == 1 and shares[0].redundant:
        yield shares[0].segment(shares[0].first), shares[0].segment(shares[0].last + 1)
    if len(shares) == 2:
        near, far = shares[0].blinder(), shares[1].blinder()
        if near is not None and far is not None:
            yield near, far
    for one, other in _blinding_ports(shares, ports):
        yield _dead_port(one), _dead_port(other)


def _dead_port(port: str) -> Fault:
    return Fault("port dead", port, port.rpartition(":")[0])
