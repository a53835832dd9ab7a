"""Start-up: added up by hand, and walked over the graph with networkx as an independent adder.

No published figure for the start-up of such a chain is known to us: that every node is woken by its neighbour
and addressed one by one is common practice, no source.
"""

from __future__ import annotations

import networkx
import pytest
from standby_packs import SEGMENTS, evaluation_of, ticks

from chainplan.budgets.standby.start_up import StartUp
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.figures.terms import parts_add_up

AWAKE = {"wake": "1 ms .. 3 ms", "addressing": "100 us .. 200 us"}
MILESTONES = [
    "controller ready",
    "all nodes awake",
    "all nodes addressed",
    "all cell voltages in memory",
    "first complete set in memory",
]


def start_of(evaluation: Evaluation) -> StartUp:
    (start,) = evaluation.start_ups
    return start


def at(start: StartUp, name: str) -> int:
    return next(each.worst for each in start.milestones if each.name == name)


def test_without_a_read_there_is_no_first_set() -> None:
    start = start_of(evaluation_of(node=AWAKE, tasks={"off": {"kind": "write"}}))
    assert [milestone.name for milestone in start.milestones] == MILESTONES[:3]
    assert start.longest == 4 * ticks("3 ms") + 4 * ticks("200 us")
    assert start.usual == 4 * ticks("2 ms") + 4 * ticks("150 us")


def test_a_chain_by_hand() -> None:
    start = start_of(
        evaluation_of(
            4,
            node=AWAKE,
            controller={"start": "20 ms .. 30 ms", "set_up": "50 us"},
            tasks={
                "cells": {"value": "16 bit"},
                "warm": {"reads": "temperatures", "value": "16 bit", "every": 5},
            },
        )
    )
    assert [milestone.name for milestone in start.milestones] == MILESTONES
    ready = ticks("30 ms")
    awake = ready + ticks("50 us") + 4 * ticks("3 ms")
    addressed = awake + 4 * (ticks("50 us") + ticks("200 us"))
    # trigger of 8 bit, 2 ms, request of 8 bit and four answers of 8 + 4 * 16 bit; set-up before each
    cells = (
        addressed + 2 * ticks("50 us") + ticks("8 us") + ticks("2 ms") + ticks("8 us") + 4 * ticks("72 us")
    )
    warm = cells + 2 * ticks("50 us") + ticks("8 us") + ticks("3 ms") + ticks("8 us") + 4 * ticks("40 us")
    assert [milestone.worst for milestone in start.milestones] == [ready, awake, addressed, cells, warm]
    assert start.time.total == start.longest == warm
    assert all(map(parts_add_up, start.time.terms))


def test_typical_is_the_middle_of_each() -> None:
    start = start_of(evaluation_of(4, node=AWAKE))
    assert start.typical.total == start.usual == start.longest - 4 * ticks("1 ms") - 4 * ticks("50 us")


def test_wake_is_a_path_through_the_chain() -> None:
    """Against networkx: the length of the path head to tail, each node and cable at its longest."""
    evaluation = evaluation_of(
        5,
        node=AWAKE,
        kinds={3: {"wake": "7 ms"}},
        chains={"line": {"segments": SEGMENTS | {"length": "300 m"}, "head_segment": {"length": "900 m"}}},
    )
    graph: networkx.DiGraph[str] = networkx.DiGraph()
    for segment in evaluation.network.chains["line"].segments:
        wake = evaluation.network.nodes[segment.far].type.wake.max
        graph.add_edge(segment.near, segment.far, weight=segment.hop.delay.max + wake)
    expected = networkx.dijkstra_path_length(graph, "C:1", "S.5")
    assert at(start_of(evaluation), "all nodes awake") == expected
    assert expected == 4 * ticks("3 ms") + ticks("7 ms") + 2100 * ticks("5 ns")


def test_the_host_waits_until_the_last_node_listens() -> None:
    # By hand: node 2 has passed the signal on after 6 ms and listens 9 ms later, at 15 ms; node 4 after 12 ms
    # and 1 ms later, at 13 ms.
    node = AWAKE | {"ready": "0 ms .. 1 ms"}
    start = start_of(evaluation_of(4, node=node, kinds={2: {"ready": "9 ms"}}))
    assert at(start, "all nodes awake") == ticks("15 ms")
    start = start_of(evaluation_of(4, node=node))
    assert at(start, "all nodes awake") == ticks("13 ms")


TWO_PORTS = {"lower": {"order": ["S.1..3"]}, "upper": {"order": ["S.4"], "head": "C:2"}}


