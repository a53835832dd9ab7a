"""Waits for answers: worked out by hand, and against the simulation, which walks every frame hop by hop."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from standby_packs import evaluation_of
from strategies import plan_data
from wire_plans import evaluated, example, verdict, wire_plan

from chainplan.budgets.line.answer_window import Wait, chain_waits
from chainplan.evaluation import Evaluation
from chainplan.plan.model import Plan
from chainplan.quantity import Span
from chainplan.witness.draw import Draw
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

NS = 10**6
US = 10**9
C0 = 299_792_458


def waits(evaluation: Evaluation, chain: str = "line") -> dict[str, Wait]:
    return {wait.style: wait for wait in evaluation.lengths[chain].waits}


def test_a_polled_chain_by_hand() -> None:
    """To the last of three nodes: 3 m at 0.6 c and two relays each way, 2 us to turn round."""
    wait = waits(evaluated(wire_plan(nodes=3)))["polled"]
    assert wait.node == "S.3"
    cable = 3 / (0.6 * C0) * 1e15
    assert wait.worst.total == pytest.approx(2 * cable + 2 * 2 * 100 * NS + 2 * US, abs=10)
    assert sum(term.total for term in wait.worst.terms) == wait.worst.total


def test_store_and_forward_adds_whole_frames() -> None:
    data = wire_plan(nodes=3)
    data["node_types"]["node"]["forwarding"]["style"] = "store-and-forward"
    wait = waits(evaluated(data))["polled"]
    # two relays: the request of 6 + 2 byte twice, the answer of 8 + 2 byte twice, 1 us a bit
    cable = 3 / (0.6 * C0) * 1e15
    frames = 2 * (64 + 80) * US
    assert wait.worst.total == pytest.approx(2 * cable + 2 * 2 * 100 * NS + 2 * US + frames, abs=10)


def test_the_node_that_may_answer_last_need_not_be_the_farthest() -> None:
    # No cable, no relay: the first of three nodes turns round in 1 to 9 us, the others in 5 us.
    scan = evaluation_of(
        3,
        node={"turn_around": "5 us"},
        kinds={1: {"turn_around": "1 us .. 9 us"}},
        protocol={"read_style": "polled"},
    ).scans["C"]
    (wait,) = chain_waits(scan, scan.controller.chains[0])
    assert (wait.node, wait.worst.total, wait.typical.total) == ("S.1", 9 * US, 5 * US)


@pytest.mark.parametrize("style", ["polled", "sequential", "summation"])
def test_window_met_exactly_and_missed_by_a_femtosecond(style: str) -> None:
    wait = waits(evaluated(wire_plan(nodes=3, style=style)))[style].worst.total
    for window, status in ((Span(wait, wait + 1, wait + 2), "met"), (Span(wait - 1, wait, wait), "missed")):
        found = verdict(
            evaluated(wire_plan(nodes=3, style=style, protocol={"answer_window": window})),
            "wait for an answer",
        )
        assert (found.status, found.value) == (status, wait)


def test_every_read_style_in_use_is_judged() -> None:
    data = wire_plan(nodes=3, protocol={"answer_window": "1 ms"})
    data["tasks"]["again"] = data["tasks"]["cells"] | {"read_style": "summation"}
    found = [each for each in evaluated(data).verdicts if each.target == "wait for an answer"]
    assert [each.subject for each in found] == ["line, polled", "line, summation"]


def test_one_protocol_with_a_window_is_enough() -> None:
    data = wire_plan(protocol={"answer_window": "1 ms"})
    data["protocols"]["other"] = {key: data["protocols"]["wire"][key] for key in ("bit_rate", "read_style")}
    plan = Plan.model_validate(data)
    found = [each for each in Evaluation(plan).verdicts if each.target == "wait for an answer"]
    assert [each.subject for each in found] == ["line, polled"]


def test_without_a_window_nothing_is_judged() -> None:
    assert not [each for each in evaluated(wire_plan()).verdicts if each.target == "wait for an answer"]


class Watch:
    """Takes down, per chain, the longest time between a request and the first answer at the port.

    From the end of the request to the first bit of an answer; for a summation frame from its first bit out to
    its first bit back, at the port where it comes back.
    """

    def __init__(self, evaluation: Evaluation) -> None:
        self.chains = {chain.name: chain for scan in evaluation.scans.values() for chain in scan.chains}
        self.sent: dict[str, tuple[int, int]] = {}
        self.longest: dict[str, int] = {}

    def __call__(self, name: str, segment: int, way: str, begin: int, end: int) -> None:
        chain = self.chains[name]
        summation = chain.protocol.read_style == "summation"
        hop = chain.segments[0].hop.delay.max
        if segment == 0 and way == "out":
            self.sent[name] = begin - hop, end - hop
        arrived = None
        if summation and chain.plan.read_from == "across":
            arrived = begin if segment == len(chain.segments) - 1 else None
        elif segment == 0 and way == "home":
            arrived = begin + hop
        if arrived is not None and name in self.sent:
            wait = arrived - self.sent.pop(name)[0 if summation else 1]
            self.longest[chain.wires] = max(self.longest.get(chain.wires, 0), wait)


def simulated(evaluation: Evaluation) -> dict[str, int]:
    watch = Watch(evaluation)
    phases = {name: scan.phases.phases for name, scan in evaluation.scans.items()}
    cycle = max(scan.phases.major_cycle for scan in evaluation.scans.values())
    simulate(Pack.of(evaluation.plan), phases, min(cycle, 24), Draw("worst"), watcher=watch)
    return watch.longest


def bounds(evaluation: Evaluation) -> dict[str, int]:
    return {
        name: max(wait.worst.total for wait in length.waits)
        for name, length in evaluation.lengths.items()
        if length.waits
    }


@pytest.mark.parametrize("name", ["rail-trolley", "harbour-ferry", "storage-container", "mine-locomotive"])
def test_examples_wait_exactly_as_long_as_computed(name: str) -> None:
    evaluation = evaluated(example(name))
    assert simulated(evaluation) == bounds(evaluation)


@settings(max_examples=10, deadline=None)
@given(plan_data())
def test_any_plan_waits_exactly_as_long_as_computed(data: dict[str, Any]) -> None:
    for task in data["tasks"].values():
        task["read_style"] = None
    evaluation = evaluated(data)
    assert simulated(evaluation) == bounds(evaluation)
