"""From fault to safe state by hand, in packs of round figures: ISO 26262-1:2018, 3.55 to 3.61 (from memory).

1 bit takes 1 us and nothing is framed: a run of `cells` on four nodes is a trigger of 8 us, a conversion of
2 ms, a request of 8 us and answers of 72 us. A kilometre of cable takes 5 us. The evaluation runs every 10 ms
for 1 ms, the actuator opens in 50 ms.
"""

from __future__ import annotations

from typing import Any

import pytest
from standby_packs import evaluation_of, ticks

from chainplan.budgets.values.latency import HazardLatency
from chainplan.evaluation import Evaluation
from chainplan.witness.compare import compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.pack import Pack
from chainplan.witness.simulations import simulate_cases

US, MS = ticks("1 us"), ticks("1 ms")
PERIOD, JUDGED = 100 * MS, 11 * MS
FLIGHT = 2 * MS + (8 + 4 * 72) * US
"""From sampling to memory: the trigger's own time is in both instants."""

OVER: dict[str, Any] = {"kind": "cell over-voltage", "ftti": "10 s", "reaction": "switch"}
LOST: dict[str, Any] = OVER | {"kind": "chain loss"}
LONG: dict[str, Any] = {"line": {"segments": {"cable": "cable", "length": "1 km"}}}


def latency_of(hazard: dict[str, Any], **more: Any) -> HazardLatency:
    (latency,) = evaluation_of(hazards={"it": hazard}, **more).latencies
    return latency


def found_last(evaluation: Evaluation) -> int:
    """Return the longest time in which a fault was found in simulations that press on the bounds, fs.

    At the worst a fault falls 1 fs after a sample, and an evaluation begins 1 fs before the last reading.
    """
    wanted = cases(evaluation, scans=12, seeds=1)
    rows = compare(evaluation, simulate_cases(Pack.of(evaluation.plan), phases_of(evaluation), wanted).record)
    assert all(row.ok for row in rows), rows
    (found,) = [row.largest for row in rows if row.quantity == "fault detection time"]
    assert found is not None
    return found


class TestReadings:
    def test_one_reading(self) -> None:
        latency = latency_of(OVER)
        assert latency.detection.total == PERIOD + FLIGHT + JUDGED
        assert latency.reaction.total == 50 * MS
        assert latency.handling.total == latency.typical_handling == PERIOD + FLIGHT + JUDGED + 50 * MS

    def test_debounced_and_lost(self) -> None:
        # Two hits in a row, one more that is lost: three periods at the worst, two typically.
        latency = latency_of(OVER | {"debounce": 2, "lost_readings": 1, "on_lost": "hold"})
        assert latency.detection.total == 3 * PERIOD + FLIGHT + JUDGED
        assert latency.typical_handling == 2 * PERIOD + FLIGHT + JUDGED + 50 * MS

    def test_jitter_lag_and_filter(self) -> None:
        settles = {"conversions": {"cell voltages": {"time": "2 ms", "settling": "4 ms"}}}
        latency = latency_of(
            OVER | {"sensor_lag": "7 ms"}, node=settles, controller={"scan_jitter": "1 ms .. 3 ms"}
        )
        assert latency.detection.total == PERIOD + 3 * MS + 7 * MS + 4 * MS + FLIGHT + JUDGED
        assert latency.typical_detection.total == PERIOD + 7 * MS + 4 * MS + FLIGHT + JUDGED

    def test_a_filter_that_settles_sooner_or_later(self) -> None:
        # 1 ms to 5 ms, typically 3 ms: a change that falls 5 ms before a sample may just not show in it.
        settles = {"conversions": {"cell voltages": {"time": "2 ms", "settling": "1 ms .. 5 ms"}}}
        evaluation = evaluation_of(hazards={"it": OVER}, node=settles)
        (latency,) = evaluation.latencies
        assert latency.detection.total == PERIOD + 5 * MS + FLIGHT + JUDGED
        assert latency.typical_detection.total == PERIOD + 3 * MS + FLIGHT + JUDGED
        assert found_last(evaluation) == latency.detection.total - 2

    def test_the_longest_filter_of_any_node_counts(self) -> None:
        slow = {2: {"conversions": {"cell voltages": {"time": "2 ms", "settling": "5 ms"}}}}
        assert latency_of(OVER, kinds=slow).detection.total == PERIOD + 5 * MS + FLIGHT + JUDGED

    def test_overlap_adds_a_period(self) -> None:
        # Read without waiting: 8 us of request and the answers after the trigger, one period later.
        latency = latency_of(OVER, tasks={"cells": {"value": "16 bit", "overlap": True}})
        assert latency.detection.total == 2 * PERIOD + (8 + 4 * 72) * US + JUDGED

    def test_the_ends_that_are_unfavourable(self) -> None:
        controller = {
            "evaluation": {"period": "8 ms .. 10 ms", "run_time": "0 ms .. 2 ms"},
            "actuators": {"switch": {"command": "1 ms .. 3 ms", "opening": "40 ms .. 60 ms"}},
        }
        latency = latency_of(OVER | {"ftti": "1 s .. 2 s"}, controller=controller)
        assert latency.detection.total == PERIOD + FLIGHT + 10 * MS + 2 * MS
        assert latency.reaction.total == 63 * MS
        assert latency.typical_reaction.total == 52 * MS
        assert latency.typical_detection.total == PERIOD + FLIGHT + 9 * MS + 1 * MS
        assert latency.ftti == 1000 * MS


