"""A ring asked by its back port costs what the same ring costs, written down from its other end.

That other plan has `head` and `back` and the order of its boards exchanged and is asked by its head, so it
needs nothing of what a task that is sent from the back does.
"""

from __future__ import annotations

from typing import Any

import pytest
from fault_plans import with_recovery
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from strategies import Data, plan_data

from chainplan.budgets.line.answer_window import chain_waits
from chainplan.budgets.standby.activity import activities
from chainplan.chain.degraded import Fault, Left
from chainplan.evaluation import Evaluation
from chainplan.figures.terms import Case
from chainplan.plan.checks import check_plan
from chainplan.plan.model import Plan
from chainplan.plan.order import parse_walk

MS = 10**12

FEW = settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # a plan takes long to shrink
)
BURSTS = {"p_good": 1e-7, "p_bad": 0.01, "leave_good": 0.001, "leave_bad": 0.05}


@st.composite
def rings(draw: st.DrawFn) -> tuple[Plan, Plan]:
    """Draw a plan whose rings are asked by their backs, and the same turned round, asked by its heads."""
    data: Data = draw(plan_data())
    back = f"C:{data['controllers']['C']['ports']}"
    data["controllers"]["C"]["host_bus"] = None  # heads of several rings may share one, their common back not
    for wire in data["protocols"].values():
        wire["bit_errors"] = draw(st.sampled_from([{"independent": 1e-6}, {"bursts": BURSTS}]))
        wire["check"] = {"width": "8 bit", "polynomial": 0x2F}
    for chain in data["chains"].values():
        chain |= {"shape": "ring", "back": back, "read_from": "head"}
    for task in data["tasks"].values():
        task |= {"sent_from": "back", "reversal": "0 s"}
    turned = data | {
        "chains": {name: turned_round(chain) for name, chain in data["chains"].items()},
        "tasks": {name: task | {"sent_from": "head"} for name, task in data["tasks"].items()},
    }
    plans = Plan.model_validate(data), Plan.model_validate(turned)
    for plan in plans:
        assert not [finding for finding in check_plan(plan) if finding.severity == "error"]
    return plans


def turned_round(chain: Data) -> Data:
    order = []
    for walk in map(parse_walk, reversed(chain["order"])):
        assert walk is not None
        way = "" if walk.down else " down"
        order += [f"{walk.string}.{position}{way}" for position in reversed([*walk.positions()])]
    ends = {"head": chain["back"], "back": chain["head"], "head_segment": {}}
    return chain | ends | {"order": order, "back_segment": chain["head_segment"]}


@FEW
@given(rings())
def test_all_that_a_scan_costs_is_the_same(plans: tuple[Plan, Plan]) -> None:
    there, back = map(Evaluation, plans)
    assert scanned(there) == scanned(back)
    assert latencies(there) == latencies(back)
    assert monitoring(there) == monitoring(back)
    assert errors(there) == pytest.approx(errors(back), rel=1e-9)
    assert nodes(there) == nodes(back)


def scanned(evaluation: Evaluation) -> Any:
    scan, (traffic,) = evaluation.scans["C"], evaluation.traffic
    return (
        [scan.scan_time(case).total for case in Case],
        [[run.length for run in scan.runs[case]] for case in Case],
        scan.reserve.total,
        scan.phases.phases,
        scan.port_busy(),
        scan.chain_busy(),
        [
            (each.task, each.age.total, each.typical_age.total, each.skew.total, each.typical_skew.total)
            for each in evaluation.samples
        ],
        [(task.task, task.samples, task.payload, task.wire.total) for task in traffic.tasks],
        [each.moved for each in evaluation.bus_loads],
        traffic.busiest_scan.total,
        {
            (chain.name, wait.style): (wait.node, wait.worst.total, wait.typical.total)
            for chain in scan.controller.chains
            for wait in chain_waits(scan, chain)
        },
    )


def latencies(evaluation: Evaluation) -> Any:
    return [
        (each.hazard, each.path, each.detection.total, each.typical_detection.total)
        for each in evaluation.latencies
        if "alarm" not in each.path
    ]


def monitoring(evaluation: Evaluation) -> Any:
    found = {}
    for kind, covered in evaluation.monitoring.kinds.items():
        tests = {(test.task, test.interval.total) for test in covered.tests}
        found[kind] = covered.total, covered.covered.total, tests
    return found


def errors(evaluation: Evaluation) -> list[float]:
    found = evaluation.errors["C"]
    residual = evaluation.residual
    sums = [found.lost, found.typical_lost, found.unheard, found.mean_scan]
    if residual is not None:
        sums += [residual.total, residual.usual]
    return [found.retries, *(each.total for each in sums if each is not None)]


