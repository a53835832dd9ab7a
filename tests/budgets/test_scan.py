"""Scans by hand: slots, busy ports and chains, and the terms of a run, in packs of round figures.

1 bit takes 1 us and nothing is framed: a run of `cells` is a trigger of 8 us, a conversion, a request of 8 us
and an answer of 72 us a node.
"""

from __future__ import annotations

from typing import Any

import pytest
from standby_packs import evaluation_of, ticks

from chainplan.budgets.scanning.runs import pause_on
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.figures.terms import Case, parts_add_up

US = ticks("1 us")

TWO: dict[str, Any] = {"cells": {"value": "16 bit"}, "warm": {"reads": "temperatures", "value": "16 bit"}}
"""Cell voltages (2 ms to convert) and temperatures (3 ms): 2.304 ms and 3 ms + 8 + 8 + 4 * 40 us."""


def scan_of(nodes: int = 4, **more: Any) -> ControllerScan:
    return evaluation_of(nodes, **more).scans["C"]


class TestSlots:
    def test_one_after_another(self) -> None:
        slots = scan_of(tasks=TWO).slots(0)
        assert slots == [
            ("cells", 0, ticks("2.304 ms")),
            ("warm", ticks("2.304 ms"), ticks("5.48 ms")),
        ]

    def test_only_those_due(self) -> None:
        tasks = {"cells": TWO["cells"], "warm": TWO["warm"] | {"every": 2, "phase": 1}}
        scan = scan_of(tasks=tasks)
        assert [slot.task for slot in scan.slots(0)] == ["cells"]
        assert [(slot.task, slot.start) for slot in scan.slots(1)] == [
            ("cells", 0),
            ("warm", ticks("2.304 ms")),
        ]
        assert scan.longest == ticks("5.48 ms")


def test_the_typical_scan_takes_the_middle() -> None:
    # The tail turns round in 1 to 5 us, typically 2 us. The firmware waits the longest conversion either way.
    late = {"turn_around": {"min": "1 us", "typical": "2 us", "max": "5 us"}}
    scan = scan_of(node=late)
    assert (scan.usual, scan.typical.total) == (ticks("2.306 ms"),) * 2
    assert (scan.longest, scan.worst.total) == (ticks("2.309 ms"),) * 2


class TestBusy:
    """A port or a chain is busy from an exchange's set-up to its end; not while nodes convert."""

    CHAINS = {"lower": {"order": ["S.1"]}, "upper": {"order": ["S.2..4"], "head": "C:2"}}  # noqa: RUF012
    LATE = {"turn_around": "1 us .. 5 us"}  # noqa: RUF012

    def test_by_hand(self) -> None:
        # Each chain: the set-ups of trigger and read, 10 us each, trigger and request, 8 us each, the tail's
        # turn-around of 5 us at most, its answers. Conversions of 2 ms are no work on the wire.
        scan = scan_of(chains=self.CHAINS, node=self.LATE, controller={"set_up": "10 us", "ports": 3})
        lower, upper = (20 + 8 + 8 + 5 + 72) * US, (20 + 8 + 8 + 5 + 3 * 72) * US
        assert scan.chain_busy() == {"lower": lower, "upper": upper}
        assert scan.port_busy() == {"C:1": lower, "C:2": upper, "C:3": 0}

    def test_chains_of_one_port_add_up(self) -> None:
        chains = {"lower": {"order": ["S.1"]}, "upper": {"order": ["S.2..4"]}}
        scan = scan_of(chains=chains, controller={"ports": 1})
        assert scan.chain_busy() == {"lower": (8 + 8 + 72) * US, "upper": (8 + 8 + 216) * US}
        assert scan.port_busy() == {"C:1": (2 * (8 + 8) + 4 * 72) * US}


