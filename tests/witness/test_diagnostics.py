"""Diagnostics under simulation: checks that nodes make when asked, or over and over by themselves."""

from __future__ import annotations

from typing import Any

import pytest
from lab_plans import lab_plan

from chainplan.plan.model import Plan
from chainplan.plan.standby import Balancing
from chainplan.results import evaluate
from chainplan.witness.compare import compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.pack import Pack
from chainplan.witness.simulations import simulate_cases

CHECKS: dict[str, dict[str, Any]] = {
    "when asked": {"kind": "read", "every": 2},
    "by a trigger": {"kind": "measure", "every": 3},
}
HAZARD = {
    "kind": "register upset",
    "debounce": 2,
    "lost_readings": 1,
    "ftti": "10 s",
    "reaction": "contactor",
}


def plan_with(check: str, style: str, own: str | None) -> Plan:
    """Return the laboratory with one register check; `own` is the time of the nodes' own checks, if any."""
    task = {"reads": "register check", "data": "24 bit"} | CHECKS[check]
    plan = lab_plan(style=style, tasks={"registers": task}, hazards={"upset": HAZARD})
    if own is None:
        return plan
    data = plan.node_types["A"].conversions["temperatures"]
    nodes = {
        name: node.model_copy(update={"conversions": node.conversions | {"register check": data}})
        for name, node in plan.node_types.items()
    }
    return plan.model_copy(update={"node_types": nodes})


@pytest.mark.parametrize("own", [None, "2 ms"])
@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_an_upset_is_found_in_time_and_almost_no_sooner(style: str, check: str, own: str | None) -> None:
    evaluation = evaluate(plan_with(check, style, own))
    record = simulate_cases(
        Pack.of(evaluation.plan), phases_of(evaluation), cases(evaluation, scans=12, seeds=2)
    ).record
    rows = {row.quantity: row for row in compare(evaluation, record)}
    assert all(row.ok for row in rows.values()), [row for row in rows.values() if not row.ok]
    found = rows["fault detection time"]
    assert found.ratio is not None
    assert found.ratio > 0.99


@pytest.mark.parametrize("check", ["at once", "2 ms"])
def test_a_check_without_a_conversion_pauses_no_balancing(check: str) -> None:
    """Nodes that only look at themselves when the trigger comes wait for nothing to settle before."""
    plan = plan_with("by a trigger", "sequential", None if check == "at once" else check)
    task = plan.tasks["registers"].model_copy(update={"pause_balancing": True})
    balancing = Balancing.model_validate({"current": "100 mA", "settling": "300 us .. 400 us"})
    nodes = {name: node.model_copy(update={"balancing": balancing}) for name, node in plan.node_types.items()}
    paused = evaluate(plan.model_copy(update={"tasks": {"registers": task}, "node_types": nodes}))
    plain = evaluate(plan)
    # 100 us of tolerance of the settling: the sample at its earliest, the wait until it at its longest
    later = 0 if check == "at once" else 100 * 10**9
    assert paused.latencies[0].detection.total - plain.latencies[0].detection.total == later
    record = simulate_cases(Pack.of(paused.plan), phases_of(paused), cases(paused, scans=12, seeds=2)).record
    rows = {row.quantity: row for row in compare(paused, record)}
    assert all(row.ok for row in rows.values()), [row for row in rows.values() if not row.ok]
