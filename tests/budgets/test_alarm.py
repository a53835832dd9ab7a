"""Alarms of nodes, awake and asleep: the safety times of ISO 26262-1, ways over the graph, paths compared.

The worked safety times are computed from the definitions of ISO 26262-1:2018 (3.55 FDTI, 3.59 FRTI, 3.56
FHTI, 3.61 FTTI), quoted from memory. Ways are checked against shortest paths of networkx.
"""

from __future__ import annotations

from typing import Any

import networkx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from standby_packs import SEGMENTS, evaluation_of, findings_of, plan_of, ticks

from chainplan.budgets.values.alarm import alarm_ways, longest_exchange
from chainplan.budgets.values.latency import HazardLatency
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.figures.terms import Case, parts_add_up

OVER: dict[str, Any] = {"kind": "cell over-voltage", "ftti": "10 s", "reaction": "switch"}
QUICK = {"check_every": "5 ms", "per_hop": "10 us"}
RING = {"line": {"shape": "ring", "back": "C:2"}}


def latency_of(evaluation: Evaluation) -> HazardLatency:
    (latency,) = evaluation.latencies
    return latency


def asleep(evaluation: Evaluation) -> HazardLatency:
    assert evaluation.asleep is not None
    (latency,) = evaluation.asleep.latencies
    return latency


def terms(latency: HazardLatency) -> dict[str, int]:
    return {term.label: term.total for term in latency.detection.terms}


class TestIso26262:
    """Three hits at 100 ms, 20 ms until the result is there: FDTI 320 ms, FRTI 50 ms, FHTI 370 ms."""

    # 20 ms: four hops of 1 ms, 3 ms of conversion, the controller awake after 12 ms, 1 ms of evaluation
    SLEEP = {"check_every": "100 ms", "debounce": 3, "alarm_per_hop": "1 ms", "host_wake": "12 ms"}  # noqa: RUF012
    NODE = {"conversions": {"cell voltages": {"time": "3 ms"}}}  # noqa: RUF012

    def evaluation(self, tolerant: str) -> Evaluation:
        hazard = OVER | {"ftti": tolerant}
        return evaluation_of(4, node=self.NODE, hazards={"over": hazard}, sleep=self.SLEEP)

    def test_intervals(self) -> None:
        latency = asleep(self.evaluation("500 ms"))
        assert latency.detection.total == ticks("320 ms")
        assert latency.reaction.total == ticks("50 ms")
        assert latency.handling.total == ticks("370 ms")
        assert all(map(parts_add_up, latency.handling.terms))

    @pytest.mark.parametrize(
        ("tolerant", "status"), [("500 ms", "met"), ("370.001 ms", "met"), ("370 ms", "missed")]
    )
    def test_equality_is_a_miss(self, tolerant: str, status: str) -> None:
        verdict = asleep_verdict(self.evaluation(tolerant))
        assert (verdict.status, verdict.sense) == (status, "below")


def asleep_verdict(evaluation: Evaluation) -> Figure:
    return next(each for each in evaluation.verdicts if each.target == "fault handling time asleep")


