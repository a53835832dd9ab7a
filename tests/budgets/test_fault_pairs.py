"""Pairs of faults that blind a string, counted in closed form, checked against trying every pair out.

The oracle takes the two faulty parts out of a graph and asks networkx, a general graph library, which nodes
still hang together with a living port; see tests/chain/test_degraded.py.
"""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from pathlib import Path

import networkx as nx
import pytest
from hypothesis import HealthCheck, given, settings
from strategies import plans

from chainplan.budgets.faults.pairs import StringPairs, string_pairs
from chainplan.chain.build import build_network
from chainplan.chain.degraded import Fault, single_faults
from chainplan.chain.network import Chain, Network
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.quantity import Span

CONFIGS = Path(__file__).parent.parent.parent / "configs"


def example(name: str) -> Plan:
    """Return an example without its jabber limits, which tests give it."""
    plan = load_plan(CONFIGS / f"{name}.yaml").plan
    nodes = {key: node.model_copy(update={"jabber_limit": None}) for key, node in plan.node_types.items()}
    return plan.model_copy(update={"node_types": nodes})


def limited(plan: Plan, *types: str) -> Plan:
    limit = {"jabber_limit": Span.exact(5 * 10**12)}
    nodes = {
        name: node.model_copy(update=limit) if name in types else node
        for name, node in plan.node_types.items()
    }
    return plan.model_copy(update={"node_types": nodes})


class Oracle:
    """Reachability with parts taken out."""

    def __init__(self, network: Network) -> None:
        self.network = network
        self.ports = {port for each in network.controllers.values() for port in each.ports}
        self.graph: nx.Graph[str] = nx.Graph()
        for chain in network.chains.values():
            for segment in chain.segments:
                # Every chain has its own end at a port; nobody listens behind a ring that is not switched.
                ends = [
                    f"{chain.name} {'deaf' if end == chain.back and not self.switches(chain) else 'at'} {end}"
                    if end in self.ports
                    else end
                    for end in (segment.near, segment.far)
                ]
                nx.add_path(self.graph, [ends[0], f"segment {segment.name}", ends[1]])

    def switches(self, chain: Chain) -> bool:
        """By the plan: with a `recovery` a broken ring is read from both ends."""
        return self.network.controllers[chain.controller].settings.recovery is not None

    def removed(self, fault: Fault) -> set[str]:
        """What a fault takes away; of a ring read across that is not switched the whole walk."""
        gone = self.broken(fault)
        for chain in self.network.chains.values():
            walk = {node.name for node in chain.nodes} | {f"segment {each.name}" for each in chain.segments}
            walk |= {f"{chain.name} {end}" for end in (f"at {chain.head}", f"deaf {chain.back}")}
            if chain.plan.read_from == "across" and not self.switches(chain) and gone & walk:
                gone = gone | walk
        return gone

    def broken(self, fault: Fault) -> set[str]:
        chains = self.network.chains.values()
        if fault.kind == "segment open or shorted":
            return {f"segment {fault.part}"}
        if fault.kind == "port dead":
            ends = {f"{chain.name} {end} {fault.part}" for chain in chains for end in ("at", "deaf")}
            return ends & set(self.graph)
        nodes = self.network.chains[fault.chain].nodes
        if fault.kind == "node babbling" and self.network.nodes[fault.part].type.jabber_limit is None:
            return {node.name for node in nodes}
        return {fault.part}

    def blind(self, *faults: Fault) -> Counter[str]:
        """Unseen nodes with cells, by string."""
        gone = set().union(*map(self.removed, faults))
        left = self.graph.subgraph(set(self.graph) - gone)
        seen: set[str] = set()
        for part in nx.connected_components(left):
            if any(" at " in end for end in part):
                seen |= part
        return Counter(
            node.string for name, node in self.network.nodes.items() if node.cells and name not in seen
        )


