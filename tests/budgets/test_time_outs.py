"""Time-outs of missing answers: by hand, and the two budgets that count them checked against each other."""

from __future__ import annotations

import pytest
from fault_plans import EXAMPLES, example
from hypothesis import HealthCheck, Phase, given, settings
from standby_packs import evaluation_of
from strategies import plans

from chainplan.budgets.scanning.time_outs import any_chain_lost
from chainplan.budgets.values.latency import HazardLatency
from chainplan.evaluation import Evaluation
from chainplan.plan.model import Plan

US = 10**9


def loss(evaluation: Evaluation) -> HazardLatency:
    found = [
        each for each in evaluation.latencies if evaluation.plan.hazards[each.hazard].kind == "chain loss"
    ]
    assert len(found) == 1
    return found[0]


def waited(evaluation: Evaluation) -> int:
    return sum(term.total for term in loss(evaluation).detection.terms if term.label == "time-outs")


class TestByHand:
    def test_one_chain_of_several_is_waited_for(self) -> None:
        # Locomotive: the longer chain has six nodes of 18 values, polled in three blocks of six; 18 time-outs
        # of 500 us. Cell voltages come first in every scan, and the other chain's answers still come.
        assert waited(Evaluation(example("mine-locomotive"))) == 18 * 500 * US

    def test_one_ring_of_four_is_waited_for(self) -> None:
        # Ferry: one summation frame a ring, 20 us
        assert waited(Evaluation(example("harbour-ferry"))) == 20 * US

    def test_only_tasks_that_meet_wait_in_one_scan(self) -> None:
        # Trolley, 50 us a read: two reads of cell voltages and two of open wire, never with temperatures (one
        # read) or balancing (a write asks for nothing), which have other scans.
        scan = Evaluation(example("rail-trolley")).scans["trolley"]
        (waits,) = any_chain_lost(scan)
        names = [work.name for work in scan.works]
        assert dict(zip(names, waits.runs, strict=True)) == {
            "cell voltages": 100 * US,
            "temperatures": 50 * US,
            "open wire": 100 * US,
            "balancing": 0,
        }
        assert waits.busiest == scan.longest + 200 * US
        assert waits.until_bad(names.index("open wire")) == 200 * US

    def test_a_dead_port_takes_all_its_chains(self) -> None:
        # both chains of the locomotive at one port: 12 reads of the lower one fail with the upper one's 18
        plan = example("mine-locomotive")
        chains = {
            name: chain.model_copy(update={"head": plan.chains["lower"].head})
            for name, chain in plan.chains.items()
        }
        scan = Evaluation(plan.model_copy(update={"chains": chains})).scans["cab"]
        (waits,) = any_chain_lost(scan)
        assert waits.runs[0] == (12 + 18) * 500 * US
        assert waits.first is None

    def test_a_task_that_meets_another_now_and_then(self) -> None:
        # Cell voltages every other scan, temperatures in every one, each one read: the scan in which both are
        # due waits twice before the temperatures are known to be lost.
        tasks = {
            "cells": {"value": "16 bit", "every": 2},
            "warm": {"reads": "temperatures", "value": "16 bit"},
        }
        (waits,) = any_chain_lost(evaluation_of(tasks=tasks, protocol={"time_out": "70 us"}).scans["C"])
        assert [waits.until_bad(index) for index in (0, 1)] == [70 * US, 2 * 70 * US]


def assert_no_fault_is_known_later(plan: Plan) -> None:
    """Without an alarm of another hazard: the walk takes each place, the hazard's time the worst of them."""
    evaluation = Evaluation(plan)
    bound = loss(evaluation).detection.total
    assert evaluation.faults.unknown or evaluation.faults.worst
    for outcome in evaluation.faults.counted:
        if outcome.known is not None:
            assert outcome.known.time.total <= bound, outcome.name


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_single_fault_of_an_example_is_known_later_than_a_lost_chain(name: str) -> None:
    assert_no_fault_is_known_later(example(name))


@given(plan=plans())
@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # a plan takes long to shrink
)
def test_the_longest_wait_covers_every_fault(plan: Plan) -> None:
    evaluation = Evaluation(plan)
    faults = evaluation.faults
    bounds = {name: any_chain_lost(scan) for name, scan in evaluation.scans.items()}
    for outcome in faults.counted:
        waits = faults._detections[outcome.fault.controller].waits(outcome.fault, outcome.gaps)
        bound = bounds[outcome.fault.controller]
        assert waits.busiest <= max(each.busiest for each in bound)
        for index, work in enumerate(waits.scan.works):
            if work.task.kind != "write":
                assert waits.until_bad(index) <= max(each.until_bad(index) for each in bound)