class TestAsleep:
    SLEEP = {"check_every": "1 s", "alarm_per_hop": "1 ms", "host_wake": "20 ms"}  # noqa: RUF012

    def test_a_ftti_of_its_own(self) -> None:
        evaluation = evaluation_of(hazards={"over": OVER}, sleep=self.SLEEP | {"ftti": "1 s"})
        assert asleep_verdict(evaluation).status == "missed"
        assert latency_of(evaluation).ftti == ticks("10 s")

    def test_lost_alarms_cost_a_check_each(self) -> None:
        once = asleep(evaluation_of(hazards={"over": OVER}, sleep=self.SLEEP))
        lost = asleep(
            evaluation_of(hazards={"over": OVER | {"lost_readings": 2, "on_lost": "hold"}}, sleep=self.SLEEP)
        )
        assert lost.detection.total - once.detection.total == ticks("2 s")
        assert lost.typical_detection.total == once.typical_detection.total

    def test_what_nobody_watches(self) -> None:
        warm = {"kind": "over-temperature", "ftti": "10 s", "reaction": "switch"}
        lost = {"kind": "chain loss", "ftti": "10 s", "reaction": "switch"}
        tasks = {"cells": {"value": "16 bit"}, "warm": {"reads": "temperatures", "value": "16 bit"}}
        hazards = {"over": OVER, "warm": warm, "lost": lost}
        evaluation = evaluation_of(hazards=hazards, tasks=tasks, sleep=self.SLEEP)
        assert evaluation.asleep is not None
        assert evaluation.asleep.not_watched == ("warm", "lost")
        checks = {"checks": ["cell voltages", "temperatures"]}
        evaluation = evaluation_of(hazards=hazards, tasks=tasks, sleep=self.SLEEP | checks)
        assert evaluation.asleep is not None
        assert [latency.hazard for latency in evaluation.asleep.latencies] == ["over", "warm"]
        # the warm one converts for 3 ms instead of 2 ms
        over, warmer = evaluation.asleep.latencies
        assert warmer.detection.total - over.detection.total == ticks("1 ms")

    def test_the_ftti_counts_at_its_shortest(self) -> None:
        hazard = OVER | {"ftti": "3 s .. 4 s"}
        assert asleep(evaluation_of(hazards={"over": hazard}, sleep=self.SLEEP)).ftti == ticks("3 s")
        own = self.SLEEP | {"ftti": "1 s .. 2 s"}
        assert asleep(evaluation_of(hazards={"over": hazard}, sleep=own)).ftti == ticks("1 s")

    def test_inputs_that_nobody_has_are_not_watched(self) -> None:
        # Boards without temperature inputs: the nodes check temperatures while asleep, but there are none.
        warm = {"kind": "over-temperature", "ftti": "10 s", "reaction": "switch"}
        tasks = {"warm": {"reads": "temperatures", "value": "16 bit"}}
        plan = plan_of(hazards={"warm": warm}, tasks=tasks, sleep=self.SLEEP | {"checks": ["temperatures"]})
        board = plan.board_types["usual"]
        bare = board.model_copy(update={"nodes": [board.nodes[0].model_copy(update={"temperatures": 0})]})
        sleep = Evaluation(plan.model_copy(update={"board_types": {"usual": bare}})).asleep
        assert sleep is not None
        assert (sleep.latencies, sleep.not_watched) == ((), ("warm",))

    def test_without_sleep_nothing_is_said(self) -> None:
        evaluation = evaluation_of(hazards={"over": OVER})
        assert evaluation.asleep is None
        assert not [each for each in evaluation.verdicts if "asleep" in each.target]


class TestWays:
    @pytest.mark.parametrize(
        ("nodes", "chains", "hops"),
        [(5, None, [1, 2, 3, 4, 5]), (5, RING, [1, 2, 3, 2, 1]), (4, RING, [1, 2, 2, 1]), (1, RING, [1])],
    )
    def test_hops(self, nodes: int, chains: dict[str, Any] | None, hops: list[int]) -> None:
        (chain,) = evaluation_of(nodes, chains=chains).network.chains.values()
        assert [way.hops for way in alarm_ways(chain, Case.WORST, ticks("1 us"))] == hops

    @given(
        st.lists(st.integers(0, 2000), min_size=3, max_size=9),
        st.integers(0, 3000),
        st.booleans(),
    )
    def test_against_shortest_paths(self, metres: list[int], per_hop: int, ring: bool) -> None:
        nodes = len(metres) - 1
        exceptions = {number: {"length": f"{length} m"} for number, length in enumerate(metres, start=1)}
        if not ring:
            del exceptions[len(metres)]
        shape = {"exceptions": exceptions, "segments": SEGMENTS} | (RING["line"] if ring else {})
        (chain,) = evaluation_of(nodes, chains={"line": shape}).network.chains.values()
        graph: networkx.DiGraph[str] = networkx.DiGraph()
        hop = per_hop * 10**6
        for segment in chain.segments:
            # an alarm leaves a node after the time of its hop, whichever way it goes
            for start, end in ((segment.near, segment.far), (segment.far, segment.near)):
                graph.add_edge(start, end, weight=segment.hop.delay.max + (hop if start[0] == "S" else 0))
        ends = [port for port in ("C:1", "C:2") if port in graph]
        for node, way in zip(chain.nodes, alarm_ways(chain, Case.WORST, hop), strict=True):
            shortest = min(networkx.dijkstra_path_length(graph, node.name, port) for port in ends)
            assert way.time(hop) == shortest


