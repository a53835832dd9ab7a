"""Single faults of a network: where each one breaks a chain, who is blind then, and the network that is left.

What a fault does is the physics of a chain of relays; each line is an assumption:

- *segment open or shorted*: nothing passes it, in either direction. Both have one outcome.
- *node silent*: it measures nothing, answers nothing and passes nothing on.
- *node babbling*: it sends without end and jams its whole chain in both directions. A node with a jabber
  limit (as the jabber function of IEEE 802.3, 9.6.5 and 14.2.1.6; clauses from memory) is cut off after
  that time and counts as silent from then on.
- *port dead*: the chains on it are not read through it. Its chains have switched ends of their own: a fault
  on one leaves the others on the port as they are.
- *controller dead*: none of its chains is read.

An open chain is read on up to the break. So is a ring whose controller has no `recovery`, and one that was
read across is then not read at all: what only tasks sent from its back still reach counts as unseen. With a
`recovery` a ring is read on by every task from both its ports, each end up to the break; one that was read
across is read as two open chains. A node counts the direction away from the port that reads it as downstream,
so one that is reached from the back has its relay's two delays the other way round.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Literal, NamedTuple

from chainplan.chain.ends import cut_short, from_back, from_head
from chainplan.chain.network import Chain, Network, Node
from chainplan.plan.order import back_name
from chainplan.plan.schedule import Task

FaultKind = Literal["segment open or shorted", "node silent", "node babbling", "port dead", "controller dead"]

FAULT_KINDS: tuple[FaultKind, ...] = (
    "segment open or shorted",
    "node silent",
    "node babbling",
    "port dead",
    "controller dead",
)


class Fault(NamedTuple):
    """One fault. `part` is the segment's, node's, port's or controller's name.

    For a segment or node `chain` is its chain and `place` its number along it, 1 at the head.
    """

    kind: FaultKind
    part: str
    controller: str
    chain: str = ""
    place: int = 0

    @property
    def name(self) -> str:
        """Return the fault in words, ``segment ring-1#3 open or shorted``."""
        thing, _, state = self.kind.partition(" ")
        return f"{thing} {self.part} {state}"


class Gap(NamedTuple):
    """A break in a chain: from the head `start` nodes can be reached, from the back those from `end` on.

    Nodes `start` to `end` (the latter not included, counted from 0) lie within the break. A cut segment
    number k is the empty gap from k - 1 to k - 1.
    """

    chain: str
    start: int
    end: int


class Left(NamedTuple):
    """What is read of a chain after faults: its first `ahead` nodes and, from the back, its last `behind`."""

    chain: str
    ahead: int
    behind: int


def single_faults(network: Network) -> Iterator[Fault]:
    """Yield every single fault: segments, then nodes silent, nodes babbling, ports in use, controllers."""
    chains = network.chains.values()
    for chain in chains:
        for segment in chain.segments:
            yield Fault("segment open or shorted", segment.name, chain.controller, chain.name, segment.number)
    kinds: tuple[FaultKind, ...] = ("node silent", "node babbling")
    for kind in kinds:
        for chain in chains:
            for place, node in enumerate(chain.nodes, start=1):
                yield Fault(kind, node.name, chain.controller, chain.name, place)
    used = {end for chain in chains for end in (chain.head, chain.back)}
    for controller in network.controllers.values():
        for port in controller.ports:
            if port in used:
                yield Fault("port dead", port, controller.name)
    for controller in network.controllers.values():
        if controller.chains:
            yield Fault("controller dead", controller.name, controller.name)


def jams_for_good(chain: Chain, place: int) -> bool:
    """Tell whether a babbling node (number `place` from the head) is never cut off."""
    return chain.nodes[place - 1].type.jabber_limit is None


