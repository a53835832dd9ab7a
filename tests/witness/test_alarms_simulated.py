"""Alarms of nodes under simulation, awake and asleep: each bound is held, and reached at its corner."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from lab_plans import BRIDGES, LAYOUTS, lab
from plan_counts import several
from strategies import plans

from chainplan.evaluation import Evaluation
from chainplan.witness.alarms import Alarms, AsleepAlarms
from chainplan.witness.compare import SimulatedRow, compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.draw import Draw
from chainplan.witness.pack import Pack
from chainplan.witness.simulations import SimulationCase, simulate_cases

MS = 10**12

ALARM: dict[str, Any] = {"check_every": "4 ms .. 5 ms", "debounce": 3, "per_hop": "20 us .. 40 us"}
OVER: dict[str, Any] = {
    "kind": "cell over-voltage",
    "lost_readings": 1,
    "on_lost": "hold",
    "sensor_lag": "50 us .. 100 us",
    "ftti": "1 s",
    "reaction": "contactor",
}
HOT: dict[str, Any] = {"kind": "over-temperature", "ftti": "1 s", "reaction": "contactor"}
SLEEP: dict[str, Any] = {
    "check_every": "90 ms .. 110 ms",
    "debounce": 2,
    "checks": ["cell voltages", "temperatures"],
    "alarm_per_hop": "300 us .. 500 us",
    "host_wake": "20 ms .. 40 ms",
}

OPEN_ENDS = 2
"""A fault falls 1 fs after a check, an evaluation begins 1 fs before a reading: so close a corner comes."""


def rows_of(
    evaluation: Evaluation, simulate_kind: type[Alarms] | type[AsleepAlarms], seeds: int = 2
) -> list[SimulatedRow]:
    wanted = [
        each for each in cases(evaluation, scans=12, seeds=seeds) if isinstance(each.run, simulate_kind)
    ]
    return compare(evaluation, simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), wanted).record)


def assert_reached(rows: list[SimulatedRow]) -> None:
    for row in rows:
        assert row.bound - OPEN_ENDS <= row.largest <= row.bound, row


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("shape", ["open", "ring"])
@pytest.mark.parametrize("own_line", [True, False])
def test_the_corner_of_alarms_awake_is_the_bound(own_line: bool, shape: str, layout: str) -> None:
    hazards = {"over": OVER | {"alarm": ALARM | {"own_line": own_line}}, "hot": HOT | {"alarm": ALARM}}
    for bridge in BRIDGES:
        for retries in (0, 2):
            evaluation = lab(
                shape=shape,
                layout=layout,
                bridge=bridge,
                hazards=hazards,
                controller={"retry_reserve": retries},
            )
            rows = rows_of(evaluation, Alarms)
            chains = len(evaluation.network.chains)
            assert len(rows) == 2 * 2 * chains  # detection and handling of two hazards
            assert_reached(rows)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("shape", ["open", "ring"])
def test_the_corner_of_alarms_asleep_is_the_bound(shape: str, layout: str) -> None:
    evaluation = lab(shape=shape, layout=layout, hazards={"over": OVER, "hot": HOT}, sleep=SLEEP)
    rows = rows_of(evaluation, AsleepAlarms)
    assert {row.quantity for row in rows} == {"fault detection time asleep", "fault handling time asleep"}
    assert len(rows) == 2 * 2 * len(evaluation.network.chains)
    assert_reached(rows)


def test_a_check_that_takes_longer_than_its_period_is_waited_for() -> None:
    # The nodes convert cell voltages for 1 ms, but check every 400 us: 4 checks of 1 ms and one more.
    alarm = ALARM | {"check_every": "400 us", "own_line": True}
    rows = rows_of(lab(hazards={"over": OVER | {"alarm": alarm}}), Alarms)
    assert_reached(rows)
    detection = rows[0].largest
    rest = detection - 5 * MS
    # lag 0.1 ms, filter 50 us, 9 hops of 40 us, evaluation of 5.3 ms, some ns of cable
    assert 0 < rest - (100 + 50 + 9 * 40 + 5300) * 10**9 < 10**9


def test_asleep_by_hand() -> None:
    # 3 checks of 110 ms (one of them lost), converting 1 ms after lag 0.1 ms and filter 50 us, 9 hops of
    # 500 us, 40 ms until the controller is awake, 300 us of evaluation, some ns of cable
    rows = rows_of(lab(hazards={"over": OVER}, sleep=SLEEP), AsleepAlarms)
    by_hand = (330_000 + 1000 + 150 + 9 * 500 + 40_000 + 300) * 10**9
    assert 0 < rows[0].largest - by_hand < 10**9


def test_drawn_alarms_come_near_the_bound() -> None:
    evaluation = lab(hazards={"over": OVER | {"alarm": ALARM}})
    drawn = [SimulationCase("", Draw("each event"), 12, seeds=60, run=Alarms("any time"))]
    row = compare(evaluation, simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), drawn).record)[
        0
    ]
    assert row.count == 60 * 9
    assert 0.8 * row.bound < row.largest <= row.bound


@settings(max_examples=several(30))
@given(plans())
def test_no_alarm_of_any_plan_comes_later_than_computed(plan: Any) -> None:
    evaluation = Evaluation(plan)
    for kind in (Alarms, AsleepAlarms):
        rows = rows_of(evaluation, kind)
        assert [row for row in rows if not row.ok] == []
        # The bound waits out the turn of a ring as one exchange; the simulation has no frames for it.
        if not any(task.reversal.max for task in plan.tasks.values()):
            assert_reached(rows)