class TestPaths:
    """Which guaranteed path is reported, and why."""

    def test_the_task_without_an_alarm(self) -> None:
        assert latency_of(evaluation_of(hazards={"over": OVER})).path == "task cells"

    def test_a_quick_alarm_goes_before_a_slow_task(self) -> None:
        latency = latency_of(evaluation_of(hazards={"over": OVER | {"alarm": QUICK}}))
        assert latency.path == "in-band alarm"
        assert terms(latency) == {
            "check period per hit": ticks("5 ms"),
            "check converts": ticks("2 ms"),
            "alarm per hop": ticks("40 us"),
            "blocked by the running exchange": ticks("8 us")
            + 4 * ticks("72 us"),  # the read, the longest of all
            "wait for the next evaluation": ticks("10 ms"),
            "evaluation run time": ticks("1 ms"),
        }

    def test_with_retries_it_waits_for_an_answer_that_does_not_come(self) -> None:
        # the read as above, its answers of 4 * 72 bit over a bus of 1 Mbit/s, and the time-out: by hand
        latency = latency_of(
            evaluation_of(
                hazards={"over": OVER | {"alarm": QUICK}},
                protocol={"time_out": "70 us"},
                controller={"retry_reserve": 1, "host_bus": {"bit_rate": "1 Mbit/s"}},
            )
        )
        wait = ticks("8 us") + 4 * ticks("72 us") + 4 * ticks("72 us") + ticks("70 us")
        assert terms(latency)["blocked by the running exchange"] == wait
        typical = {term.label: term.total for term in latency.typical_detection.terms}
        assert typical["blocked by the running exchange"] == ticks("8 us") + 4 * ticks("72 us")

    def test_a_check_longer_than_its_period_holds_up_the_next(self) -> None:
        # One node of four converts for 8 ms, though it checks every 5 ms. It samples at 0, 8 and 16 ms; a
        # fault just after 0 is hit at 8 and 16, and known at 24 ms. It is the last one but one: 3 hops.
        alarm = QUICK | {"debounce": 2}
        slow = {3: {"conversions": {"cell voltages": {"time": "8 ms"}}}}
        found = terms(latency_of(evaluation_of(kinds=slow, hazards={"over": OVER | {"alarm": alarm}})))
        assert found["check period per hit"] + found["check converts"] == ticks("24 ms")
        assert found["alarm per hop"] == 3 * ticks("10 us")

    def test_only_exchanges_of_the_same_chain_are_waited_for(self) -> None:
        # Two chains at one port, a node and three: 8 + 72 and 8 + 3 * 72 us.
        chains = {"lower": {"order": ["S.1"]}, "upper": {"order": ["S.2..4"]}}
        scan = evaluation_of(chains=chains).scans["C"]
        waits = [longest_exchange(scan, chain, Case.WORST).total for chain in scan.controller.chains]
        assert waits == [ticks("80 us"), ticks("224 us")]

    def test_lost_hits_decide_which_node_is_slowest(self) -> None:
        # S.3 converts for 8 ms and so checks every 8 ms; S.4 checks every 5 ms, but its filter settles for
        # 10 ms. One hit: 16 against 17 ms. Two more that are lost: 32 against 27 ms.
        kinds = {
            3: {"conversions": {"cell voltages": {"time": "8 ms"}}},
            4: {"conversions": {"cell voltages": {"time": "2 ms", "settling": "10 ms"}}},
        }
        hazard = OVER | {"alarm": QUICK, "lost_readings": 2, "on_lost": "hold"}
        latency = latency_of(evaluation_of(kinds=kinds, hazards={"over": hazard}))
        found = terms(latency)
        assert (found["check period per hit"], found["check converts"]) == (ticks("24 ms"), ticks("8 ms"))
        assert "input filter settles" not in found
        hits = {term.how for term in latency.detection.terms if term.label == "check period per hit"}
        assert hits == {"1 to debounce, 2 lost, each held up by the conversion before"}
        typical = {term.label: term.total for term in latency.typical_detection.terms}
        assert (typical["check period per hit"], typical["input filter settles"]) == (
            ticks("5 ms"),
            ticks("10 ms"),
        )

    def test_a_comparator_takes_no_time(self) -> None:
        latency = latency_of(
            evaluation_of(
                hazards={"over": OVER | {"alarm": QUICK | {"own_line": True, "hardware": True}}},
            )
        )
        assert latency.detection.total == ticks("5 ms") + 4 * ticks("10 us") + ticks("11 ms")
        assert next(term.how for term in latency.detection.terms) == "1 to debounce"

    def test_a_line_of_its_own_waits_for_nothing(self) -> None:
        alarm = QUICK | {"own_line": True}
        latency = latency_of(evaluation_of(hazards={"over": OVER | {"alarm": alarm}}))
        assert latency.path == "alarm on a line of its own"
        assert "blocked by the running exchange" not in terms(latency)

    def test_a_slow_alarm_gives_way_to_the_task(self) -> None:
        alarm = QUICK | {"check_every": "1 s"}
        latency = latency_of(evaluation_of(hazards={"over": OVER | {"alarm": alarm}}))
        assert latency.path == "task cells"
        assert latency.detection == latency_of(evaluation_of(hazards={"over": OVER})).detection

    def test_each_chain_has_its_own_fastest_path(self) -> None:
        """A quick task on one chain says nothing of a fault on the other."""
        chains = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"], "head": "C:2"}}
        tasks = {
            "often": {"value": "16 bit", "chains": ["lower"]},
            "seldom": {"value": "16 bit", "chains": ["upper"], "every": 10},
        }
        evaluation = evaluation_of(hazards={"over": OVER}, tasks=tasks, chains=chains)
        assert latency_of(evaluation).path == "task seldom"
        assert latency_of(evaluation).detection.total > ticks("1 s")

    def test_an_alarm_alone_is_enough(self) -> None:
        tasks = {"warm": {"reads": "temperatures", "value": "16 bit"}}
        evaluation = evaluation_of(hazards={"over": OVER | {"alarm": QUICK}}, tasks=tasks)
        assert latency_of(evaluation).path == "in-band alarm"