def tried_out(network: Network) -> dict[str, StringPairs]:
    """Every single fault and every pair of them, tried out."""
    oracle = Oracle(network)
    faults = [fault for fault in single_faults(network) if fault.kind != "controller dead"]
    whole = Counter(node.string for node in network.nodes.values() if node.cells)
    alone = {fault: oracle.blind(fault) for fault in faults}
    found = {}
    counts = {string: [0, 0, 0, 0] for string in whole}
    for string, size in whole.items():
        counts[string][0] = sum(blind[string] > 0 for blind in alone.values())
        counts[string][1] = sum(blind[string] == size for blind in alone.values())
    for one, other in combinations(faults, 2):
        both = oracle.blind(one, other)
        for string, size in whole.items():
            before = alone[one][string], alone[other][string]
            counts[string][2] += both[string] > 0 and before == (0, 0)
            counts[string][3] += both[string] == size and size not in before
    for string, (part, wholly, pairs_part, pairs_wholly) in counts.items():
        found[string] = StringPairs(string, part, wholly, pairs_part, pairs_wholly, (), ())
    return found


def assert_same(network: Network) -> None:
    oracle = Oracle(network)
    faults = set(single_faults(network))
    expected = tried_out(network)
    got = {pairs.string: pairs for pairs in string_pairs(network)}
    assert got.keys() == expected.keys()
    whole = Counter(node.string for node in network.nodes.values() if node.cells)
    for string, pairs in got.items():
        theirs = expected[string]
        assert pairs.alone_in_part == theirs.alone_in_part
        assert pairs.alone_wholly == theirs.alone_wholly
        assert pairs.in_part == theirs.in_part
        assert pairs.wholly == theirs.wholly
        assert {fault for pair in pairs.in_part_examples for fault in pair} <= faults
        assert {fault for pair in pairs.wholly_examples for fault in pair} <= faults
        for one, other in pairs.in_part_examples:
            assert oracle.blind(one, other)[string] > 0
            assert not oracle.blind(one)[string]
            assert not oracle.blind(other)[string]
        for one, other in pairs.wholly_examples:
            assert oracle.blind(one, other)[string] == whole[string]
            assert whole[string] not in (oracle.blind(one)[string], oracle.blind(other)[string])
        on_chains = sum(any(n.string == string for n in c.nodes) for c in network.chains.values())
        assert bool(pairs.wholly_examples) == (pairs.wholly > 0) or on_chains > 2
        assert pairs.wholly or not pairs.wholly_examples


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(plans())
def test_any_plan(plan: Plan) -> None:
    assert_same(build_network(limited(plan, "N1")))


def ferry(boards: int = 4, **chain: object) -> Plan:
    """Two strings of the ferry's bank on rings of their own, with fewer boards."""
    plan = example("harbour-ferry")
    bank = plan.strings["bank"]
    run = bank.boards[0].model_copy(update={"count": boards})
    stack = [bank.stack[1].model_copy(update={"modules": boards})]
    strings = {"bank": bank.model_copy(update={"count": 2, "boards": [run], "stack": stack})}
    ring = plan.chains["ring"].model_copy(
        update={"count": 2, "order": [f"bank-{{n}}.1..{boards}"], "exceptions": {}, **chain}
    )
    return plan.model_copy(update={"strings": strings, "chains": {"ring": ring}})


