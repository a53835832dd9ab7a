"""Readings with old values: how often, how old, and how much later a fault is found.

By hand, in packs of round figures: misses are nested, for a trigger that is hit is lost to all nodes beyond,
so that some node misses it as often as the last one, 1 - (1 - p)^(n N). Common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest
from standby_packs import evaluation_of, ticks, timing_of

from chainplan.evaluation import Evaluation
from chainplan.quantity import RATE
from chainplan.witness.compare import compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.pack import Pack
from chainplan.witness.simulations import simulate_cases

PERIOD = ticks("100 ms")
CELLS: dict[str, Any] = {"value": "16 bit"}
OVER = {"kind": "cell over-voltage", "debounce": 3, "ftti": "9 s", "reaction": "switch"}


def rate(nodes: int, p: float, bits: int, period: str, **task: Any) -> float:
    evaluation = evaluation_of(
        nodes,
        protocol={"write": f"{bits} bit", "bit_errors": {"independent": p}},
        controller={"scan_period": period},
        tasks={"cells": CELLS | task},
    )
    stale = evaluation.errors["C"].stale
    assert stale is not None
    return float(stale.total / RATE.units["/h"])


@pytest.mark.parametrize(
    ("p", "bits", "nodes", "period", "once", "twice"),
    [
        (1e-9, 40, 16, "100 ms", 0.0230400, 1.475e-8),
        (1e-7, 56, 8, "50 ms", 3.22553, 1.445e-4),
        (1e-6, 48, 24, "100 ms", 41.4481, 0.04772),
    ],
)
def test_how_often(p: float, bits: int, nodes: int, period: str, once: float, twice: float) -> None:
    # 36 000 and 72 000 runs an hour; a further run in a row has the same chance again
    assert rate(nodes, p, bits, period) == pytest.approx(once, rel=1e-5)
    assert rate(nodes, p, bits, period, stale_runs=1) == pytest.approx(twice, rel=1e-3)
    # a counter of one bit stands as before after two misses, one of two bits after four
    assert rate(nodes, p, bits, period, freshness=1) == pytest.approx(twice, rel=1e-3)
    assert rate(nodes, p, bits, period, freshness=2) < twice / 1000


@pytest.mark.parametrize("stale", [1, 2, 5])
def test_a_value_stands_a_period_longer_for_every_run(stale: int) -> None:
    usual = timing_of(tasks={"cells": CELLS}).age.total
    assert timing_of(tasks={"cells": CELLS | {"stale_runs": stale}}).age.total == usual + stale * PERIOD


def detection(task: dict[str, Any], **hazard: Any) -> int:
    evaluation = evaluation_of(tasks={"cells": CELLS | task}, hazards={"over": OVER | hazard})
    (latency,) = evaluation.latencies
    return latency.detection.total


def test_a_fault_is_found_as_many_readings_later() -> None:
    # d = 3, s = 2: before the first bad sample old values tell nothing; after it they are bad once more.
    # With a reading lost: 3 * 2 more where it resets, 1 where it holds.
    usual = detection({})
    assert detection({"stale_runs": 2}) == usual + 2 * PERIOD
    lost = {"lost_readings": 1}
    assert detection({"stale_runs": 2}, **lost) == usual + (2 + 3) * PERIOD
    assert detection({"stale_runs": 2}, **lost, on_lost="hold") == usual + (2 + 1) * PERIOD


def test_with_a_counter_old_values_are_lost_readings() -> None:
    # s = 1 is one lost reading: it resets, 3 * 2 readings, or holds, 4. The counter makes answers longer.
    usual = detection({})
    longer = 4 * 8 * ticks("1 us")
    assert detection({"stale_runs": 1, "freshness": 8}) == usual + 3 * PERIOD + longer
    assert detection({"stale_runs": 1, "freshness": 8}, on_lost="hold") == usual + PERIOD + longer


@pytest.mark.parametrize("more", [{}, {"overlap": True}, {"freshness": 2}])
def test_the_simulation_reaches_age_and_detection(more: dict[str, Any]) -> None:
    evaluation = evaluation_of(
        tasks={"cells": CELLS | {"stale_runs": 2} | more},
        hazards={"over": OVER | {"lost_readings": 1}},
    )
    rows = simulated(evaluation)
    assert [row for row in rows if not row.ok] == []
    shares = {row.quantity: row.ratio for row in rows}
    assert (shares["sample age"] or 0) > 0.99
    if "freshness" not in more:
        assert (shares["fault detection time"] or 0) > 0.98


def simulated(evaluation: Evaluation) -> list[Any]:
    tried = cases(evaluation, scans=30, seeds=1)
    return compare(evaluation, simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), tried).record)
