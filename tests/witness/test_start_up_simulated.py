"""Start-up under simulation: woken, addressed and read step by step, against the computed milestones."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from lab_plans import BRIDGES, LAYOUTS, RELAYS, lab
from plan_counts import several
from strategies import plans

from chainplan.budgets.standby.start_up import Milestone
from chainplan.evaluation import Evaluation
from chainplan.figures.terms import Case
from chainplan.witness.compare import compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults, LostReads
from chainplan.witness.pack import Pack
from chainplan.witness.record import ControllerRecord
from chainplan.witness.simulations import SimulationCase, simulate_cases
from chainplan.witness.start import simulate_start

TASKS: dict[str, dict[str, Any]] = {
    "temperatures": {"reads": "temperatures", "every": 3, "value": "16 bit", "overlap": True},
    "balancing": {"kind": "write", "every": 2, "data": "8 byte"},
    "cells": {"reads": "cell voltages", "value": "16 bit", "values_per_read": 4},
    "freely": {"kind": "read", "reads": "cell voltages", "value": "12 bit"},
    "status": {"kind": "read", "reads": "status", "data": "2 byte"},
}


def started(
    evaluation: Evaluation, draw: Draw, faults: Faults | None = None, seed: int = 0
) -> ControllerRecord:
    record = simulate_start(
        Pack.of(evaluation.plan), phases_of(evaluation), 0, draw, seed, faults or Faults()
    )
    return record.controllers["C"]


def without_retries(evaluation: Evaluation) -> list[Milestone]:
    """Return the milestones as they are when no read has to be repeated."""
    (start,) = evaluation.start_ups
    return [
        each._replace(worst=each.worst - start.reserve.total) if "memory" in each.name else each
        for each in start.milestones
    ]


def assert_exact(evaluation: Evaluation) -> None:
    """Every milestone is reached exactly when it was computed to be, everything at its worst."""
    record = started(evaluation, Draw("worst"))
    expected = {each.name: each.worst for each in without_retries(evaluation)}
    assert {name: tally.max for name, tally in record.start_up.items()} == expected
    assert not record.beyond


@pytest.mark.parametrize("relays", RELAYS)
@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_one_chain_starts_exactly_when_computed(style: str, relays: str) -> None:
    for bridge in BRIDGES:
        for shape in ("open", "ring", "across") if style == "summation" else ("open", "ring"):
            assert_exact(lab(style=style, relays=relays, shape=shape, bridge=bridge, tasks=TASKS))


@pytest.mark.parametrize("set_up_by", ["one core", "each port"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_chains_and_ports_start_exactly_when_computed(layout: str, set_up_by: str) -> None:
    for style in ("summation", "sequential", "polled"):
        assert_exact(lab(style=style, layout=layout, set_up_by=set_up_by, tasks=TASKS))
        assert_exact(lab(style=style, layout=layout, set_up_by=set_up_by))


@pytest.mark.parametrize("retries", [1, 3])
@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_retries_use_up_exactly_the_reserve(style: str, retries: int) -> None:
    evaluation = lab(style=style, bridge="whole frames", controller={"retry_reserve": retries}, tasks=TASKS)
    simulated = simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), start_ups(evaluation))
    last = [row for row in compare(evaluation, simulated.record) if row.quantity == "start-up"][-1]
    assert last.subject == "first complete set in memory"
    assert last.largest == last.bound == evaluation.start_ups[0].longest


def start_ups(evaluation: Evaluation, seeds: int = 1) -> list[SimulationCase]:
    wanted = cases(evaluation, scans=1, seeds=seeds)
    return [each for each in wanted if each.run is simulate_start]


def test_wake_and_addressing_by_hand() -> None:
    # nine nodes on one chain: a set-up and 3 ms each with the cables between; then a set-up and 200 us each
    record = started(lab(), Draw("worst"))
    us = 10**9
    reached = {name: tally.max or 0 for name, tally in record.start_up.items()}
    assert reached["controller ready"] == 30_000 * us
    cables = reached["all nodes awake"] - 30_000 * us - 15 * us - 9 * 3000 * us
    assert 0 < cables < us  # some 4 m and a dozen barriers and plugs
    assert reached["all nodes addressed"] - reached["all nodes awake"] == 9 * (15 + 200) * us


def test_a_read_that_stays_lost_reaches_no_milestone() -> None:
    evaluation = lab(tasks=TASKS, controller={"retry_reserve": 1})
    lost = Faults(lost=(LostReads("cells", attempts=9, missing=True),))
    record = started(evaluation, Draw("worst"), lost)
    assert list(record.start_up) == ["controller ready", "all nodes awake", "all nodes addressed"]
    assert record.beyond["start-up"] == 1


def test_drawn_starts_lie_between_the_corners() -> None:
    evaluation = lab(tasks=TASKS, relays="mixed")
    best, worst = (started(evaluation, Draw(end)).start_up for end in ("best", "worst"))
    for kind in ("each device", "each event"):
        for seed in range(5):
            for name, tally in started(evaluation, Draw(kind), seed=seed).start_up.items():
                low, high = best[name].min, worst[name].max
                assert tally.min is not None
                assert tally.max is not None
                assert low is not None
                assert high is not None
                assert low <= tally.min
                assert tally.max <= high


@settings(max_examples=several(30))
@given(plans())
def test_no_plan_starts_later_than_computed(plan: Any) -> None:
    evaluation = Evaluation(plan)
    ways = evaluation.scans["C"].ways[Case.WORST]
    if not ways.shared or ways.host.order != "any":  # else the figure is a bound of every order
        assert_exact(evaluation)
    record = simulate_cases(
        Pack.of(evaluation.plan), phases_of(evaluation), start_ups(evaluation, seeds=2)
    ).record
    assert not record.controllers["C"].beyond
    assert [row for row in compare(evaluation, record) if not row.ok] == []
