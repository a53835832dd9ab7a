"""One host bus behind several ports, simulated in every order of service that a plan leaves open.

By hand: two ports of two nodes, 1 bit in 1 us on the chain and on the bus, set-ups of 10 us by one core, 2 ms
of conversion. A trigger has 8 bit, a request 8 bit, the answers of a port 2 * (8 + 4 * 16) = 144 bit.
"""

from __future__ import annotations

from typing import Any

import pytest
from standby_packs import TWO_PORTS, evaluation_of, ticks

from chainplan.evaluation import Evaluation
from chainplan.figures.terms import Case
from chainplan.plan.layout import Arbitration
from chainplan.witness.bus import LEFT_OPEN, Rule
from chainplan.witness.compare import compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.draw import Draw
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate
from chainplan.witness.simulations import simulate_cases

US = ticks("1 us")
CONVERSION = 2000 * US
VALUE = {"value": "16 bit"}


def two_ports(arbitration: Arbitration = "any", **bus: Any) -> Evaluation:
    shared = {"bit_rate": "1 Mbit/s", "arbitration": arbitration} | bus
    controller = {"host_bus": shared, "set_up": "10 us", "set_up_by": "one core"}
    return evaluation_of(chains=TWO_PORTS, controller=controller)


def simulated(evaluation: Evaluation, rule: Rule | None = None) -> int:
    draw = Draw("worst", bus=rule)
    record = simulate(Pack.of(evaluation.plan), phases_of(evaluation), 3, draw)
    longest = record.controllers["C"].tasks["cells"].length.max
    assert longest is not None
    return longest


def test_by_turns() -> None:
    # Triggers: set-ups end at 10 and 20, requests at 18 and 28, wires at 26 and 36. Reads: requests likewise
    # at 18 and 28, wires 18 + 8 + 144 = 170 and 180; answers of 144 bit each on the bus: 314 and 458.
    by_hand = 36 * US + CONVERSION + 458 * US
    evaluation = two_ports("by turns")
    assert evaluation.scans["C"].longest == simulated(evaluation) == by_hand


def test_any_order_is_the_sum_but_for_the_wires() -> None:
    # Set-ups, requests and answers one after another, and the longest wire: 2 * (10 + 8) + 8 = 44, and
    # 2 * (10 + 8 + 144) + 152 = 476.
    evaluation = two_ports()
    assert evaluation.scans["C"].longest == 44 * US + CONVERSION + 476 * US
    for rule in LEFT_OPEN:
        assert simulated(evaluation, rule) <= evaluation.scans["C"].longest
        assert simulated(evaluation, rule) >= (36 + 2000 + 458) * US


def test_a_bus_to_each_port() -> None:
    # 20 + 8 + 8 = 36; 20 + 8 + 152 + 144 = 324: only the core is waited for.
    evaluation = two_ports(serves={"one": ["1"], "all others": [str(port) for port in range(2, 9)]})
    assert evaluation.scans["C"].longest == simulated(evaluation) == (36 + 2000 + 324) * US
    assert [each.busy.total for each in evaluation.bus_loads] == [(8 + 8 + 144) * US] * 2


def test_a_bus_that_streams_is_with_one_exchange_from_first_to_last() -> None:
    # Triggers: 10 + 8 = 18, and 8 more when the second set-up has ended at 20; reads: 10 + 152, 152 more.
    evaluation = two_ports("by turns", bridge="streaming")
    assert evaluation.scans["C"].longest == simulated(evaluation) == (28 + 2000 + 314) * US


def test_a_bus_slower_than_the_chain_sets_the_pace() -> None:
    # One chain of four nodes on a bus of 0.5 Mbit/s that streams: 16 us for the trigger and for the request,
    # 2 * 288 us for the answers.
    slow = {"bit_rate": "500 kbit/s", "bridge": "streaming"}
    evaluation = evaluation_of(controller={"host_bus": slow})
    assert evaluation.scans["C"].longest == simulated(evaluation) == (16 + 2000 + 16 + 576) * US


