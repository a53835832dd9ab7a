"""Rings that a task reads from the back: their return path is known to be broken no later than computed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from lab_plans import RELAYS, lab
from plan_counts import several
from strategies import Data, may_be_sent_from_back, plan_data, spans

from chainplan.evaluation import Evaluation
from chainplan.plan.checks import check_plan
from chainplan.plan.model import Plan
from chainplan.witness.breaks import SimulatedBreak
from chainplan.witness.compare import SimulatedRow, compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.debounce import Debouncing
from chainplan.witness.draw import Draw
from chainplan.witness.faults import ChainLoss, Cut, Faults
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate
from chainplan.witness.simulations import SimulationCase, simulate_cases

CELLS: Data = {"reads": "cell voltages", "value": "16 bit", "values_per_read": 4}
WAY_BACK: Data = {
    "kind": "read",
    "reads": "status",
    "data": "1 byte",
    "every": 4,
    "sent_from": "back",
    "reversal": "1 ms .. 2 ms",
}
LOST: Data = {
    "kind": "chain loss",
    "debounce": 2,
    "lost_readings": 1,
    "on_lost": "hold",
    "ftti": "9 s",
}

OPEN_ENDS = 2
"""A fault falls 1 fs after its place was needed, the evaluation has begun 1 fs before it is due again."""


def ring(style: str, relays: str = "cut-through", retries: int = 0, **sections: Any) -> Evaluation:
    return lab(
        style=style,
        shape="ring",
        relays=relays,
        tasks={"cells": CELLS, "return path": WAY_BACK},
        hazards={"lost": LOST | {"reaction": "contactor"}},
        controller={"retry_reserve": retries},
        **sections,
    )


def broken(evaluation: Evaluation, wanted: list[SimulationCase] | None = None) -> list[SimulatedRow]:
    cornered = wanted or [
        each for each in cases(evaluation, scans=1, seeds=1) if isinstance(each.run, SimulatedBreak)
    ]
    return compare(
        evaluation, simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), cornered).record
    )


@pytest.mark.parametrize("retries", [0, 2])
@pytest.mark.parametrize("relays", RELAYS)
@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_every_place_is_known_just_in_time(style: str, relays: str, retries: int) -> None:
    evaluation = ring(style, relays, retries)
    assert evaluation.faults.unknown == ()
    rows = [row for row in broken(evaluation) if row.quantity == "fault known"]
    assert {row.subject for row in rows} >= {
        f"segment chain 1#{number} open or shorted" for number in (1, 10)
    }
    for row in rows:
        assert row.ok, row
        # Frames stored on their way, and the tail of polled reads, need a place a little longer.
        assert row.largest >= 0.97 * row.bound, row
        if relays == "cut-through" and not retries and style != "polled":
            assert row.largest >= row.bound - OPEN_ENDS, row


@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_a_ring_read_from_the_back_alone_is_known_just_in_time(style: str) -> None:
    evaluation = lab(
        style=style,
        shape="ring",
        tasks={"cells": CELLS | {"sent_from": "back"}},
        hazards={"lost": LOST | {"reaction": "contactor"}},
        controller={"retry_reserve": 0},
    )
    hidden = {"segment chain 1#1 open or shorted", "port C:1 dead"}
    assert {each.name for each in evaluation.faults.unknown} == hidden
    rows = [row for row in broken(evaluation) if row.quantity == "fault known"]
    nodes = [node.name for node in evaluation.network.chains["chain 1"].nodes]
    assert {row.subject for row in rows} >= {f"node {nodes[place]} silent" for place in (0, 4, 8)}
    for row in rows:
        assert row.ok, row
        assert row.largest >= (0.97 * row.bound if style == "polled" else row.bound - OPEN_ENDS), row


@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_the_last_segment_is_detected_by_the_slow_task_alone(style: str) -> None:
    # 3 bad runs of the task, every 4 scans of 50 ms; the others need one scan each.
    faults = {each.name: each for each in ring(style).faults.outcomes}
    period = 50_050 * 10**9
    for name in ("segment chain 1#10 open or shorted", "port C:back dead"):
        known = faults[name].known
        assert known is not None
        assert known.task == "return path"
        assert 12 * period < known.total < 13 * period
    for number in range(1, 10):
        known = faults[f"segment chain 1#{number} open or shorted"].known
        assert known is not None
        assert known.task == "cells"
        assert 3 * period < known.total < 4 * period


def test_without_such_a_task_the_return_path_stays_hidden() -> None:
    evaluation = lab(style="sequential", shape="ring", tasks={"cells": CELLS})
    assert {each.name for each in evaluation.faults.unknown} == {
        "segment chain 1#10 open or shorted",
        "port C:back dead",
    }


def test_a_cut_is_met_from_either_side_by_hand() -> None:
    # Chain 1 has nine nodes. Segment 3 is the eighth of ten from the back; node 3, between segments 3 and 4,
    # silences from there on what lies beyond segment 4, the seventh from the back.
    chain = next(each for each in ring("polled").scans["C"].chains if each.ring)
    assert Cut("chain 1", 3, at=0).seen_along(chain) == 8
    assert Cut("chain 1", 3, at=0, node=True).seen_along(chain) == 7
    assert Cut("chain 1", 10, at=0).seen_along(chain) == 1


@st.composite
def ring_plans(draw: st.DrawFn) -> Plan:
    """Draw a plan of rings with a common back port, some of its tasks sent from there."""
    data = draw(plan_data())
    styles = {name: wire["read_style"] for name, wire in data["protocols"].items()}
    ports = data["controllers"]["C"]["ports"]
    for chain in data["chains"].values():
        chain |= {"shape": "ring", "back": f"C:{ports}", "read_from": "head"}
    for number, task in enumerate(data["tasks"].values()):
        assert all(may_be_sent_from_back(task, chain, styles) for chain in data["chains"].values())
        task["sent_from"] = "back" if number == 0 else draw(st.sampled_from(["head", "back"]))
        task["reversal"] = draw(spans(2, "ms")) if task["sent_from"] == "back" else "0 s"
    return Plan.model_validate(data)


MANY = settings(
    max_examples=several(15),
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # a plan takes long to shrink
)


@MANY
@given(ring_plans())
def test_no_ring_is_known_to_be_broken_later_than_computed(plan: Plan) -> None:
    assert not [finding for finding in check_plan(plan) if finding.severity == "error"]
    evaluation = Evaluation(plan)
    wanted = [each for each in cases(evaluation, scans=13, seeds=1) if isinstance(each.run, SimulatedBreak)]
    assert [row for row in broken(evaluation, wanted) if not row.ok] == []


@MANY
@given(ring_plans(), st.integers(0, 2**32))
def test_a_dead_port_is_known_no_later_than_computed(plan: Plan, seed: int) -> None:
    """All chains on a port are cut there at one instant."""
    evaluation = Evaluation(plan)
    network, scan = evaluation.network, evaluation.scans["C"]
    for outcome in evaluation.faults.outcomes:
        known = outcome.known
        if outcome.fault.kind != "port dead" or known is None:
            continue
        cuts = [
            Cut(chain.name, 1 if chain.head == outcome.fault.part else len(chain.segments), at=seed * 10**6)
            for chain in network.chains.values()
            if outcome.fault.part in (chain.head, chain.back)
        ]
        hazard = plan.hazards.get(known.hazard)
        loss = ChainLoss("loss", known.task, Debouncing.of(hazard) if hazard else Debouncing())
        scans = (seed * 10**6 + 2 * known.total) // scan.controller.settings.scan_period.min + 2
        faults = Faults(cuts=tuple(cuts), loss=(loss,))
        if scans < 400:
            record = simulate(Pack.of(plan), phases_of(evaluation), scans, Draw("each event"), seed, faults)
            found = record.controllers["C"].detection["loss"].max
            assert found is not None
            assert found <= known.total, outcome.name