class TestLayouts:
    def test_a_ring_per_string(self) -> None:
        assert_same(build_network(ferry()))
        assert_same(build_network(limited(ferry(), "node-18")))

    @pytest.mark.parametrize("read_from", ["head", "across"])
    @pytest.mark.parametrize("boards", [1, 4])
    def test_rings_that_are_not_switched(self, read_from: str, boards: int) -> None:
        plan = ferry(boards, read_from=read_from)
        bridge = plan.controllers["bridge"].model_copy(update={"recovery": None})
        plan = plan.model_copy(update={"controllers": {"bridge": bridge}})
        assert_same(build_network(plan))
        assert_same(build_network(limited(plan, "node-18")))

    def test_one_board_per_string(self) -> None:
        assert_same(build_network(ferry(boards=1)))
        assert_same(build_network(limited(ferry(boards=1), "node-18")))

    def test_rings_that_share_both_ports(self) -> None:
        assert_same(build_network(ferry(head="bridge:out-1", back="bridge:back-1")))

    def test_a_string_on_two_rings_that_share_both_ports(self) -> None:
        plan = ferry()
        ring = plan.chains["ring"].model_copy(
            update={"count": 1, "head": "bridge:out-1", "back": "bridge:back-1"}
        )
        chains = {
            "near": ring.model_copy(update={"order": ["bank-1.1..2", "bank-2.4..3"]}),
            "far": ring.model_copy(update={"order": ["bank-2.1..2", "bank-1.3..4"]}),
        }
        assert_same(build_network(plan.model_copy(update={"chains": chains})))

    def test_a_string_on_an_open_chain_and_a_ring_on_one_port(self) -> None:
        plan = ferry()
        ring = plan.chains["ring"].model_copy(
            update={"count": 1, "head": "bridge:out-1", "back": "bridge:back-1"}
        )
        open_chain = ring.model_copy(update={"shape": "open", "back": None})
        chains = {
            "near": open_chain.model_copy(update={"order": ["bank-1.1..2", "bank-2.4..3"]}),
            "far": ring.model_copy(update={"order": ["bank-2.1..2", "bank-1.3..4"]}),
        }
        assert_same(build_network(plan.model_copy(update={"chains": chains})))
        chains["far"] = open_chain.model_copy(update={"order": ["bank-2.1..2", "bank-1.3..4"]})
        assert_same(build_network(plan.model_copy(update={"chains": chains})))

    def test_a_string_on_three_chains(self) -> None:
        plan = ferry()
        ring = plan.chains["ring"].model_copy(
            update={"count": 1, "head": "bridge:out-1", "back": "bridge:back-1"}
        )
        chains = {
            "one": ring.model_copy(update={"order": ["bank-1.1"], "shape": "open", "back": None}),
            "two": ring.model_copy(update={"order": ["bank-1.2", "bank-2.1"]}),
            "three": ring.model_copy(
                update={
                    "order": ["bank-1.3..4", "bank-2.2..4"],
                    "head": "bridge:back-1",
                    "back": "bridge:out-1",
                }
            ),
        }
        assert_same(build_network(plan.model_copy(update={"chains": chains})))

    @pytest.mark.parametrize("name", ["rail-trolley", "mine-locomotive"])
    def test_examples(self, name: str) -> None:
        assert_same(build_network(example(name)))


def test_an_open_chain_by_hand() -> None:
    # Four segments, four nodes silent, four babbling, one port: each blinds some cells of the string alone,
    # so no pair is needed. All are lost by the first segment, the first node, any babbling node, the port.
    (pairs,) = string_pairs(build_network(example("rail-trolley")))
    assert (pairs.alone_in_part, pairs.alone_wholly) == (13, 7)
    assert (pairs.in_part, pairs.wholly) == (0, 0)


def test_a_ring_by_hand() -> None:
    # Ten nodes, eleven segments, two ports of its own. Breaks that blind nothing alone: 11 + 2 = 13, of which
    # two stand ahead of node 1 (port and segment) and two behind node 10. Any two with a node between:
    # 13 * 12 / 2 pairs less the two that stand at one place. All ten nodes: the break ahead of node 1
    # (segment, port) or node 1 silent, with the one behind node 10 (segment, port) or node 10 silent.
    pairs = string_pairs(build_network(example("harbour-ferry")))
    assert [each.string for each in pairs] == ["bank-1", "bank-2", "bank-3", "bank-4"]
    for each in pairs:
        assert (each.alone_in_part, each.alone_wholly) == (20, 10)  # silent or babbling; babbling
        assert each.in_part == 13 * 12 // 2 - 2
        assert each.wholly == 3 * 3
