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