@pytest.mark.parametrize("scan_period", ["2.5 ms", "1 ms"])
def test_a_bus_without_time_left_is_a_miss(scan_period: str) -> None:
    # 2 * (8 + 8 + 144) = 320 us of every scan at 1 Mbit/s; at 0.25 Mbit/s 1.28 ms.
    controller = {"host_bus": {"bit_rate": "250 kbit/s"}, "scan_period": scan_period}
    evaluation = evaluation_of(chains=TWO_PORTS, controller=controller)
    (verdict,) = (each for each in evaluation.verdicts if each.target == "host bus load")
    assert verdict.value == 1280 * 10**12 // (2500 if scan_period == "2.5 ms" else 1000)
    assert verdict.status == ("met" if scan_period == "2.5 ms" else "missed")


@pytest.mark.parametrize("bridge", ["whole frames", "streaming"])
@pytest.mark.parametrize("set_up_by", ["one core", "each port"])
def test_no_bound_is_exceeded(bridge: str, set_up_by: str) -> None:
    bus = {"bit_rate": "1 Mbit/s ± 5 %", "bridge": bridge, "latency": "1 us .. 9 us"}
    controller = {
        "host_bus": bus,
        "set_up": "2 us .. 30 us",
        "set_up_by": set_up_by,
        "retry_reserve": 1,
        "scan_period": "20 ms",
    }
    evaluation = evaluation_of(
        chains=TWO_PORTS,
        controller=controller,
        protocol={"read_style": "polled", "time_out": "50 us"},
        tasks={"cells": VALUE, "warm": VALUE | {"reads": "temperatures", "every": 2}},
    )
    tried = cases(evaluation, scans=40, seeds=2)
    assert any("bus first come" in case.name for case in tried)
    result = simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), tried)
    assert [row for row in compare(evaluation, result.record) if not row.ok] == []
    assert evaluation.scans["C"].ways[Case.WORST].shared


def test_a_task_on_one_port_waits_for_no_gap_of_another() -> None:
    # Set-up, bus and wire of a trigger and its gap of 5 us: 10 + 8 + 8 + 5 = 31. A read: 10 + 8 out over the
    # bus, 8 + 144 on the wire, 144 back, the gap of 5: 319. Its retry comes after a time-out of 70 us.
    controller = {
        "host_bus": {"bit_rate": "1 Mbit/s", "arbitration": "by turns"},
        "set_up": "10 us",
        "retry_reserve": 1,
    }
    evaluation = evaluation_of(
        chains=TWO_PORTS,
        controller=controller,
        protocol={"time_out": "70 us", "frame_gap": "5 us"},
        tasks={"cells": VALUE | {"chains": ["lower"]}},
    )
    wanted = cases(evaluation, scans=12, seeds=1)
    rows = compare(evaluation, simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), wanted).record)
    (row,) = [row for row in rows if row.quantity == "scan time"]
    assert row.largest == row.bound == (31 + 2000 + 319 + 319 + 70) * US


@pytest.mark.parametrize("rule", LEFT_OPEN)
def test_a_port_that_a_ring_is_read_across_from_may_have_other_chains(rule: Rule) -> None:
    # 1 bit takes 4 us on two buses: near serves port 1, far ports 2 and 3. Triggers of 32 us on the bus and
    # 8 us on the wire, two of them at port 1: 80 us, and 2 ms. A read is 8 + 144 bit out, as long on the wire
    # and 144 bit home: `upper` has far until 608 + 152 + 576 = 1336 us, from which on the ring's frame comes
    # home there, until 1912 us; then `lower` at the ring's port takes 608 + 152 + 576 us on near.
    evaluation = evaluation_of(
        6,
        chains={
            "upper": {"order": ["S.5..6"], "head": "C:2"},
            "ring": {"order": ["S.1..2"], "shape": "ring", "back": "C:3", "read_from": "across"},
            "lower": {"order": ["S.3..4"]},
        },
        controller={
            "ports": 3,
            "host_bus": {"bit_rate": "250 kbit/s", "serves": {"near": ["1"], "far": ["2", "3"]}},
        },
        protocol={"read_style": "summation"},
    )
    by_hand = (80 + 2000 + 1912 + 1336) * US
    assert simulated(evaluation, rule) == by_hand <= evaluation.scans["C"].longest
