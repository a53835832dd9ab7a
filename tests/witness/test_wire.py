"""Frames walked over a chain: published figures of open protocols, and what no wire can do."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from lab_plans import lab, lab_plan
from strategies import plans

from chainplan.chain.build import build_network
from chainplan.evaluation import Evaluation
from chainplan.plan.model import Plan
from chainplan.witness.compare import phases_of
from chainplan.witness.draw import Draw, Kind
from chainplan.witness.line import WireLine
from chainplan.witness.messages import lay_out
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate
from chainplan.witness.wire import Passage, pass_message

FS = 10**15


def bus(protocol: dict[str, Any], nodes: int, values: int, relay: dict[str, Any] | None = None) -> Plan:
    return Plan.model_validate(
        {
            "chainplan": 1,
            "title": "an open protocol as plan data",
            "cell_types": {"cell": {"voltage": "3 V"}},
            "node_types": {
                "node": {
                    "cell_inputs": values,
                    "forwarding": relay or {"downstream": "0 s", "upstream": "0 s"},
                }
            },
            "board_types": {"board": {"nodes": [{"type": "node", "cells": values}]}},
            "cable_types": {"cable": {"velocity": "2e8 m/s"}},
            "protocols": {"protocol": protocol},
            "strings": {
                "S": {
                    "cell_type": "cell",
                    "stack": [{"cells": nodes * values}],
                    "boards": [{"type": "board", "count": nodes}],
                }
            },
            "controllers": {
                "C": {"scan_period": "10 s", "evaluation": {"period": "1 s", "run_time": "1 ms"}}
            },
            "chains": {
                "line": {
                    "head": "C:1",
                    "protocol": "protocol",
                    "order": [f"S.1..{nodes}"],
                    "segments": {"cable": "cable", "length": "0 m"},
                }
            },
            "tasks": {"read": {"kind": "read", "reads": "cell voltages", "value": "16 bit"}},
        }
    )


def scan_seconds(plan: Plan, kind: Kind = "worst") -> float:
    record = simulate(Pack.of(plan), {"C": (0,)}, 1, Draw(kind))
    longest = record.controllers["C"].scan_time.max
    assert longest is not None
    return longest / FS


def test_senders_that_may_be_slower_need_not_be() -> None:
    # By hand: a frame of 20 + 5 * 16 bit at 1 Mbit/s is 100 us, with `allowance: 10 %` up to 110 us.
    protocol = {
        "bit_rate": "1 Mbit/s",
        "preamble": "20 bit",
        "read_style": "summation",
        "allowance": "10 %",
    }
    plan = bus(protocol, nodes=1, values=5)
    assert scan_seconds(plan, "best") == pytest.approx(100e-6, abs=1e-12)
    assert scan_seconds(plan) == pytest.approx(110e-6, abs=1e-12)


def test_a_line_of_32_servers_polled() -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1 and function 03: request 8 bytes, response 5 + 2 N bytes, 11-bit
    # characters, 3.5 characters of silence before each frame: 32 servers, N = 10, 19200 bit/s: 733.333 ms.
    plan = bus(
        {
            "bit_rate": "19200 bit/s",
            "character": {"data": "8 bit", "wire": "11 bit"},
            "preamble": "38 bit",  # 3.5 characters of 11 bit are 38.5 bit: the halves are added below
            "read_style": "polled",
            "request": "6 byte",
            "answer": "3 byte",
            "check": {"width": "16 bit"},
        },
        nodes=32,
        values=10,
    )
    half_bits = 32 * 2 * 0.5 / 19200
    assert scan_seconds(plan) + half_bits == pytest.approx(0.733333, abs=1e-6)


def test_a_summation_frame_on_an_ethernet_line() -> None:
    # 100 Mbit/s, bytes = 8 + 14 + max(46, 2 + 12 + payload) + 4 + 12: 100 nodes of 4 bytes: 452 B, 36.16 us
    # (published formula of a summation-frame fieldbus); the relays of the nodes add nothing here.
    plan = bus(
        {
            "bit_rate": "100 Mbit/s",
            "read_style": "summation",
            "request": f"{8 + 14 + 2 + 12 + 4 + 12} byte",
        },
        nodes=100,
        values=2,
    )
    assert scan_seconds(plan) == pytest.approx(36.16e-6, abs=1e-12)


def test_a_store_and_forward_hop_takes_the_frame_in_whole() -> None:
    # Drive manufacturers' fieldbus manuals, "internal switch latency" of a hop at 100 Mbit/s: 36 + 48 bytes
    # and 4 us: 10.72 us (printed).
    relay = {"style": "store-and-forward", "downstream": "4 us", "upstream": "0 us"}
    plan = bus({"bit_rate": "100 Mbit/s", "read_style": "polled", "request": "84 byte"}, 2, 1, relay)
    controller = build_network(plan).controllers["C"]
    second = lay_out(controller, plan.tasks)[0].reads["C:1"][1]
    heard = pass_message(WireLine(controller.chains[0], max), second, 0).heard
    assert (heard[1] - heard[0]) / FS == pytest.approx(10.72e-6, abs=1e-12)


def test_the_tail_of_a_mixed_chain_answers_first_by_hand() -> None:
    # Two nodes, answers of 1 and 2 characters of 8 bit at 1 Mbit/s, no delays but those named.
    plan = bus(
        {
            "bit_rate": "1 Mbit/s",
            "read_style": "sequential",
            "request": "8 bit",
            "answer_gap": "3 us",
        },
        nodes=2,
        values=1,
        relay={"style": "store-and-forward", "downstream": "1 us", "upstream": "2 us"},
    )
    controller = build_network(plan).controllers["C"]
    (message,) = lay_out(controller, plan.tasks)[0].reads["C:1"]
    passage = pass_message(WireLine(controller.chains[0], max), message, 0)
    us = 10**9
    assert passage.heard == [8 * us, 17 * us]  # the first node takes 8 us in, then 1 us, then 8 us again
    # The tail's 16 us are at the first node at 33 us, go on 2 us later and have left it at 51 us; its own
    # 16 us begin 3 us after that.
    assert passage.left == [70 * us, 33 * us]
    assert passage.last_bit == 70 * us


def test_gaps_lie_between_characters() -> None:
    """So one of one character has none, nor has one without any: an answer of a node with nothing to say."""
    plan = bus({"bit_rate": "1 Mbit/s", "read_style": "polled", "request": "8 bit", "byte_gap": "3 us"}, 1, 1)
    line = WireLine(build_network(plan).controllers["C"].chains[0], max)
    assert [line.frame(bits, 0) for bits in (0, 8, 16)] == [0, 8 * 10**9, (16 + 3) * 10**9]


@settings(max_examples=20)
@given(plans())
def test_a_segment_carries_one_frame_at_a_time_in_each_direction(plan: Plan) -> None:
    evaluation = Evaluation(plan)
    seen: dict[tuple[str, int, str], list[tuple[int, int]]] = defaultdict(list)

    def watch(chain: str, segment: int, way: str, first: int, last: int) -> None:
        seen[chain, segment, way].append((first, last))

    simulate(Pack.of(evaluation.plan), phases_of(evaluation), 4, Draw("each event"), 1, watcher=watch)
    for passages in seen.values():
        assert all(first < last for first, last in passages)
        assert all(ahead[1] <= behind[0] for ahead, behind in pairwise(passages))


@pytest.mark.parametrize("relays", ["cut-through", "store-and-forward", "mixed"])
def test_answers_come_home_in_order_and_every_frame_passes_every_segment_on_its_way(relays: str) -> None:
    evaluation = lab(relays=relays)
    home: dict[int, int] = defaultdict(int)

    def watch(chain: str, segment: int, way: str, first: int, last: int) -> None:
        home[segment] += way == "home"

    simulate(Pack.of(evaluation.plan), phases_of(evaluation), 1, Draw("each device"), 3, watcher=watch)
    nodes = len(evaluation.network.chains["chain 1"].nodes)
    reads = home[nodes - 1]
    assert reads > 0
    assert [home[segment] for segment in range(nodes)] == [reads * (nodes - k) for k in range(nodes)]


def test_a_segment_is_needed_until_its_last_frame_has_left() -> None:
    passage = Passage(100, [10, 20, 30], [10, 20, 30], [90, 60])
    assert [passage.used(segment) for segment in range(4)] == [90, 60, 30, 0]


@pytest.mark.parametrize("kind", ["best", "worst", "each device", "each event"])
def test_drawn_values_stay_between_the_corners(kind: Any) -> None:
    plan = lab_plan(relays="mixed")
    pack = Pack.of(plan)
    phases = phases_of(Evaluation(plan))
    ends = [simulate(pack, phases, 6, Draw(end)).controllers["C"].scan_time for end in ("best", "worst")]
    drawn = simulate(pack, phases, 6, Draw(kind), 7).controllers["C"].scan_time
    assert ends[0].min is not None
    assert ends[1].max is not None
    assert drawn.min is not None
    assert drawn.max is not None
    assert ends[0].min <= drawn.min <= drawn.max <= ends[1].max
