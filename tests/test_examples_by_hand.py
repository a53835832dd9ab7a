"""Each example plan's main figures, worked out again by hand from the numbers written in the plan.

Nothing of the budgets is used here: the numbers are copied from configs/*.yaml and added up in exact
fractions of a second. The computed figures round each quantity outward to whole femtoseconds, so they lie
at most a few thousand femtoseconds above these.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.results import evaluate

CONFIGS = Path(__file__).parent.parent / "configs"
F = Fraction
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
        # balancing settles for 1 ms at the longest; then two blocks of six values, 12 bytes each
        return self.broadcast() + 1 * ms + F(23, 10) * ms + 2 * self.read(12)

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
        # time at +1 %, 20 us set-up, the barriers' and connectors' shortest delay; and balancing has settled
        # for 900 us at the shortest
        shortest = 20 * us + 2 * us + 32 * self.bus + 44 / F(2_000_000 * 101, 100)
        shortest += F(12, 10) / (F(66, 100) * C0) + 2 * 50 * ns / 1000 + 2 * F(2) * ns + 900 * us
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


def handling_by_hand(readings: F, jitter: F, flight: F, reserve: F, host: F, reaction: F) -> F:
    return readings + jitter + flight + reserve + host + reaction


def test_ferry_over_voltage() -> None:
    ferry = TestHarbourFerry()
    # earliest sample: 12 us set-up, 1 us bus latency, the trigger at +0.5 % bit rate over the head segment
    trigger = 12 * us + 1 * us + (16 + 40 + 8) / F(5_000_000 * 1005, 1000)
    trigger += F(6) / (F(66, 100) * C0) + 2 * 50 * ns / 1000 + 2 * 5 * ns
    run = ferry.measure(18 * 16, F(14, 10) * ms)
    reserve = 3 * (30 * us + 2 * us + ferry.read(18 * 16) + 2 * us + 20 * us)
    # 4 to debounce, 2 lost, every 20 ms + 0.1 %; cell voltages come first in every scan, so no slot shift
    exact = handling_by_hand(6 * F(2002, 100) * ms, 50 * us, run - trigger, reserve, F(115, 10) * ms, 29 * ms)
    assert_bound(fhti(evaluated("harbour-ferry"), "over-voltage"), exact)


def test_container_over_voltage() -> None:
    # 3 to debounce, 1 lost, 1 because the read lies one run behind the conversion; 250 ms + 0.1 %
    tau = 1 / F(2_000_000 * 99, 100)

    def frame(octets: int) -> F:
        return (8 + 8 * octets + 4) * tau

    usual = segment(F(45, 100), F(66, 100), 2, 10)
    in_board = F(12, 100) / (F(5, 10) * C0) + 2 * 4 * ns
    cables = (
        segment(F(4), F(66, 100), 2, 10) + 14 * usual + segment(F(25, 10), F(66, 100), 2, 10) + 32 * in_board
    )
    way = cables + 47 * 2 * us  # 47 relays
    bus = 1 / F(8_000_000)
    request, answer = frame(4), frame(1 + 34 + 2)
    broadcast = 80 * us + 3 * us + 32 * bus + request + way + 47 * request + 4 * us
    # the train of 48 equal answers: each sent once, and one more answer time per storing relay passed
    read = request + way + 47 * request + 12 * us + 48 * answer + 47 * 2 * us + way + 47 * answer + 4 * us
    one = 80 * us + 3 * us + 32 * bus + read + 3 * us + 48 * 37 * 8 * bus
    run = broadcast + one
    sampled = 30 * us + 3 * us + 32 * bus + (8 + 32 + 4) / F(2_000_000 * 101, 100)
    sampled += F(4) / (F(66, 100) * C0) + 2 * 50 * ns / 1000 + 2 * 5 * ns
    reserve = 2 * (one + 50 * us)
    exact = handling_by_hand(
        5 * F(25025, 100) * ms, 1 * ms, run - sampled, reserve, 54 * ms + 2 * ms, 95 * ms
    )
    assert_bound(fhti(evaluated("storage-container"), "over-voltage"), exact)


def stress(evaluation: Evaluation, chain: str, number: int) -> tuple[int, int]:
    found = evaluation.isolation.chains[chain].segments[number - 1]
    return found.references.voltage, found.conductors.voltage


def transient(evaluation: Evaluation, chain: str, number: int) -> tuple[int, int]:
    found = evaluation.isolation.chains[chain].segments[number - 1]
    return found.transient_references.voltage, found.transient_conductors.voltage


def test_trolley_segment_stresses() -> None:
    # 12 cells of 3.65 V a board: 43.8 V; string 175.2 V; references 0, 43.8, 87.6, 131.4 V
    evaluation = evaluated("rail-trolley")
    assert evaluation.network.strings["main"].voltage == 175_200_000
    # head: board 1 is at 0 V. Earth fault at HV+: 175.2 V to chassis. Fuse at the top (60 V) blown while the
    # string is charged, earth fault on the link's side: 60 V more, for milliseconds.
    assert stress(evaluation, "line", 1) == (175_200_000, 175_200_000)
    assert transient(evaluation, "line", 1) == (235_200_000, 235_200_000)
    # between boards of one side 43.8 V, and 87.6 V from the lowest to the uppermost conductor
    assert stress(evaluation, "line", 2) == (43_800_000, 87_600_000)
    # across the service plug: 43.8 - 175.2 V between the references, and the break's own 175.2 V between the
    # conductors beside it; its allowance of 20 V comes on top for milliseconds
    assert stress(evaluation, "line", 3) == (131_400_000, 175_200_000)
    assert transient(evaluation, "line", 3) == (151_400_000, 195_200_000)
    assert stress(evaluation, "line", 4) == (43_800_000, 87_600_000)


def test_ferry_segment_stresses() -> None:
    # 18 cells of 4.2 V a board: 75.6 V; string 756 V; the plug (20 V) lies between boards 5 and 6
    evaluation = evaluated("harbour-ferry")
    assert stress(evaluation, "ring-3", 2) == (75_600_000, 151_200_000)
    assert stress(evaluation, "ring-3", 6) == (680_400_000, 756_000_000)
    # head, board 1 (reference 0 V): its string hangs by HV+, 756 V below the link; another string's plug is
    # open on the discharged link, its lower edge 378 V above it and at chassis; 20 V more while that plug
    # opens
    assert stress(evaluation, "ring-3", 1)[0] == 1_134_000_000
    assert transient(evaluation, "ring-3", 1)[0] == 1_154_000_000
    # back, board 10 (reference 680.4 V): its string hangs by HV+ on a link that another, full one has
    # charged; earth fault at L-. Its own 18 cells above may be at 2.8 V: 756 - 50.4 V
    assert stress(evaluation, "ring-3", 11)[0] == 705_600_000


def test_container_segment_stresses() -> None:
    # 51 cells of 3.65 V a board: 186.15 V, a node 62.05 V; string 1489.2 V; the joint lies below board 5
    evaluation = evaluated("storage-container")
    assert stress(evaluation, "loop", 2) == (62_050_000, 124_100_000)
    assert stress(evaluation, "loop", 13) == (1_427_150_000, 1_489_200_000)
    assert stress(evaluation, "loop", 1)[0] == 1_489_200_000


def test_locomotive_segment_stresses() -> None:
    # six boards of 50.4 V, six of 75.6 V: string 756 V; plug (30 V) below board 7, fuse (100 V) on top
    evaluation = evaluated("mine-locomotive")
    assert stress(evaluation, "lower", 2) == (50_400_000, 100_800_000)
    assert stress(evaluation, "upper", 2) == (75_600_000, 151_200_000)
    # lower head, board 1 (0 V): earth fault at HV+
    assert stress(evaluation, "lower", 1)[0] == 756_000_000
    # upper head, board 12 (reference 680.4 V): earth fault at HV-. Fuse blown, earth fault at its far edge
    # (tap 756 V): 756 + 100 - (756 - 680.4) V
    assert stress(evaluation, "upper", 1)[0] == 680_400_000
    assert transient(evaluation, "upper", 1)[0] == 780_400_000