class TestChecks:
    def test_no_alarm_over_a_lost_chain(self) -> None:
        lost = {"kind": "chain loss", "ftti": "1 s", "reaction": "switch", "alarm": QUICK}
        message = "an alarm cannot pass a lost chain, so it is no guaranteed way to find it"
        assert message in findings_of(hazards={"lost": lost})

    def test_checks_are_named_once(self) -> None:
        sleep = {
            "check_every": "0 s",
            "alarm_per_hop": "1 us",
            "host_wake": "0 s",
            "checks": ["temperatures", "temperatures"],
        }
        expected = {"a check period must be above zero", "this is named twice"}
        assert expected <= set(findings_of(sleep=sleep))


class TestWhatACheckTakes:
    """Checks take the time of the conversion that the plan names; comparators take none."""

    TWO: dict[str, Any] = {  # noqa: RUF012
        "conversions": {"precise": {"time": "50 ms"}, "cell voltages": {"time": "2 ms", "settling": "1 ms"}}
    }

    def detection(self, **alarm: Any) -> int:
        hazard = OVER | {"alarm": {"check_every": "3 ms", "per_hop": "5 us"} | alarm}
        tasks = {"slow": {"value": "16 bit", "every": 100}}
        return latency_of(
            evaluation_of(1, node=self.TWO, hazards={"over": hazard}, tasks=tasks)
        ).detection.total

    def test_by_hand(self) -> None:
        # One hop of 5 us, the exchange under way, 10 + 1 ms of evaluation: alike in all three. A check of
        # 50 ms every 50 ms: 100 ms; of 2 ms every 3 ms with 1 ms of filter: 6 ms; a comparator's: 3 ms.
        rest = self.detection(hardware=True) - ticks("3 ms")
        assert ticks("11 ms") < rest < ticks("12 ms")
        assert self.detection(conversion="precise") == rest + ticks("100 ms")
        assert self.detection() == rest + ticks("6 ms")

    def test_asleep(self) -> None:
        sleep = {"check_every": "100 ms", "alarm_per_hop": "1 ms", "host_wake": "12 ms"}

        def detected(**more: Any) -> int:
            return asleep(
                evaluation_of(1, node=self.TWO, hazards={"over": OVER}, sleep=sleep | more)
            ).detection.total

        # 100 ms of checks, one hop, the controller wakes and evaluates
        rest = ticks("100 ms") + ticks("1 ms") + ticks("12 ms") + ticks("1 ms")
        assert detected(hardware=True) == rest
        assert detected() == rest + ticks("3 ms")
        assert detected(conversions={"cell voltages": "precise"}) == rest + ticks("50 ms")

    def test_a_conversion_that_a_node_does_not_have_is_an_error(self) -> None:
        alarmed = OVER | {"alarm": QUICK | {"conversion": "precise"}}
        assert "node type `usual` has no conversion `precise` for this alarm" in findings_of(
            hazards={"over": alarmed}
        )
        named: dict[str, Any] = {"kinds": {2: {"conversions": {"fast": {"time": "1 ms"}}}}}
        task = {"cells": {"value": "16 bit", "kind": "read", "reads": "status", "data": "8 bit"}}
        plain = OVER | {"alarm": QUICK}
        message = "node type `at 2` has no conversion `cell voltages` for this alarm"
        assert message in findings_of(hazards={"over": plain}, tasks=task, **named)
        registers = {"kind": "register upset", "ftti": "1 s", "reaction": "switch", "alarm": QUICK}
        check = {"registers": {"kind": "read", "reads": "register check", "data": "8 bit"}}
        assert not [
            each for each in findings_of(hazards={"upset": registers}, tasks=check) if "alarm" in each
        ]
        hardware = OVER | {"alarm": QUICK | {"hardware": True}}
        assert message not in findings_of(hazards={"over": hardware}, tasks=task, **named)
        sleep = {"check_every": "1 s", "alarm_per_hop": "1 ms", "host_wake": "12 ms"}
        message = "node type `at 2` has no conversion `cell voltages` for this check asleep"
        assert message in findings_of(sleep=sleep, tasks=task, **named)
        assert message not in findings_of(sleep=sleep | {"hardware": True}, tasks=task, **named)


