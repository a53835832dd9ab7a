"""Paused balancing: the witness simulates the pause, and the computed waits, ages and skews hold it.

The pause is simulated node by node in the simulation (trigger heard, settled, sampled), which knows nothing
of the budgets' sums. The figures by hand follow from the plan's numbers alone.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import spans

from chainplan.evaluation import Evaluation
from chainplan.plan.model import Plan
from chainplan.results import evaluate
from chainplan.witness.draw import Draw, Kind
from chainplan.witness.pack import Pack
from chainplan.witness.record import ControllerRecord
from chainplan.witness.simulate import simulate

us = 10**9  # fs
ns = 10**6

QUICK = "4 us .. 10 us"
SLOW = "100 us .. 300 us"


def a_plan(first: str, second: str, *, pause: bool = True, overlap: bool = False, ports: int = 1) -> Plan:
    """Two nodes with 4 cells each, 1 us apart, that settle in `first` and `second`; conversions of 500 us."""

    def node(settling: str) -> dict[str, Any]:
        return {
            "cell_inputs": 4,
            "forwarding": {"downstream": "1 us", "upstream": "1 us"},
            "conversions": {"cell voltages": {"time": "500 us", "step": "2 us"}},
            "balancing": {"current": "100 mA", "settling": settling},
        }

    orders = [["S.1..2"]] if ports == 1 else [["S.1"], ["S.2"]]
    return Plan.model_validate(
        {
            "chainplan": 1,
            "title": "two nodes",
            "cell_types": {"cell": {"voltage": "4 V"}},
            "node_types": {"first": node(first), "second": node(second)},
            "board_types": {name: {"nodes": [{"type": name, "cells": 4}]} for name in ("first", "second")},
            "cable_types": {"pair": {"velocity": "2e8 m/s"}},
            "protocols": {
                "P": {
                    "bit_rate": "1 Mbit/s",
                    "read_style": "sequential",
                    "request": "8 bit",
                    "answer": "8 bit",
                    "write": "8 bit",
                }
            },
            "strings": {
                "S": {
                    "cell_type": "cell",
                    "stack": [{"cells": 8}],
                    "boards": [{"type": "first"}, {"type": "second"}],
                }
            },
            "controllers": {
                "C": {
                    "ports": ports,
                    "scan_period": "10 ms",
                    "evaluation": {"period": "10 ms", "run_time": "1 ms"},
                }
            },
            "chains": {
                f"line {number}": {
                    "head": f"C:{number}",
                    "protocol": "P",
                    "order": order,
                    "segments": {"cable": "pair", "length": "0 m"},
                }
                for number, order in enumerate(orders, start=1)
            },
            "tasks": {"cells": {"value": "16 bit", "pause_balancing": pause, "overlap": overlap}},
        }
    )


def simulated(evaluation: Evaluation, draw: Draw, scans: int, seed: int = 0) -> ControllerRecord:
    phases = {name: scan.phases.phases for name, scan in evaluation.scans.items()}
    return simulate(Pack.of(evaluation.plan), phases, scans, draw, seed).controllers["C"]


class TestByHand:
    def test_the_wait_grows_by_the_settling(self) -> None:
        with_pause = evaluate(a_plan(QUICK, SLOW)).scans["C"].worst.total
        without = evaluate(a_plan(QUICK, SLOW, pause=False)).scans["C"].worst.total
        assert with_pause - without == 300 * us  # the slower of the two nodes, at its slowest

    def test_the_sample_moves_by_the_shortest_settling(self) -> None:
        # The age counts from the earliest sample: 300 us longer wait, 4 us later sample of the first node.
        with_pause = evaluate(a_plan(QUICK, SLOW)).samples[0].age.total
        without = evaluate(a_plan(QUICK, SLOW, pause=False)).samples[0].age.total
        assert with_pause - without == 300 * us - 4 * us

    def test_skew_when_the_farther_node_settles_slowly(self) -> None:
        # 1 us of relay, 300 us against 4 us, three steps of 2 us
        assert evaluate(a_plan(QUICK, SLOW)).samples[0].skew.total == 1 * us + 296 * us + 6 * us

    def test_skew_when_the_nearer_node_settles_slowly(self) -> None:
        # the trigger is 1 us earlier at the slow node, which shortens the spread
        assert evaluate(a_plan(SLOW, QUICK)).samples[0].skew.total == -1 * us + 296 * us + 6 * us

    def test_skew_between_equal_nodes_is_their_tolerance(self) -> None:
        assert evaluate(a_plan(SLOW, SLOW)).samples[0].skew.total == 1 * us + 200 * us + 6 * us

    def test_skew_over_two_chains(self) -> None:
        # both chains have one node each and no set-up: both triggers arrive together
        skew = evaluate(a_plan(SLOW, QUICK, ports=2)).samples[0].skew
        assert skew.total == 296 * us + 6 * us

    def test_an_overlapped_conversion_includes_the_settling(self) -> None:
        verdict = next(
            verdict
            for verdict in evaluate(a_plan(QUICK, SLOW, overlap=True)).verdicts
            if verdict.target == "overlapped conversion time"
        )
        # trigger of 8 bit at 1 Mbit/s and a relay of 1 us, then 300 us and 500 us
        assert verdict.value == 8 * us + 1 * us + 300 * us + 500 * us


@pytest.mark.parametrize(("first", "second"), [(QUICK, SLOW), (SLOW, QUICK), (SLOW, SLOW)])
@pytest.mark.parametrize("ports", [1, 2])
def test_the_bounds_are_reached(first: str, second: str, ports: int) -> None:
    """At the unfavourable ends the simulation takes exactly the computed scan time and age."""
    evaluation = evaluate(a_plan(first, second, ports=ports))
    worst = simulated(evaluation, Draw("worst"), 3)
    assert worst.scan_time.max == evaluation.scans["C"].worst.total
    oldest = simulated(evaluation, Draw("early then late", task="cells", every=3), 9)
    assert oldest.tasks["cells"].age.max == evaluation.samples[0].age.total


def test_random_skews_come_near_the_bound() -> None:
    evaluation = evaluate(a_plan(QUICK, SLOW))
    bound = evaluation.samples[0].skew.total
    seen = simulated(evaluation, Draw("each event"), 400).tasks["cells"].skew.max
    assert seen is not None
    assert Fraction(95, 100) * bound < seen <= bound


@settings(max_examples=30, deadline=None)
@given(spans(300, "us"), spans(300, "us"), st.sampled_from([1, 2]), st.booleans())
def test_no_plan_exceeds_its_bounds(first: str, second: str, ports: int, overlap: bool) -> None:
    evaluation = evaluate(a_plan(first, second, ports=ports, overlap=overlap))
    timing = evaluation.samples[0]
    kinds: tuple[Kind, ...] = ("best", "worst", "each device", "each event")
    for kind in kinds:
        record = simulated(evaluation, Draw(kind), 20, seed=ports)
        observed = record.tasks["cells"]
        assert (record.scan_time.max or 0) <= evaluation.scans["C"].worst.total
        assert (observed.age.max or 0) <= timing.age.total
        assert (observed.skew.max or 0) <= timing.skew.total
        assert observed.stale == 0  # the wait, or the period, was long enough for every conversion