class TestPorts:
    def test_ports_run_side_by_side(self) -> None:
        start = start_of(evaluation_of(4, node=AWAKE, chains=TWO_PORTS))
        assert at(start, "all nodes awake") == 3 * ticks("3 ms")
        assert at(start, "all nodes addressed") == 3 * ticks("3 ms") + 3 * ticks("200 us")

    def test_chains_on_one_port_run_one_after_another(self) -> None:
        one_port = {"lower": {"order": ["S.1..3"]}, "upper": {"order": ["S.4"]}}
        start = start_of(evaluation_of(4, node=AWAKE, chains=one_port))
        assert at(start, "all nodes awake") == 4 * ticks("3 ms")

    def test_one_core_serves_the_ports_in_rotation(self) -> None:
        # Set-ups of 500 us. Wake: lower 0.5 + 9 ms, upper its set-up after the lower one's, 1 + 3 ms.
        # Addressing of 200 us each: lower 0.5..0.7, upper 1.0..1.2, lower again 1.0 + 0.5..1.7, then ..2.4
        start = start_of(evaluation_of(4, node=AWAKE, chains=TWO_PORTS, controller={"set_up": "500 us"}))
        assert at(start, "all nodes awake") == ticks("9.5 ms")
        assert at(start, "all nodes addressed") - at(start, "all nodes awake") == ticks("2.4 ms")

    def test_each_port_for_itself(self) -> None:
        controller = {"set_up": "500 us", "set_up_by": "each port"}
        start = start_of(evaluation_of(4, node=AWAKE, chains=TWO_PORTS, controller=controller))
        assert at(start, "all nodes addressed") - at(start, "all nodes awake") == ticks("2.1 ms")

    def test_waiting_for_the_core_is_a_term(self) -> None:
        start = start_of(evaluation_of(4, node=AWAKE, chains=TWO_PORTS, controller={"set_up": "500 us"}))
        addressing = next(term for term in start.time.terms if term.label == "addressing")
        assert ("waiting for the host core", ticks("300 us")) in [
            (part.label, part.total) for part in addressing.parts
        ]
        assert parts_add_up(addressing)


@pytest.mark.parametrize(("task", "rounds"), [({"overlap": True}, 1), ({"kind": "read"}, 2)])
def test_the_first_set_waits_for_a_conversion(task: dict[str, object], rounds: int) -> None:
    """An overlapped read and one without a trigger wait in the first run, though not in later ones.

    Without a trigger the round that goes on ends, and then a whole one.
    """
    evaluation = evaluation_of(4, node=AWAKE, tasks={"cells": {"value": "16 bit"} | task})
    start = start_of(evaluation)
    later = evaluation.scans["C"].worst.total
    assert start.longest - at(start, "all nodes addressed") == later + rounds * ticks("2 ms")


def test_writes_are_no_readings() -> None:
    tasks = {"cells": {"value": "16 bit"}, "bleed": {"kind": "write", "data": "64 bit"}}
    assert start_of(evaluation_of(tasks=tasks)).longest == start_of(evaluation_of()).longest


def test_retries_are_added_once() -> None:
    evaluation = evaluation_of(4, node=AWAKE, controller={"retry_reserve": 2})
    start = start_of(evaluation)
    without = start_of(evaluation_of(4, node=AWAKE)).longest
    assert start.longest == without + evaluation.scans["C"].reserve.total
    assert start.usual < start.longest - evaluation.scans["C"].reserve.total


def verdict_of(evaluation: Evaluation) -> Figure:
    return next(verdict for verdict in evaluation.verdicts if verdict.target == "start-up")


def test_verdict_at_the_limit() -> None:
    longest = start_of(evaluation_of(4, node=AWAKE)).longest
    assert longest % 1000 == 0  # whole picoseconds, the smallest unit of a plan
    at_the_limit = verdict_of(evaluation_of(4, node=AWAKE, targets={"start_up": f"{longest // 1000} ps"}))
    below = verdict_of(evaluation_of(4, node=AWAKE, targets={"start_up": f"{longest // 1000 - 1} ps"}))
    assert (at_the_limit.status, at_the_limit.margin) == ("met", 0)
    assert (below.status, below.margin) == ("missed", -1000)
    assert at_the_limit.note == "the controller's own start is not in the plan"


def test_what_is_not_in_the_plan_is_not_judged() -> None:
    verdict = verdict_of(evaluation_of(4, node={"wake": "1 ms"}, targets={"start_up": "1 s"}))
    assert verdict.status == "not checked"
    assert verdict.note == "the type of node S.1 gives no `addressing` time"
