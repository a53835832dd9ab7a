"""Targets and periods that are given as ranges are judged at their unfavourable end.

1 bit takes 1 us and nothing is framed: a run of `cells` on four nodes is a trigger of 8 us, a conversion of
2 ms, a request of 8 us and answers of 72 us: 2.304 ms, in a scan of 90 to 110 ms.
"""

from __future__ import annotations

from typing import Any

import pytest
from standby_packs import evaluation_of, ticks, unchecked

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import RATIO

PERIOD = {"scan_period": "90 ms .. 110 ms"}
RUN = 2304  # us


def verdict_of(target: str, **more: Any) -> Figure:
    (found,) = (each for each in evaluation_of(**more).verdicts if each.target == target)
    return found


@pytest.mark.parametrize(
    ("target", "key", "given", "limit"),
    [
        ("scan time", "scan_time", "2 ms .. 3 ms", "2 ms"),
        ("start-up", "start_up", "2 s .. 3 s", "2 s"),
        ("sample age", "sample_age", {"cells": "2 s .. 3 s"}, "2 s"),
        ("skew", "skew", {"cells": "2 ms .. 3 ms"}, "2 ms"),
        ("imbalance in 30 days by supply", "imbalance_per_month", "2 mAh .. 3 mAh", "2 mAh"),
    ],
)
def test_an_upper_limit_counts_at_its_lower_end(target: str, key: str, given: Any, limit: str) -> None:
    assert verdict_of(target, targets={key: given}).limit == ticks(limit)


def test_the_balancing_time_counts_at_its_lower_end() -> None:
    within = {"balancing": {"charge": "0.6 Ah", "within": "5 h .. 7 h"}}
    bleed = {"balancing": {"current": "100 mA"}}
    verdict = verdict_of("balancing time", node=bleed, targets=within)
    assert (verdict.value, verdict.limit, verdict.status) == (ticks("6 h"), ticks("5 h"), "missed")
    without = verdict_of("balancing time", targets=within)
    assert (without.limit, without.status) == (ticks("5 h"), "not checked")


def test_balancing_that_never_runs_is_held_against_the_share_it_needs() -> None:
    # 0.6 Ah at 100 mA are 6 h: half of the shortest time within which they have to go. A conversion as long
    # as the scan leaves none of it.
    verdict = verdict_of(
        "balancing duty",
        node={"balancing": {"current": "100 mA"}, "conversions": {"cell voltages": {"time": "99 ms"}}},
        controller={"scan_period": "99 ms"},
        tasks={"cells": {"value": "16 bit", "pause_balancing": True}},
        targets={"balancing": {"charge": "0.6 Ah", "within": "12 h .. 24 h"}},
    )
    assert (verdict.value, verdict.status) == (0, "missed")
    assert verdict.limit == int(RATIO.units[""]) // 2


def test_shares_are_those_of_the_shortest_period() -> None:
    fits = verdict_of("scan fits its period", controller=PERIOD)
    assert (fits.value, fits.limit) == (RUN * ticks("1 us"), ticks("90 ms"))
    used = verdict_of("utilisation", controller=PERIOD, targets={"utilisation": "2 % .. 50 %"})
    whole = int(RATIO.units[""])
    assert used.value == -(-RUN * whole // 90_000)
    assert used.limit == parse_quantity("2 %", RATIO).typical
    assert used.typical is not None
    assert abs(used.typical - RUN * whole / 100_000) <= 1


def test_efficiency_counts_at_its_upper_end() -> None:
    verdict = verdict_of("efficiency", targets={"efficiency": "80 % .. 90 %"})
    assert verdict.limit == parse_quantity("90 %", RATIO).typical
    assert (verdict.value, verdict.status) == (256 * int(RATIO.units[""]) // 304, "missed")  # 84.2 %


class TestOverlappedConversion:
    """It has to be over at the task's next trigger: two scans later, the scans at their shortest."""

    TASK = {"value": "16 bit", "overlap": True, "every": 2}  # noqa: RUF012

    def test_room_to_the_next_trigger(self) -> None:
        controller = PERIOD | {"scan_jitter": "1 ms .. 3 ms"}
        verdict = verdict_of("overlapped conversion time", controller=controller, tasks={"cells": self.TASK})
        assert verdict.limit == ticks("180 ms") - ticks("3 ms")
        assert verdict.value == ticks("8 us") + ticks("2 ms")  # the trigger, and the conversion

    def test_a_slot_that_moves_takes_of_the_room(self) -> None:
        # Temperatures come before it in some scans only: 8 us, 3 ms, 8 us and 4 * 40 us.
        tasks = {
            "warm": {"reads": "temperatures", "value": "16 bit", "every": 3},
            "cells": self.TASK,
        }
        verdict = verdict_of("overlapped conversion time", tasks=tasks)
        assert verdict.limit == ticks("200 ms") - ticks("3176 us")


def test_data_limits() -> None:
    # 304 bit a scan; over a bus of 1 Mbit/s 304 us of 90 ms
    verdict = verdict_of("data per scan", targets={"bytes_per_scan": "38 byte .. 40 byte"})
    assert (verdict.value, verdict.limit, verdict.status) == (304, 304, "met")
    controller = PERIOD | {"host_bus": {"bit_rate": "1 Mbit/s"}}
    load = verdict_of("host bus load", controller=controller, targets={"host_bus_load": "0.3 % .. 1 %"})
    whole = int(RATIO.units[""])
    assert (load.value, load.limit) == (-(-304 * whole // 90_000), whole * 3 // 1000)
    assert load.status == "missed"


def test_data_per_sample_of_a_task_with_samples_and_of_one_without() -> None:
    tasks = {"cells": {"value": "16 bit"}, "off": {"kind": "write"}}
    limits = {"bytes_per_sample": {"cells": 2.5, "off": 3.5}}
    plan = unchecked(tasks=tasks, targets=limits)  # a check refuses a limit for what has no samples
    found = [each for each in Evaluation(plan).verdicts if "sample" in each.target]
    # 304 bit for 16 samples: 2.375 bytes each; in millionths of a byte
    assert [(each.subject, each.value, each.limit, each.status) for each in found] == [
        ("C, cells", 2_375_000, 2_500_000, "met"),
        ("off", None, 3_500_000, "not checked"),
    ]


def test_a_start_up_names_its_sum_where_it_is_known() -> None:
    targets = {"start_up": "1 s"}
    known = evaluation_of(node={"wake": "1 ms", "addressing": "1 ms"}, targets=targets)
    (verdict,) = (each for each in known.verdicts if each.target == "start-up")
    assert known.sums()[verdict.figure]().total == verdict.value == ticks("8 ms") + RUN * ticks("1 us")
    (verdict,) = (each for each in evaluation_of(targets=targets).verdicts if each.target == "start-up")
    assert (verdict.figure, verdict.value) == ("", None)
    assert verdict.note == "the type of node S.1 gives no `wake` time"