def nodes(evaluation: Evaluation) -> Any:
    """What a node does, and how long its balancing may run."""
    scan = evaluation.scans["C"]
    busy = {each.node.name: each[1:] for each in activities(scan, evaluation.plan.hazards)}
    balanced = {
        frozenset(group.nodes): (group.pausing, group.left.total) for group in evaluation.node_balancing["C"]
    }
    return busy, balanced


@FEW
@given(rings())
def test_every_fault_is_known_at_the_same_time(plans: tuple[Plan, Plan]) -> None:
    there, back = (Evaluation(with_recovery(plan)) for plan in plans)
    turned = {}
    for outcome in back.faults.outcomes:
        turned[name_in(there, outcome.fault)] = outcome
    assert {each.name for each in there.faults.outcomes} == set(turned)
    for outcome in there.faults.outcomes:
        other = turned[outcome.name]
        assert (outcome.nodes, outcome.cells) == (other.nodes, other.cells)
        known, again = outcome.known, other.known
        assert (known and known.total) == (again and again.total), outcome.name
        scans = there.faults.rescan(outcome), back.faults.rescan(other)
        assert scans[0].reserve == scans[1].reserve


def name_in(evaluation: Evaluation, fault: Fault) -> str:
    """Return what a fault is called in the plan that is written down from the other end."""
    if fault.kind != "segment open or shorted":
        return fault.name
    chain = evaluation.network.chains[fault.chain]
    number = len(chain.segments) + 1 - fault.place
    return fault._replace(part=f"{fault.chain}#{number}", place=number).name


def test_turning_a_ring_costs_its_time_before_and_after_and_nothing_else() -> None:
    turned, plain = (Evaluation(with_recovery(lab_ring(turn))) for turn in ("1 ms .. 2 ms", "0 s"))
    scans = turned.scans["C"], plain.scans["C"]
    for case, turn in ((Case.BEST, 1 * MS), (Case.TYPICAL, 3 * MS // 2), (Case.WORST, 2 * MS)):
        (long,), (short,) = (scan.runs[case] for scan in scans)
        assert long.length == short.length + 2 * turn
        assert sum(term.total for term in long.terms) == long.length
        assert [step.start - turn for step in long.reads] == [step.start for step in short.reads]
    assert turned.traffic[0].busiest_scan == plain.traffic[0].busiest_scan
    # Once the ring is broken and switched, nothing is turned.
    for outcome, other in zip(turned.faults.outcomes, plain.faults.outcomes, strict=True):
        if outcome.fault.chain and outcome.left[0].ahead + outcome.left[0].behind:
            assert turned.faults.rescan(outcome).total == plain.faults.rescan(other).total


def test_a_ring_that_is_not_switched_goes_on_being_turned() -> None:
    # By hand: the task takes as long as on the whole ring, 2 ms to turn before and after it included; what it
    # alone reaches, two of four nodes of 2 cells, counts as unseen.
    turned = Evaluation(lab_ring("1 ms .. 2 ms"))
    cut = next(each for each in turned.faults.outcomes if each.name == "segment ring#3 open or shorted")
    assert cut.left == (Left("ring", 2, 0),)
    assert cut.cells == 2 * 2
    assert turned.faults.rescan(cut).total == turned.scans["C"].worst.total


def lab_ring(turn: str) -> Plan:
    """Four boards on a ring that one task reads from the back."""
    return Plan.model_validate(
        {
            "chainplan": 1,
            "title": "turned",
            "cell_types": {"cell": {"voltage": "3 V"}},
            "node_types": {
                "node": {"cell_inputs": 2, "forwarding": {"downstream": "1 us", "upstream": "1 us"}}
            },
            "board_types": {"board": {"nodes": [{"type": "node", "cells": 2}]}},
            "cable_types": {"pair": {"velocity": "2e8 m/s"}},
            "protocols": {"wire": {"bit_rate": "1 Mbit/s", "read_style": "sequential", "request": "1 byte"}},
            "strings": {
                "S": {
                    "cell_type": "cell",
                    "stack": [{"cells": 8}],
                    "boards": [{"type": "board", "count": 4}],
                }
            },
            "controllers": {
                "C": {
                    "ports": 2,
                    "scan_period": "100 ms",
                    "evaluation": {"period": "10 ms", "run_time": "1 ms"},
                }
            },
            "chains": {
                "ring": {
                    "shape": "ring",
                    "head": "C:1",
                    "back": "C:2",
                    "protocol": "wire",
                    "order": ["S.1..4"],
                    "segments": {"cable": "pair", "length": "1 m"},
                }
            },
            "tasks": {
                "return path": {
                    "kind": "read",
                    "reads": "status",
                    "data": "1 byte",
                    "sent_from": "back",
                    "reversal": turn,
                }
            },
        }
    )