class TestChainLoss:
    """A cut just after the last bit that needs the tail is noticed one period later, at the time-out."""

    @pytest.mark.parametrize(
        ("style", "behind"),
        [
            ("summation", 20),  # the frame's way home from the tail
            ("sequential", 20 + 3 * 72),  # the tail answers first, three answers follow
            ("polled", 20),  # the way home from the last node
        ],
    )
    def test_open_chain(self, style: str, behind: int) -> None:
        protocol = {"read_style": style, "time_out": "70 us"}
        latency = latency_of(LOST, protocol=protocol, chains=LONG)
        assert latency.detection.total == PERIOD + (behind + 70) * US + JUDGED

    def test_turn_around_and_answers_of_a_summation_frame_are_past(self) -> None:
        # A longer turn-around at the tail comes before its last bit, in both runs alike.
        protocol = {"read_style": "summation", "time_out": "70 us"}
        latency = latency_of(LOST, protocol=protocol, chains=LONG, node={"turn_around": "6 us"})
        assert latency.detection.total == PERIOD + (20 + 70) * US + JUDGED

    def test_a_ring_read_across(self) -> None:
        # The head is no longer needed when the frame has left it; it arrives five cables further.
        protocol = {"read_style": "summation", "time_out": "70 us"}
        ring = {"line": LONG["line"] | {"shape": "ring", "back": "C:2", "read_from": "across"}}
        latency = latency_of(LOST, protocol=protocol, chains=ring)
        assert latency.detection.total == PERIOD + (5 * 5 + 70) * US + JUDGED

    def test_several_bad_scans_and_jitter(self) -> None:
        protocol = {"read_style": "summation", "time_out": "70 us"}
        hazard = LOST | {"debounce": 2, "lost_readings": 1, "on_lost": "hold"}
        latency = latency_of(hazard, protocol=protocol, controller={"scan_jitter": "1 ms .. 3 ms"})
        assert latency.detection.total == 3 * PERIOD + 3 * MS + 70 * US + JUDGED
        assert latency.typical_detection.total == 2 * PERIOD + JUDGED

    def test_with_retries_it_is_known_at_the_end_of_the_run(self) -> None:
        # Four polls of 8 + 72 us and the cables both ways: 90, 100, 110 and 120 us. The first node's last bit
        # was sent 85 us after the polls began; its miss is known when all 420 us are over, four time-outs
        # later, and after the retry of the longest poll with its time-out.
        protocol = {"read_style": "polled", "time_out": "70 us"}
        latency = latency_of(LOST, protocol=protocol, chains=LONG, controller={"retry_reserve": 1})
        waited = (420 - 85) + 4 * 70 + (120 + 70)
        assert latency.detection.total == PERIOD + waited * US + JUDGED