def gaps_of(network: Network, fault: Fault) -> tuple[Gap, ...]:
    """Return the break a fault makes in every chain it touches, once a babbling node has been cut off."""
    if fault.chain:
        chain = network.chains[fault.chain]
        if fault.kind == "segment open or shorted":
            return (Gap(chain.name, fault.place - 1, fault.place - 1),)
        if fault.kind == "node babbling" and jams_for_good(chain, fault.place):
            return (Gap(chain.name, 0, len(chain.nodes)),)
        return (Gap(chain.name, fault.place - 1, fault.place),)
    found = []
    for chain in network.controllers[fault.controller].chains:
        count = len(chain.nodes)
        if fault.kind == "controller dead":
            found.append(Gap(chain.name, 0, count))
        elif fault.part == chain.head:
            found.append(Gap(chain.name, 0, 0))
        elif fault.part == chain.back:
            found.append(Gap(chain.name, count, count))
    return tuple(found)


def left_of(network: Network, chain: Chain, gaps: Iterable[Gap]) -> Left:
    """Return what is read of a chain with these breaks (at least one): up to the nearest from each end."""
    mine = [gap for gap in gaps if gap.chain == chain.name]
    ahead = min(gap.start for gap in mine)
    if not chain.is_ring:
        return Left(chain.name, ahead, 0)
    if switches(network, chain):
        return Left(chain.name, ahead, len(chain.nodes) - max(gap.end for gap in mine))
    return Left(chain.name, 0 if chain.plan.read_from == "across" else ahead, 0)


def switches(network: Network, chain: Chain) -> bool:
    """Tell whether a chain's controller turns to reading a broken ring from both ends."""
    return network.controllers[chain.controller].settings.recovery is not None


def what_is_left(network: Network, gaps: Iterable[Gap]) -> tuple[Left, ...]:
    """Return what is read of every chain that has a break; all others are read as before."""
    all_gaps = tuple(gaps)
    if len(all_gaps) == 1:  # as after most faults
        return (left_of(network, network.chains[all_gaps[0].chain], all_gaps),)
    touched = dict.fromkeys(gap.chain for gap in all_gaps)
    return tuple(left_of(network, network.chains[name], all_gaps) for name in touched)


def unmonitored_nodes(network: Network, lefts: Iterable[Left]) -> Iterator[Node]:
    """Yield the nodes that are read no more."""
    for left in lefts:
        nodes = network.chains[left.chain].nodes
        yield from nodes[left.ahead : len(nodes) - left.behind]


def sides(chain: Chain, left: Left) -> tuple[Chain, ...]:
    """Return what is left of a chain as chains: none, one, or two for a ring read from both ends."""
    found = []
    if left.ahead:
        found.append(cut_short(from_head(chain), left.ahead))
    if left.behind:
        found.append(cut_short(from_back(chain), left.behind))
    return tuple(found)


def degraded_network(network: Network, lefts: Iterable[Left]) -> Network:
    """Return the network that is read on after faults. Strings and ports stay as they are."""
    after = {left.chain: left for left in lefts}
    chains: dict[str, Chain] = {}
    for chain in network.chains.values():
        left = after.get(chain.name)
        for part in (chain,) if left is None else sides(chain, left):
            chains[part.name] = part
    controllers = {
        name: controller._replace(
            chains=tuple(chain for chain in chains.values() if chain.controller == name)
        )
        for name, controller in network.controllers.items()
    }
    nodes = {node.name: node for chain in chains.values() for node in chain.nodes}
    return replace(network, controllers=controllers, chains=chains, nodes=nodes)


def tasks_after(tasks: dict[str, Task], lefts: Iterable[Left]) -> dict[str, Task]:
    """Return the tasks as they run on what is left: on both parts of a ring that they name."""
    broken = [left.chain for left in lefts]
    changed = {}
    for name, task in tasks.items():
        more = [back_name(chain) for chain in broken if chain in (task.chains or ())]
        if more:
            changed[name] = task.model_copy(update={"chains": [*(task.chains or ()), *more]})
    return tasks | changed if changed else tasks
