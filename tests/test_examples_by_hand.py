"""Each example plan's main figures, worked out again by hand from the numbers written in the plan.

Nothing of the budgets is used here: the numbers are copied from configs/*.yaml and added up in exact
fractions of a second. The computed figures round each quantity outward to whole femtoseconds, so they lie
at most a few thousand femtoseconds above these.
"""

from __future__ import annotations

from fractions import Fraction as F
from pathlib import Path

import pytest

from chainplan.evaluate import Evaluation, evaluate
from chainplan.plan.load import load_plan

CONFIGS = Path(__file__).parent.parent / "configs"
C0 = 299_792_458
us = F(1, 10**6)
ms = F(1, 1000)
ns = F(1, 10**9)


def evaluated(name: str) -> Evaluation:
    return evaluate(load_plan(CONFIGS / f"{name}.yaml").plan)


def assert_bound(ticks: int, by_hand: F) -> None:
    """The computed bound is the exact figure or above it by rounding only."""
    exact = by_hand * 10**15
    assert exact <= ticks <= exact + exact / 10**9 + 10**5


def segment(metres: F, velocity: F, connectors: int, barrier_ns: int) -> F:
    return metres / (velocity * C0) + connectors * 50 * ns / 1000 + 2 * barrier_ns * ns


def fhti(evaluation: Evaluation, hazard: str) -> int:
    return next(latency.handling.total for latency in evaluation.latencies if latency.hazard == hazard)


class TestRailTrolley:
    tau = 1 / F(2_000_000 * 99, 100)
    bus = 1 / F(4_000_000)
    cables = segment(F(12, 10), F(66, 100), 2, 4) + 3 * segment(F(35, 100), F(66, 100), 2, 4)
    way = cables + 3 * 140 * ns  # three relays on the way to the fourth node, the same home

    def frame(self, octets: int) -> F:
        return (8 + 8 * octets + 4) * self.tau

    def broadcast(self) -> F:
        # set-up, host bus with 2 + 2 bytes, frame, way, gap
        return 60 * us + 2 * us + 32 * self.bus + self.frame(4) + self.way + 4 * us

    def read(self, data: int) -> F:
        answer = 1 + data + 2
        wire = self.frame(4) + self.way + 10 * us + 4 * self.frame(answer) + 3 * 2 * us + self.way + 4 * us
        return 60 * us + 2 * us + 32 * self.bus + wire + 2 * us + 4 * 8 * answer * self.bus

    def cell_voltages(self) -> F:
        # two blocks of six values, 12 bytes each
        return self.broadcast() + F(23, 10) * ms + 2 * self.read(12)

    def reserve(self) -> F:
        return 2 * (self.read(12) + 50 * us)

    def test_scan_time(self) -> None:
        # busiest: cell voltages in every scan, open wire (the same reads after 12 ms) in one of twenty;
        # temperatures and the balancing write fit into others
        open_wire = self.broadcast() + 12 * ms + 2 * self.read(12)
        scan = evaluated("rail-trolley").scans["trolley"].worst.total
        assert_bound(scan, self.cell_voltages() + open_wire + self.reserve())

    def test_over_voltage(self) -> None:
        # 3 to debounce + 1 lost; sampled when the trigger has reached the first node at its earliest: bit
        # time at +1 %, 20 us set-up, the barriers' and connectors' shortest delay
        shortest = 20 * us + 2 * us + 32 * self.bus + 44 / F(2_000_000 * 101, 100)
        shortest += F(12, 10) / (F(66, 100) * C0) + 2 * 50 * ns / 1000 + 2 * F(2) * ns
        # a retried read can arrive at the end of the run
        readings = 4 * F(1001, 10000)
        fdti = (
            1 * ms
            + readings
            + 200 * us
            + (self.cell_voltages() - shortest)
            + self.reserve()
            + 20 * ms
            + 1 * ms
        )
        assert_bound(fhti(evaluated("rail-trolley"), "over-voltage"), fdti + 2 * ms + 30 * ms)