def test_the_handling_time_says_what_it_is() -> None:
    sleep = {"check_every": "1 s", "alarm_per_hop": "1 ms", "host_wake": "20 ms"}
    evaluation = evaluation_of(hazards={"it": OVER}, sleep=sleep)
    assert evaluation.asleep is not None
    assert evaluation.latencies[0].handling.label == "FHTI of it"
    assert evaluation.asleep.latencies[0].handling.label == "FHTI of it, asleep"


def test_a_lost_reading_that_counts_as_bad_is_known_when_it_is_given_up() -> None:
    # The last of two readings is lost: not its value's arrival counts but the end of the run, 70 us later.
    def detection(**more: object) -> int:
        hazard = OVER | {"debounce": 2} | more
        evaluation = evaluation_of(hazards={"over": hazard}, protocol={"time_out": "70 us"})
        return evaluation.latencies[0].detection.total

    assert detection(lost_readings=1, on_lost="count as bad") == detection() + ticks("70 us")


class TestALostReadingThatDecidesWasSampledFirst:
    """It is known when the run is over: until then the value that was sampled first is the oldest."""

    BAD: dict[str, Any] = OVER | {"lost_readings": 1, "on_lost": "count as bad"}

    def test_nodes_polled_one_after_another(self) -> None:
        # Two polls of 8 us, a turn-around of up to 10 us and 72 us: the first value may be two whole rounds
        # of 2 ms old when it is asked for at 0; that it is lost is known when both polls are over at 180 us.
        # The second value, asked for at 80 us at the earliest, is 4100 us under way, the first one 4090 us.
        evaluation = evaluation_of(
            2,
            hazards={"it": self.BAD},
            protocol={"read_style": "polled"},
            node={"turn_around": "0 us .. 10 us"},
            tasks={"cells": {"kind": "read", "value": "16 bit"}},
        )
        (latency,) = evaluation.latencies
        assert latency.detection.total == PERIOD + (4000 + 180) * US + JUDGED
        # Simulated, a node takes hold of its values when the request has reached it whole, 8 us later.
        assert found_last(evaluation) == PERIOD + (4000 + 180 - 8) * US + JUDGED - 2

    def test_chains_triggered_one_after_another(self) -> None:
        # Triggers of 8 us each, 2 ms, two reads of 8 and 2 * 72 us: over at 2320 us, first sample at 8 us.
        chains = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"]}}
        evaluation = evaluation_of(hazards={"it": self.BAD}, chains=chains)
        (latency,) = evaluation.latencies
        assert latency.detection.total == PERIOD + (2320 - 8) * US + JUDGED
        assert found_last(evaluation) == PERIOD + (2320 - 8) * US + JUDGED - 2

    def test_one_that_is_known_too_late_to_be_judged(self) -> None:
        # Polls of 8 + 72 bit in 10 ms each, 40 ms in all: the first value comes every 100 ms at 10 ms, after
        # two rounds of 2 ms; that it is lost is known at 40 ms. The first of them is lost: known at 140 ms,
        # and the next comes at 210 ms, so that evaluations at 130 ms and 220 ms pass it by. They judge 210 ms
        # at 220 ms, and 310 ms, which has just been missed, at 400 ms.
        evaluation = evaluation_of(
            hazards={"it": self.BAD | {"debounce": 2}},
            protocol={"read_style": "polled", "bit_rate": "8 kbit/s"},
            tasks={"cells": {"kind": "read", "value": "16 bit"}},
            controller={"evaluation": {"period": "90 ms", "run_time": "0 ms"}},
        )
        (latency,) = evaluation.latencies
        assert latency.detection.total == (4 + 400) * MS
        assert found_last(evaluation) == (4 + 400 - 1) * MS - 2  # 8 bit of request pass before a node answers