class TestTerms:
    def terms(self, scan: ControllerScan) -> list[tuple[str, int, int]]:
        (run,) = scan.runs[Case.WORST]
        assert all(map(parts_add_up, scan.worst.terms))
        return [(term.label, term.amount, term.times) for term in run.terms]

    def test_set_up_and_host_bus(self) -> None:
        # A bus of 1 Mbit/s that buffers whole frames: 8 bit out, four answers of 72 bit in.
        bus = {"bit_rate": "1 Mbit/s", "bridge": "whole frames", "latency": "3 us"}
        scan = scan_of(controller={"set_up": "10 us", "host_bus": bus})
        assert self.terms(scan) == [
            ("write: host set-up", 10 * US, 1),
            ("write: host bus, request", 11 * US, 1),
            ("write: broadcast frame", 8 * US, 1),
            ("wait for the longest conversion", ticks("2 ms"), 1),
            ("sequential: host set-up", 10 * US, 1),
            ("sequential: host bus, request", 11 * US, 1),
            ("sequential: request frame", 8 * US, 1),
            ("sequential: answer frame", 72 * US, 4),
            ("sequential: host bus, answer", (3 + 4 * 72) * US, 1),
        ]

    def test_a_bridge_that_streams_adds_its_latency_alone(self) -> None:
        bus = {"bit_rate": "1 Mbit/s", "bridge": "streaming", "latency": "3 us"}
        lines = self.terms(scan_of(controller={"host_bus": bus}))
        assert [(label, amount) for label, amount, _ in lines if "host bus" in label] == [
            ("write: host bus, request", 3 * US),
            ("sequential: host bus, request", 3 * US),
            ("sequential: host bus, answer", 3 * US),
        ]

    def test_one_core_is_waited_for(self) -> None:
        # Two ports, each set up in 10 us by one core: the second port's trigger and read wait 10 us each; the
        # answers last longer than the core takes, so nothing else waits.
        chains = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"], "head": "C:2"}}
        scan = scan_of(chains=chains, controller={"set_up": "10 us", "set_up_by": "one core"})
        waits = [(label, amount) for label, amount, _ in self.terms(scan) if "core" in label]
        assert waits == [("waiting for the host core, which serves other ports", 10 * US)] * 2
        assert scan.longest == ticks("2 ms") + 2 * (10 + 10) * US + (8 + 8 + 2 * 72) * US

    @pytest.mark.parametrize(("nodes", "lines"), [(4, 4), (5, 1)])
    def test_many_lengths_stand_in_one_line(self, nodes: int, lines: int) -> None:
        # Polled, 1 km of cable before every node: 5, 10, 15, ... us out. Up to four of them stand in a line
        # each, five are summed up in one.
        plan = {
            "protocol": {"read_style": "polled"},
            "chains": {"line": {"segments": {"cable": "cable", "length": "1 km"}}},
            "tasks": {"cells": {"kind": "read", "value": "16 bit"}},
        }
        (run,) = scan_of(nodes, **plan).runs[Case.WORST]
        out = [term for term in run.terms if term.label == "polled: way out to the node"]
        assert len(out) == lines
        assert sum(term.total for term in out) == sum(range(1, nodes + 1)) * 5 * US
        assert [term.how for term in out] == ([""] * 4 if lines == 4 else ["sum of 5 that differ"])
        assert not [term for term in run.terms if "core" in term.label]


def test_the_conversion_that_is_named_pauses() -> None:
    # A task that reads open wires by the conversion of the cell voltages pauses where the node has that one.
    balancing = {"balancing": {"current": "100 mA", "settling": "1 ms"}}
    task = {"reads": "open wire", "conversion": "cell voltages", "value": "16 bit", "pause_balancing": True}
    scan = scan_of(node=balancing, tasks={"wires": task})
    (chain,) = scan.controller.chains
    assert pause_on(scan.works[0].task, chain.nodes[0]).max == ticks("1 ms")
    assert scan.longest == ticks("1 ms") + ticks("2.304 ms")