class TestHarbourFerry:
    tau = 1 / F(5_000_000 * 995, 1000)
    usual = segment(F(6, 10), F(66, 100), 2, 10)
    cables = segment(F(6), F(66, 100), 2, 10) + 8 * usual + segment(F(14, 10), F(66, 100), 2, 10)
    out = cables + 9 * 300 * ns
    home = cables + 9 * 250 * ns

    def frame(self, octets: int) -> F:
        return (16 + 8 * octets + 8) * self.tau

    def write(self, data: int) -> F:
        return self.frame(3 + data + 2) + self.out + 3 * us

    def read(self, bits: int) -> F:
        block = -(-(bits + 16) // 8)  # data and check of one node, in whole bytes
        return self.frame(3 + 2 + 10 * block) + self.out + 6 * us + self.home + 3 * us

    def stage(self, wire: F, answers: bool) -> F:
        # four set-ups in rotation on one core, then the last ring's exchange over a streaming bridge
        return 4 * 30 * us + 2 * us + wire + (2 * us if answers else 0)

    def measure(self, bits: int, conversion: F) -> F:
        return self.stage(self.write(0), False) + conversion + self.stage(self.read(bits), True)

    def test_scan_time(self) -> None:
        # busiest: cell voltages with open wire; the other tasks take less together and avoid that scan
        busiest = self.measure(18 * 16, F(14, 10) * ms) + self.measure(18 * 16, 6 * ms)
        reserve = 3 * (30 * us + 2 * us + self.read(18 * 16) + 2 * us + 20 * us)
        assert_bound(evaluated("harbour-ferry").scans["bridge"].worst.total, busiest + reserve)


class TestMineLocomotive:
    tau = 1 / F(250_000 * 98, 100)
    gap = 4 * us

    def frame(self, octets: int) -> F:
        return 10 * octets * self.tau + (octets - 1) * self.gap

    def delay(self, metres: F) -> F:
        return segment(metres, F(66, 100), 2, 0)

    def upper(self) -> F:
        """Cell voltages of the upper chain: six nodes of 18 values, in three blocks of six."""
        total = F(0)
        for node in range(6):
            out = self.delay(F(5)) + node * self.delay(F(5, 10)) + node * 300 * ns
            home = self.delay(F(5)) + node * self.delay(F(5, 10)) + node * 250 * ns
            total += self.frame(4) + out + 6 * us + self.frame(2 + 12 + 1) + home + 60 * us
        return 3 * total

    def test_scan_time(self) -> None:
        scan = evaluated("mine-locomotive").scans["cab"].worst
        # one term of the report, the answers of the upper chain, by hand: 18 frames of 15 bytes
        run = next(term for term in scan.terms if term.label == "task cell voltages")
        answers = [part for part in run.parts if part.label == "polled: answer frame"]
        assert sum(part.times for part in answers) == 18
        assert_bound(sum(part.total for part in answers), 18 * self.frame(15))
        # The two ports share one core in rotation. While the upper chain has 18 polls and the lower one 12,
        # the core first serves the lower port: the upper one waits for its set-up once, later polls
        # overlap. So the read stage ends with the upper chain's polls, its set-ups and one wait.
        out = self.delay(F(5)) + 5 * self.delay(F(5, 10)) + 5 * 300 * ns
        trigger = 2 * 120 * us + self.frame(4) + out + 60 * us
        least = trigger + F(23, 10) * ms + 18 * 120 * us + self.upper()
        assert least * 10**15 <= run.amount <= (least + 18 * 120 * us) * 10**15


@pytest.mark.parametrize(
    ("example", "hazard", "controller_terms"),
    [
        # (debounce + lost [+ 1 for the overlap]) * period, jitter, evaluation, reaction: all but the way
        # from sampling to memory, which is below 60 ms everywhere
        ("harbour-ferry", "over-voltage", 6 * F(2002, 100_000) + 50 * us + F(115, 10) * ms + 29 * ms),
        ("storage-container", "over-voltage", 5 * F(25025, 100_000) + 1 * ms + 54 * ms + 95 * ms + 2 * ms),
        ("mine-locomotive", "over-voltage", 7 * F(5025, 100_000) + 500 * us + 22 * ms + 43 * ms + 1 * ms),
    ],
)
def test_handling_time(example: str, hazard: str, controller_terms: F) -> None:
    evaluation = evaluated(example)
    got = F(fhti(evaluation, hazard), 10**15)
    scan = next(iter(evaluation.scans.values()))
    if scan.worst.total > scan.controller.plan.scan_period.max:  # an overrun scan sets the pace itself
        controller_terms += 7 * (F(scan.worst.total, 10**15) - F(5025, 100_000))
    assert controller_terms < got < controller_terms + 60 * ms