class TestNodesThatRaiseNone:
    """An alarm speaks for a chain only if all its nodes that show the hazard raise it."""

    HAZARD: dict[str, Any] = OVER | {"alarm": QUICK}
    DUMB: dict[str, Any] = {"kinds": {3: {"raises_alarms": False}}}  # noqa: RUF012

    def test_their_cells_have_the_task_alone(self) -> None:
        alarmed = latency_of(evaluation_of(hazards={"over": self.HAZARD}))
        mixed = latency_of(evaluation_of(hazards={"over": self.HAZARD}, **self.DUMB))
        assert (alarmed.path, mixed.path) == ("in-band alarm", "task cells")
        assert mixed.detection.total == latency_of(evaluation_of(hazards={"over": OVER})).detection.total

    def test_asleep_nobody_watches_their_cells(self) -> None:
        sleep = {"check_every": "1 s", "alarm_per_hop": "1 ms", "host_wake": "12 ms"}
        found = evaluation_of(hazards={"over": OVER}, sleep=sleep, **self.DUMB).asleep
        assert found is not None
        assert (found.latencies, found.not_watched) == ((), ("over",))

    def test_without_a_task_the_hazard_stays_unknown(self) -> None:
        tasks = {"state": {"kind": "read", "reads": "status", "data": "8 bit"}}
        unknown = "on no chain is there a task and a node that show this hazard, so it stays unknown"
        hazards = {"over": self.HAZARD}
        assert unknown not in findings_of(hazards=hazards, tasks=tasks)
        assert unknown in findings_of(hazards=hazards, tasks=tasks, **self.DUMB)


def test_an_alarm_that_is_lost_is_sent_again() -> None:
    # Two lost, 7 ms from one to the next: 14 ms later.
    def detection(**more: object) -> int:
        alarm = QUICK | more
        (latency,) = evaluation_of(hazards={"over": OVER | {"alarm": alarm}}).latencies
        assert "alarm" in latency.path
        return latency.detection.total

    assert detection(repeat_every="7 ms", lost=2) == detection() + ticks("14 ms")
    assert any(
        "sent again" in each for each in findings_of(hazards={"over": OVER | {"alarm": QUICK | {"lost": 1}}})
    )
