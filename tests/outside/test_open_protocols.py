"""The time model checked against published figures of open protocols, each written down as plan data.

Nothing in chainplan knows these protocols: they are settings of a plan, as a user would enter them. Values
marked (C) are computed here from the published formula quoted beside them.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from chainplan.budgets.scanning.scan import ControllerScan, scans
from chainplan.budgets.scanning.traffic import bytes_budget
from chainplan.budgets.scanning.wire import frame_time, way_along, wire_bits
from chainplan.chain.build import build_network
from chainplan.figures.terms import Case
from chainplan.plan.checks import check_plan
from chainplan.plan.model import Plan

FS = 10**15


def bus(
    protocol: dict[str, Any],
    *,
    nodes: int,
    values: int,
    value: str = "16 bit",
    relay: dict[str, Any] | None = None,
    turn_around: str = "0 s",
    length: str = "0 m",
) -> Plan:
    """Return a plan of one chain with equal nodes that one read task fetches from."""
    return Plan.model_validate(
        {
            "chainplan": 1,
            "title": "an open protocol as plan data",
            "cell_types": {"cell": {"voltage": "3 V"}},
            "node_types": {
                "node": {
                    "cell_inputs": values,
                    "conversions": {"cell voltages": {"time": "0 s"}},
                    "forwarding": relay or {"downstream": "0 s", "upstream": "0 s"},
                    "turn_around": turn_around,
                }
            },
            "board_types": {"board": {"nodes": [{"type": "node", "cells": values}]}},
            "cable_types": {"cable": {"velocity": "2e8 m/s"}},
            "protocols": {"protocol": protocol},
            "strings": {
                "s": {
                    "cell_type": "cell",
                    "stack": [{"modules": nodes, "cells": values}],
                    "boards": [{"type": "board", "count": nodes}],
                }
            },
            "controllers": {
                "host": {
                    "scan_period": "10 s",
                    "evaluation": {"period": "10 ms", "run_time": "1 ms"},
                    "actuators": {"switch": {"opening": "10 ms"}},
                }
            },
            "chains": {
                "line": {
                    "head": "host:1",
                    "protocol": "protocol",
                    "order": [f"s.1..{nodes}"],
                    "segments": {"cable": "cable", "length": length},
                }
            },
            "tasks": {"read": {"kind": "read", "reads": "cell voltages", "value": value}},
        }
    )


def scan_of(plan: Plan) -> ControllerScan:
    assert not [finding for finding in check_plan(plan) if finding.severity == "error"]
    return scans(build_network(plan), plan.tasks)["host"]


LIN = {
    "bit_rate": "19.2 kbit/s",
    "character": {"data": "8 bit", "wire": "10 bit"},
    "preamble": "14 bit",  # break of 13 bits and its delimiter
    "request": "2 byte",  # synch byte and protected identifier
    "answer": "1 byte",  # checksum
    "allowance": {"min": "0 %", "typical": "0 %", "max": "40 %"},
    "read_style": "summation",
}


@pytest.mark.parametrize(
    ("data", "nominal_ms", "maximum_ms"),
    [
        (1, "2.8125", "3.9375"),
        (2, "3.333333", "4.666667"),
        (4, "4.375", "6.125"),
        (8, "6.458333", "9.041667"),
    ],
)
def test_lin_frame(data: int, nominal_ms: str, maximum_ms: str) -> None:
    # LIN Specification Package 2.2, 2.3.2 eq. 6 to 8: T_header = 34 bits, T_response = 10 (N + 1) bits,
    # T_max = 1.4 x T_nominal. Slot times (C).
    scan = scan_of(bus(LIN, nodes=1, values=data, value="8 bit"))
    assert scan.typical.total / 10**12 == pytest.approx(float(nominal_ms), abs=1e-6)
    assert scan.worst.total / 10**12 == pytest.approx(float(maximum_ms), abs=1e-6)
    exact = Fraction((34 + 10 * (data + 1)) * FS, 19200)
    assert (
        0 <= scan.worst.total - exact * Fraction(14, 10) <= 34 + 10 * (data + 1) + 1
    )  # a tick per bit at most


def modbus(baud: int) -> dict[str, Any]:
    silence = "1.75 ms" if baud > 19200 else "2.0052083333 ms" if baud == 19200 else "4.0104166667 ms"
    return {
        "bit_rate": f"{baud} bit/s",
        "character": {"data": "8 bit", "wire": "11 bit"},
        "frame_gap": silence,
        "read_style": "polled",
        "request": "6 byte",  # address, function 03, first register, count
        "answer": "3 byte",  # address, function, byte count
        "check": {"width": "16 bit", "polynomial": 0x8005},
    }


@pytest.mark.parametrize(
    ("baud", "registers", "milliseconds"),
    [
        (9600, 1, 25.20833),
        (9600, 10, 45.83333),
        (9600, 125, 309.375),
        (19200, 1, 12.60417),
        (19200, 10, 22.91667),
        (19200, 125, 154.6875),
        (115200, 1, 4.93229),
        (115200, 10, 6.65104),
        (115200, 125, 28.61285),
    ],
)
def test_modbus_poll(baud: int, registers: int, milliseconds: float) -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1: 11-bit characters, 3.5 characters of silence between frames,
    # 1.750 ms above 19200 baud; function 03: request 8 bytes, response 5 + 2N bytes. Poll times (C).
    gap = modbus(baud)["frame_gap"]
    scan = scan_of(bus(modbus(baud), nodes=1, values=registers, turn_around=gap))
    assert scan.worst.total / 10**12 == pytest.approx(milliseconds, abs=6e-6)


def test_modbus_line_of_32_servers() -> None:
    # The same: 32 servers, 10 registers each, 19200 baud: 733.333 ms (C).
    gap = modbus(19200)["frame_gap"]
    scan = scan_of(bus(modbus(19200), nodes=32, values=10, turn_around=gap))
    assert scan.worst.total / 10**12 == pytest.approx(733.333, abs=5e-4)


@pytest.mark.parametrize(("rate", "microseconds"), [("1 Mbit/s", 325.0), ("2 Mbit/s", 162.5)])
def test_boundary_scan_chain(rate: str, microseconds: float) -> None:
    # IEEE 1149.1 state diagram: from and to Run-Test/Idle a data scan takes L + 5 clocks, L the summed
    # register lengths; 16 devices of 20 bit (C).
    protocol = {
        "bit_rate": rate,
        "character": {"data": "1 bit", "wire": "1 bit"},
        "preamble": "5 bit",
        "read_style": "summation",
    }
    scan = scan_of(bus(protocol, nodes=16, values=1, value="20 bit"))
    assert scan.worst.total == microseconds * 10**9


SUMMATION_ON_ETHERNET = {
    "bit_rate": "100 Mbit/s",
    "preamble": "8 byte",  # preamble and start delimiter
    "request": "32 byte",  # 14 MAC header, 2 + 12 protocol headers, 4 frame check sequence
    "shortest_frame": "64 byte",
    "trailer": "12 byte",  # inter-packet gap
    "read_style": "summation",
}


@pytest.mark.parametrize(
    ("nodes", "payload", "octets", "microseconds"), [(100, 4, 452, 36.16), (20, 12, 292, 23.36)]
)
def test_summation_frame_on_an_ethernet_line(
    nodes: int, payload: int, octets: int, microseconds: float
) -> None:
    # IEEE 802.3 clause 3 framing at 100 Mbit/s: 8 + 14 + max(46, 2 + 12 + payload) + 4 + 12 bytes (C).
    # Outbound (processing) and return (forwarding) delay of a node differ:
    # n * t_out + (n - 1) * t_back + 2 * wires.
    t_out, t_back, wire = 310, 120, 5
    plan = bus(
        SUMMATION_ON_ETHERNET,
        nodes=nodes,
        values=payload,
        value="8 bit",
        relay={"downstream": f"{t_out} ns", "upstream": f"{t_back} ns"},
        turn_around=f"{t_out} ns",
        length="1 m",
    )
    scan = scan_of(plan)
    assert bytes_budget(scan).busiest_scan.total == 8 * octets
    line = nodes * t_out + (nodes - 1) * t_back + 2 * nodes * wire
    assert scan.worst.total == microseconds * 10**9 + line * 10**6


def test_short_summation_frame_is_padded() -> None:
    # IEEE 802.3: the shortest frame is 64 bytes; with preamble and gap it takes 84 byte times, 6.72 us (C).
    scan = scan_of(bus(SUMMATION_ON_ETHERNET, nodes=1, values=4, value="8 bit"))
    assert scan.worst.total == 6_720_000_000


@pytest.mark.parametrize(("octets", "microseconds"), [(36 + 48, 10.72), (36 + 40, 10.08), (66 + 16, 10.56)])
def test_store_and_forward_hop(octets: int, microseconds: float) -> None:
    # Printed in drive manufacturers' fieldbus manuals as the latency of an internal switch at 100 Mbit/s:
    # the whole frame (36 + 48, 36 + 40, 66 + 16 bytes) and 4 us.
    relay = {"style": "store-and-forward", "downstream": "4 us", "upstream": "4 us"}
    plan = bus(
        {"bit_rate": "100 Mbit/s", "request": "1 byte", "read_style": "polled"},
        nodes=2,
        values=1,
        relay=relay,
    )
    (chain,) = build_network(plan).chains.values()
    way = way_along(chain, Case.WORST)
    frame = frame_time(chain.protocol, 8 * octets, Case.WORST)
    assert way.reach(1, frame) - way.reach(0, frame) == microseconds * 10**9


def test_share_of_payload_with_one_ethernet_frame_per_node() -> None:
    # Published comparison of Ethernet fieldbuses: 4 bytes of process data in an 84-byte slot are 4.76 %
    # (printed as 4.7 %); with 10 us of answer time for each node 1.91 % (printed as 1.9 %).
    protocol = {
        "bit_rate": "100 Mbit/s",
        "preamble": "8 byte",
        "request": "18 byte",
        "answer": "18 byte",
        "shortest_frame": "64 byte",
        "trailer": "12 byte",
        "read_style": "polled",
    }
    plan = bus(protocol, nodes=1, values=4, value="8 bit", turn_around="10 us")
    (chain,) = build_network(plan).chains.values()
    answer = wire_bits(chain.protocol, 8 * (18 + 4))
    assert 32 / answer == pytest.approx(0.0476, abs=5e-5)
    scan = scan_of(plan)
    with_answer_time = scan.worst.total - frame_time(chain.protocol, 8 * 18, Case.WORST)
    assert 32 * 10**7 / with_answer_time == pytest.approx(0.0191, abs=5e-5)


@pytest.mark.parametrize(("nodes", "microseconds"), [(2, 8.4), (4, 14.8), (8, 27.6), (16, 53.2)])
def test_idle_arbitration_cycle_of_multidrop_ethernet(nodes: int, microseconds: float) -> None:
    # IEEE 802.3cg-2019 10BASE-T1S: beacon of 20 bit times, then by default 32 bit times per idle node (C).
    protocol = {
        "bit_rate": "10 Mbit/s",
        "character": {"data": "1 bit", "wire": "1 bit"},
        "preamble": "20 bit",
        "read_style": "summation",
    }
    scan = scan_of(bus(protocol, nodes=nodes, values=1, value="32 bit"))
    assert scan.worst.total == microseconds * 10**9
