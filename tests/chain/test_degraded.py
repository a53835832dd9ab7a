"""What a fault leaves of a network, checked against reachability on a graph worked out by networkx.

networkx is a general graph library and knows nothing of chains: a node is blind when no path of chain
segments joins it to a living port. The facts about paths and cycles are textbook ones: every edge of a path
is a bridge and every inner vertex a cut vertex, a cycle has neither (Whitney, "Congruent graphs and the
connectivity of graphs", American Journal of Mathematics 54, 1932; Menger, "Zur allgemeinen Kurventheorie",
Fundamenta Mathematicae 10, 1927; both from memory).
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import networkx as nx
import pytest
from hypothesis import HealthCheck, given, settings
from strategies import plans

from chainplan.budgets.scanning.wire import way_along
from chainplan.chain.build import build_network
from chainplan.chain.degraded import (
    Fault,
    Gap,
    Left,
    degraded_network,
    gaps_of,
    left_of,
    single_faults,
    tasks_after,
    unmonitored_nodes,
    what_is_left,
)
from chainplan.chain.ends import from_back, from_head
from chainplan.chain.network import Network
from chainplan.figures.terms import Case
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.quantity import Span

CONFIGS = Path(__file__).parent.parent.parent / "configs"
EXAMPLES = ["rail-trolley", "harbour-ferry", "mine-locomotive", "storage-container"]
FEW = settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))


def example(name: str) -> Plan:
    """Return an example without its jabber limits, which tests give it."""
    plan = load_plan(CONFIGS / f"{name}.yaml").plan
    nodes = {key: node.model_copy(update={"jabber_limit": None}) for key, node in plan.node_types.items()}
    return plan.model_copy(update={"node_types": nodes})


def limited(plan: Plan, *types: str) -> Plan:
    """The plan with a jabber limit of 5 ms on some node types, or on all."""
    limit = {"jabber_limit": Span.exact(5 * 10**12)}
    nodes = {
        name: node.model_copy(update=limit) if name in types or not types else node
        for name, node in plan.node_types.items()
    }
    return plan.model_copy(update={"node_types": nodes})


def switches(network: Network, controller: str) -> bool:
    """By the plan: with a `recovery` broken rings are read from both ends."""
    return network.controllers[controller].settings.recovery is not None


def wires(network: Network) -> nx.Graph[str]:
    """Ports, nodes and segments alone; every segment is a vertex too, so that two ends may have several."""
    graph: nx.Graph[str] = nx.Graph()
    for near, far, key, data in network.graph.edges(keys=True, data=True):
        if key == "chain":
            nx.add_path(graph, [near, f"segment {data['part'].name}", far])
    return graph


def blind_on_graph(network: Network, *faults: Fault) -> set[str]:
    """The nodes that no living port reaches once the faulty parts are taken out of the graph.

    Nobody listens at the back of a ring that is not switched, and one read across is dumb once it is broken.
    """
    graph = wires(network)
    deaf = [chain for chain in network.chains.values() if not switches(network, chain.controller)]
    graph.remove_nodes_from([f"segment {ring.segments[-1].name}" for ring in deaf if ring.is_ring])
    for ring in deaf:
        touched = any(
            fault.chain == ring.name
            or (fault.kind == "controller dead" and fault.part == ring.controller)
            or (fault.kind == "port dead" and fault.part in (ring.head, ring.back))
            for fault in faults
        )
        if ring.plan.read_from == "across" and touched:
            graph.remove_nodes_from([node.name for node in ring.nodes])
    ports = {port for controller in network.controllers.values() for port in controller.ports}
    for fault in faults:
        if fault.kind == "segment open or shorted":
            graph.remove_nodes_from([f"segment {fault.part}"])
        elif fault.kind == "controller dead":
            ports -= set(network.controllers[fault.part].ports)
        elif fault.kind == "port dead":
            ports -= {fault.part}
        elif fault.kind == "node babbling" and network.nodes[fault.part].type.jabber_limit is None:
            graph.remove_nodes_from([node.name for node in network.chains[fault.chain].nodes])
        else:
            graph.remove_nodes_from([fault.part])
    # A chain ends at a port: no path goes on through one to another chain.
    ends = {port for controller in network.controllers.values() for port in controller.ports}
    inside = graph.subgraph(set(graph) - ends)
    seen: set[str] = set()
    for port in ports & set(graph):
        for start in graph[port]:
            seen |= nx.node_connected_component(inside, start)
    return set(network.nodes) - seen


def blind(network: Network, *faults: Fault) -> set[str]:
    gaps = [gap for fault in faults for gap in gaps_of(network, fault)]
    return {node.name for node in unmonitored_nodes(network, what_is_left(network, gaps))}


class TestReachability:
    @pytest.mark.parametrize("name", EXAMPLES)
    def test_every_single_fault_of_the_examples(self, name: str) -> None:
        for plan in (example(name), limited(example(name))):
            network = build_network(plan)
            for fault in single_faults(network):
                assert blind(network, fault) == blind_on_graph(network, fault), fault.name

    @FEW
    @given(plans())
    def test_every_single_fault_of_any_plan(self, plan: Plan) -> None:
        network = build_network(limited(plan, "N1"))
        faults = list(single_faults(network))
        assert len(set(faults)) == len(faults)
        for fault in faults:
            assert blind(network, fault) == blind_on_graph(network, fault), fault.name

    @FEW
    @given(plans())
    def test_two_faults_at_once(self, plan: Plan) -> None:
        network = build_network(limited(plan, "N1"))
        for pair in pairwise([*single_faults(network)][::3]):
            assert blind(network, *pair) == blind_on_graph(network, *pair), [fault.name for fault in pair]

    @FEW
    @given(plans())
    def test_what_is_left_is_all_that_is_not_blind(self, plan: Plan) -> None:
        network = build_network(plan)
        for fault in single_faults(network):
            after = degraded_network(network, what_is_left(network, gaps_of(network, fault)))
            assert set(after.nodes) == set(network.nodes) - blind(network, fault)
            assert all(
                len(chain.segments) == len(chain.nodes)
                for chain in after.chains.values()
                if chain.back is None
            )


class TestPathsAndCycles:
    """An open chain is a path that hangs on its port; a ring closes through its controller to a cycle."""

    def edges_and_nodes(self, name: str, chain: str) -> tuple[Network, nx.Graph[str]]:
        network = build_network(example(name))
        graph: nx.Graph[str] = nx.Graph(
            (controller, port) for controller, each in network.controllers.items() for port in each.ports
        )
        graph.add_edges_from((each.near, each.far) for each in network.chains[chain].segments)
        return network, graph

    def test_every_segment_of_an_open_chain_is_a_bridge(self) -> None:
        network, graph = self.edges_and_nodes("rail-trolley", "line")
        bridges = {frozenset(edge) for edge in nx.bridges(graph)}
        for segment in network.chains["line"].segments:
            assert {segment.near, segment.far} in bridges
            fault = next(each for each in single_faults(network) if each.part == segment.name)
            assert blind(network, fault) == {
                node.name for node in network.chains["line"].nodes[segment.number - 1 :]
            }

    def test_no_segment_of_a_ring_is_a_bridge(self) -> None:
        network, graph = self.edges_and_nodes("harbour-ferry", "ring-1")
        bridges = {frozenset(edge) for edge in nx.bridges(graph)}
        cut_vertices = set(nx.articulation_points(graph))
        for segment in network.chains["ring-1"].segments:
            assert {segment.near, segment.far} not in bridges
        for fault in single_faults(network):
            if fault.kind == "segment open or shorted":
                assert blind(network, fault) == set()
            if fault.kind == "node silent" and fault.chain == "ring-1":
                assert fault.part not in cut_vertices
                assert blind(network, fault) == {fault.part}

    def test_two_cuts_of_a_ring_blind_what_lies_between(self) -> None:
        network = build_network(example("harbour-ferry"))
        chain = network.chains["ring-2"]
        left = left_of(network, chain, [Gap("ring-2", 7, 7), Gap("ring-2", 2, 2)])
        assert left == Left("ring-2", 2, 3)
        assert [node.name for node in unmonitored_nodes(network, [left])] == [
            f"bank-2.{n}" for n in range(3, 8)
        ]


class TestSides:
    def test_a_ring_from_its_back(self) -> None:
        chain = build_network(example("harbour-ferry")).chains["ring-3"]
        turned = from_back(chain)
        assert turned.head == "bridge:back-3"
        assert not turned.is_ring
        assert [node.name for node in turned.nodes] == [f"bank-3.{n}" for n in range(10, 0, -1)]
        ends = [(segment.near, segment.far) for segment in turned.segments]
        assert ends[:2] == [("bridge:back-3", "bank-3.10"), ("bank-3.10", "bank-3.9")]
        assert [segment.number for segment in turned.segments] == list(range(1, 11))
        assert {segment.name for segment in turned.segments} == {f"{turned.name}#{n}" for n in range(1, 11)}

    def test_the_cables_on_both_ways_are_those_of_the_plan(self) -> None:
        # configs/harbour-ferry.yaml: head and back segment 6 m, the sixth hop 1.4 m, all others 0.6 m.
        chain = build_network(example("harbour-ferry")).chains["ring-1"]
        lengths = [segment.hop.length.max // 10**6 for segment in from_head(chain).segments]
        assert lengths == [6000, 600, 600, 600, 600, 1400, 600, 600, 600, 600]
        lengths = [segment.hop.length.max // 10**6 for segment in from_back(chain).segments]
        assert lengths == [6000, 600, 600, 600, 600, 1400, 600, 600, 600, 600]
        whole = way_along(chain, Case.WORST)
        ahead, behind = (way_along(from_head(chain), Case.WORST), way_along(from_back(chain), Case.WORST))
        relays = sum(node.type.forwarding.downstream.max for node in chain.nodes)
        assert ahead.out == whole.out
        # From head to node k and from the back to node k + 1 is the ring but for one hop and two relays.
        for place in range(9):
            hop = chain.segments[place + 1].hop.delay.max
            two = sum(chain.nodes[each].type.forwarding.downstream.max for each in (place, place + 1))
            assert ahead.out[place] + behind.out[8 - place] + hop + two == whole.across
        assert whole.across == sum(segment.hop.delay.max for segment in chain.segments) + relays

    def test_barriers_change_ends(self) -> None:
        chain = build_network(example("harbour-ferry")).chains["ring-1"]
        segments = from_back(chain).segments
        for turned, segment in zip(segments, reversed(chain.segments[1:]), strict=True):
            assert (turned.near, turned.far) == (segment.far, segment.near)
            assert turned.hop.near_barrier == segment.hop.far_barrier
            assert turned.hop.far_barrier == segment.hop.near_barrier

    def test_an_open_chain_has_no_back(self) -> None:
        chain = build_network(example("rail-trolley")).chains["line"]
        assert from_head(chain) is chain
        with pytest.raises(ValueError, match="open chain"):
            from_back(chain)

    def test_both_parts_keep_the_place_of_their_ring(self) -> None:
        network = build_network(example("harbour-ferry"))
        after = degraded_network(network, [Left("ring-2", 4, 6)])
        names = [chain.name for chain in after.controllers["bridge"].chains]
        assert names == ["ring-1", "ring-2", "ring-2 from the back", "ring-3", "ring-4"]
        assert list(after.chains) == names
        assert len(after.chains["ring-2"].nodes) == 4
        assert len(after.chains["ring-2 from the back"].nodes) == 6
        assert after.strings == network.strings

    def test_a_task_told_to_run_on_a_ring_runs_on_both_its_parts(self) -> None:
        plan = example("harbour-ferry")
        task = plan.tasks["temperatures"].model_copy(update={"chains": ["ring-2"]})
        after = tasks_after(plan.tasks | {"temperatures": task}, [Left("ring-2", 4, 6)])
        assert after["temperatures"].chains == ["ring-2", "ring-2 from the back"]
        assert after["cell voltages"].chains is None


class TestBabbling:
    def test_without_a_limit_it_jams_its_chain(self) -> None:
        network = build_network(example("harbour-ferry"))
        fault = Fault("node babbling", "bank-1.4", "bridge", "ring-1", 4)
        assert blind(network, fault) == {f"bank-1.{n}" for n in range(1, 11)}

    def test_with_a_limit_it_falls_silent(self) -> None:
        network = build_network(limited(example("harbour-ferry")))
        fault = Fault("node babbling", "bank-1.4", "bridge", "ring-1", 4)
        assert blind(network, fault) == {"bank-1.4"}

    def test_on_an_open_chain_with_a_limit_all_beyond_are_lost(self) -> None:
        network = build_network(limited(example("rail-trolley")))
        fault = Fault("node babbling", "main.3", "trolley", "line", 3)
        assert blind(network, fault) == {"main.3", "main.4"}


def test_names_of_faults() -> None:
    faults = [fault.name for fault in single_faults(build_network(example("rail-trolley")))]
    assert faults[0] == "segment line#1 open or shorted"
    assert faults[4] == "node main.1 silent"
    assert faults[8] == "node main.1 babbling"
    assert faults[12:] == ["port trolley:1 dead", "controller trolley dead"]
