"""Bytes per scan: the scan that carries most is found however long the major cycle is."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

from standby_packs import evaluation_of, ticks

from chainplan.budgets.scanning.traffic import bytes_budget
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan

TROLLEY = Path(__file__).parents[2] / "configs" / "rail-trolley.yaml"


def trolley(**tasks: Mapping[str, object]) -> Plan:
    plan = load_plan(TROLLEY).plan
    changed = {name: plan.tasks[name].model_copy(update=keys) for name, keys in tasks.items()}
    return plan.model_copy(update={"tasks": {**plan.tasks, **changed}})


def test_heaviest_scan_of_a_long_major_cycle() -> None:
    # Periods 1, 89, 97 and 101 are coprime: all four tasks meet in some scan whatever their phases are
    # (Chinese remainder theorem), once in 871 933 scans.
    plan = trolley(**{"temperatures": {"every": 89}, "open wire": {"every": 97}, "balancing": {"every": 101}})
    (scan,) = Evaluation(plan).scans.values()
    assert scan.phases.major_cycle == 89 * 97 * 101
    traffic = bytes_budget(scan)
    assert traffic.busiest_scan.total == sum(task.wire.total for task in traffic.tasks)


def test_unwired_block_is_not_read() -> None:
    # Six of twelve inputs wired, read six by six, all inputs sent: the second block carries nothing.
    plan = trolley(**{"cell voltages": {"sends": "all inputs"}})
    board = plan.board_types["board-12"]
    half = board.model_copy(update={"nodes": [board.nodes[0].model_copy(update={"cells": 6})]})
    plan = plan.model_copy(update={"board_types": {**plan.board_types, "board-12": half}})
    (scan,) = Evaluation(plan).scans.values()
    work = next(work for work in scan.works if work.name == "cell voltages")
    assert [exchange.samples for exchange in work.reads["trolley:1"]] == [24]


def test_data_per_sample_is_judged_finer_than_by_whole_bits() -> None:
    # Reading the trolley's voltages takes 148.5 bytes for 48 samples: 3.09375 bytes each. A limit of 3.1
    # bytes, or of just this much, is met; in whole bits it would be 25 against 24.
    plan = trolley()
    for limit, status in ((3.1, "met"), (3.09375, "met"), (3.0937, "missed")):
        targets = plan.targets.model_copy(update={"bytes_per_sample": {"cell voltages": limit}})
        verdicts = Evaluation(plan.model_copy(update={"targets": targets})).verdicts
        (verdict,) = (each for each in verdicts if each.target == "data per sample")
        assert (verdict.value, verdict.status) == (3_093_750, status)


class TestByHand:
    """Four nodes of four cells and two temperatures, nothing framed, a scan every 100 ms.

    Cell voltages: a trigger and a request of 8 bit, four answers of 8 + 4 * 16 bit: 304 bit, worth 256.
    Temperatures every other scan: the same with answers of 8 + 2 * 16 bit: 176 bit, worth 128.
    """

    TASKS = {  # noqa: RUF012
        "cells": {"value": "16 bit"},
        "warm": {"reads": "temperatures", "value": "16 bit", "every": 2},
    }

    def test_means_over_the_major_cycle(self) -> None:
        traffic = bytes_budget(evaluation_of(tasks=self.TASKS).scans["C"])
        assert traffic.busiest_scan.total == 304 + 176
        assert traffic.payload_per_scan == 256 + 128 // 2
        assert traffic.wire_per_scan == 304 + 176 // 2
        assert traffic.efficiency == Fraction(320, 392)

    def test_a_log_of_an_hour(self) -> None:
        # 320 bit are 40 bytes a scan, ten scans a second, 3600 seconds
        traffic = bytes_budget(evaluation_of(tasks=self.TASKS).scans["C"])
        assert traffic.log_per_hour == 40 * 10 * 3600

    def test_a_task_without_samples(self) -> None:
        tasks = {"status": {"kind": "read", "reads": "status", "data": "16 bit"}, "off": {"kind": "write"}}
        traffic = bytes_budget(evaluation_of(tasks=tasks).scans["C"])
        status, off = traffic.tasks
        assert (status.samples, status.payload, status.wire.total) == (4, 64, 8 + 4 * 24)
        assert (off.samples, off.payload, off.wire.total) == (0, 0, 8)
        assert off.bytes_per_sample is None
        assert off.efficiency == 0

    def test_host_bus_time(self) -> None:
        # 480 bit over the bus in the scan in which both tasks are due, at the slowest; each of two triggers,
        # two requests and two answers holds it for the latency, too
        bus = {"bit_rate": "1 Mbit/s .. 2 Mbit/s", "latency": "10 us"}
        (load,) = evaluation_of(tasks=self.TASKS, controller={"host_bus": bus}).bus_loads
        assert load.busy.total == (480 + 6 * 10) * ticks("1 us")
        assert load.bits_per_scan == 304 + 176 // 2
        assert load.load == 540 * ticks("1 us") * 10**12 // ticks("100 ms")  # the ratio's ticks

    def test_two_tasks_that_never_meet(self) -> None:
        tasks = {
            "cells": {"value": "16 bit", "every": 2, "phase": 0},
            "warm": {"reads": "temperatures", "value": "16 bit", "every": 2, "phase": 1},
            "off": {"kind": "write", "every": 4099},
        }
        (load,) = evaluation_of(tasks=tasks, controller={"host_bus": {"bit_rate": "1 Mbit/s"}}).bus_loads
        assert load.busy.total == (304 + 8) * ticks("1 us")  # in one of the 8198 scans

    def test_a_log_grows_by_the_typical_scan(self) -> None:
        period = {"scan_period": {"min": "50 ms", "typical": "100 ms", "max": "200 ms"}}
        traffic = bytes_budget(evaluation_of(tasks=self.TASKS, controller=period).scans["C"])
        assert traffic.log_per_hour == 40 * 10 * 3600
