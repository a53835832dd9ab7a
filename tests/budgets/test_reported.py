"""Faults that one controller finds and a master reacts to: by hand, and in a chain of events simulated."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uplink_plans import MS, US, evaluated, two_strings

from chainplan.budgets.values.latency import HazardLatency
from chainplan.budgets.values.reported import Reported
from chainplan.figures.terms import parts_add_up
from chainplan.plan.checks import check_plan
from chainplan.plan.layout import EvaluationPlan as Evaluates
from chainplan.plan.model import Plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import TIME
from chainplan.witness.compare import compare, phases_of
from chainplan.witness.corners import cases
from chainplan.witness.pack import Pack
from chainplan.witness.simulations import simulate_cases

HAZARD = {
    "kind": "cell over-voltage",
    "debounce": 2,
    "ftti": "1 s",
    "reaction": "main contactor",
    "reaction_at": "master",
    "reported_by": "state",
}
MESSAGES: dict[str, Any] = {
    "state": {
        "bus": "strings",
        "sender": "host",
        "identifier": 0x100,
        "data": "8 byte",
        "period": "30 ms",
        "carries": "voltages",
    }
}


def plan_of(
    *,
    hazard: dict[str, Any] | None = None,
    messages: dict[str, Any] | None = None,
    bit_rate: str = "1 Mbit/s",
    **sections: Any,
) -> Plan:
    """Return two strings whose controllers tell one master of a hazard over a bus."""
    master = {
        "evaluation": {"period": "10 ms", "run_time": "3 ms"},
        "actuators": {"main contactor": {"command": "1 ms", "opening": "40 ms"}},
    }
    uplink = {
        "buses": {"strings": {"bit_rate": bit_rate}},
        "masters": {"master": master},
        "messages": MESSAGES if messages is None else messages,
    }
    return two_strings(**({"hazards": {"high": HAZARD | (hazard or {})}, "uplink": uplink} | sections))


def latency_of(plan: Plan) -> HazardLatency:
    (latency,) = evaluated(plan).latencies
    return latency


DETECTION = 2 * 100_000 + 1_072 + 20_000 + 2_000  # two readings, to memory, the reader's evaluation; us


def test_the_way_to_a_master_by_hand() -> None:
    # The next message 30 ms later, 2 * 135 us on the bus; the master has just evaluated (10 + 3 ms); 1 ms of
    # command and 40 ms of opening.
    latency = latency_of(plan_of())
    assert latency.detection.total == DETECTION * US
    assert latency.reaction.total == (30_000 + 270 + 10_000 + 3_000 + 1_000 + 40_000) * US
    assert latency.path == "task voltages, reported to master by state-1"
    assert all(map(parts_add_up, latency.handling.terms))


def test_another_message_of_the_same_sender_tells_nothing() -> None:
    other = MESSAGES["state"] | {"identifier": 0x300, "period": "900 ms", "data": "0 byte"}
    latency = latency_of(plan_of(messages=MESSAGES | {"other": other}))
    # 55 bits of a frame without data are shorter than the 135 of the other string's, which may block instead
    assert latency.path == "task voltages, reported to master by state-1" or latency.path.endswith("state-2")
    assert latency.reaction.total < 100_000 * US


def test_the_typical_way_takes_the_middle() -> None:
    # Periods of 20 to 40 ms, typically 30 ms; the master's evaluation every 6 to 10 ms, typically 8 ms, for
    # 1 to 3 ms, typically 2 ms.
    spans = {"state": MESSAGES["state"] | {"period": "20 ms .. 40 ms"}}
    plan = plan_of(messages=spans)
    assert plan.uplink is not None
    evaluation = Evaluates(
        period=parse_quantity("6 ms .. 10 ms", TIME), run_time=parse_quantity("1 ms .. 3 ms", TIME)
    )
    master = plan.uplink.masters["master"].model_copy(update={"evaluation": evaluation})
    uplink = plan.uplink.model_copy(update={"masters": {"master": master}})
    latency = latency_of(plan.model_copy(update={"uplink": uplink}))
    worst = {
        term.label.split(" of ")[0].replace("wait for the next ", ""): term.total
        for term in latency.reaction.terms
    }
    typical = {
        term.label.split(" of ")[0].replace("wait for the next ", ""): term.total
        for term in latency.typical_reaction.terms
    }
    assert (worst["period"], typical["period"]) == (40 * MS, 30 * MS)
    assert (worst["evaluation"], typical["evaluation"]) == (10 * MS, 8 * MS)
    assert (worst["run time"], typical["run time"]) == (3 * MS, 2 * MS)


class TestTwoWays:
    """A master hears of a fault by two messages of the reader; what it passes on is the later one."""

    LOWER = {  # noqa: RUF012
        "evaluation": {"period": "8 ms .. 10 ms", "run_time": "3 ms"},
        "actuators": {"main contactor": {"command": "1 ms", "opening": "40 ms"}},
    }

    def told(self, bit_rate: str, period: str, **hazard: Any) -> Reported:
        """Return what is told where a second message `late` goes over a bus of its own."""
        late = MESSAGES["state"] | {"bus": "second", "identifier": 0x300, "period": period}
        pack = {
            "bus": "strings",
            "sender": "lower",
            "identifier": 0x200,
            "data": "8 byte",
            "period": "50 ms",
            "forwards": ["state", "late"],
        }
        uplink = {
            "buses": {"strings": {"bit_rate": "1 Mbit/s"}, "second": {"bit_rate": bit_rate}},
            "masters": {"master": self.LOWER, "lower": self.LOWER},
            "messages": MESSAGES | {"late": late, "pack": pack},
        }
        return evaluated(plan_of(hazard=hazard or {"reported_by": "pack"}, uplink=uplink)).reported

    def test_the_later_way_counts(self) -> None:
        # late: 400 ms and two frames of 135 us; lower's 13 ms; pack: 50 ms and three frames; master's 13 ms
        latency = self.told("1 Mbit/s", "400 ms").latencies["high"]
        assert latency.path.endswith("and pack")
        assert "late" in latency.path
        pack = next(term.total for term in latency.reaction.terms if term.label == "response time of pack")
        assert latency.reaction.total == (400_000 + 270 + 13_000 + 50_000 + 13_000 + 41_000) * US + pack
        middle = {term.label: term.total for term in latency.typical_reaction.terms}
        assert middle["wait for the next evaluation of lower"] == 9 * MS

    def test_of_two_buses_the_later_counts_or_the_first_as_the_plan_says(self) -> None:
        # state: 30 ms, late: 400 ms, two frames of 135 us each and one of pack in front; master's 13 + 41 ms
        both = ["state", "late"]
        for hazard, period in (
            ({"reported_by": both}, 400_000),
            ({"reported_by": both, "reported_with": "last"}, 400_000),
            ({"reported_by": both, "reported_with": "first"}, 30_000 + 135),
            ({"reported_by": "late"}, 400_000),
            ({"reported_by": ["state"], "reported_with": "first"}, 30_000 + 135),
        ):
            latency = self.told("1 Mbit/s", "400 ms", **hazard).latencies["high"]
            assert latency.reaction.total == (period + 270 + 13_000 + 41_000) * US, hazard

    def test_a_bus_without_a_bound_bounds_nothing_but_may_be_left_out(self) -> None:
        both = ["state", "late"]
        assert self.told("5 kbit/s", "10 ms", reported_by=both).unbounded["high"].startswith("late-")
        first = self.told("5 kbit/s", "10 ms", reported_by=both, reported_with="first")
        assert first.unbounded == {}
        assert "reported to master by state-" in first.latencies["high"].path

    def test_a_controller_that_sends_one_of_them_tells_by_no_later_one(self) -> None:
        one = MESSAGES["state"] | {"sender": "host-2", "identifier": 0x400}
        messages = MESSAGES | {"one": one}
        for reported_with, bounded in (("last", False), ("first", True)):
            hazard = {"reported_by": ["state", "one"], "reported_with": reported_with}
            told = evaluated(plan_of(hazard=hazard, messages=messages)).reported
            assert bool(told.latencies) is bounded
            assert told.unbounded == ({} if bounded else {"high": "host-1 sends no one"})

    def test_a_way_without_a_bound_is_later_than_any(self) -> None:
        # late: 135 bits take 27 ms at 5 kbit/s, and two of them every 10 ms more than the whole bus
        told = self.told("5 kbit/s", "10 ms")
        assert told.latencies == {}
        assert told.unbounded["high"].startswith("late-")


def test_two_masters_and_a_message_in_turns_by_hand() -> None:
    further = {
        "state": MESSAGES["state"] | {"multiplexed_over": 3},
        "pack": {
            "bus": "strings",
            "sender": "lower",
            "identifier": 0x200,
            "data": "8 byte",
            "period": "50 ms",
            "forwards": ["state"],
        },
    }
    plan = plan_of(messages=further, hazard={"reported_by": "pack"})
    assert plan.uplink is not None
    lower = plan.uplink.masters["master"].model_copy(update={"actuators": {}})
    masters = plan.uplink.masters | {"lower": lower}
    uplink = plan.uplink.model_copy(update={"masters": masters})
    latency = latency_of(plan.model_copy(update={"uplink": uplink}))
    # state: 3 * 30 ms and three frames' time at most, pack: 50 ms behind both of them
    stages = 90_000 + 270 + 13_000 + 50_000 + 3 * 135 + 13_000
    state = next(term for term in latency.reaction.terms if term.label == "response time of state-2")
    assert state.total == 3 * 135 * US  # behind state-1, and pack may have just begun
    assert latency.reaction.total == (stages + 135 + 41_000) * US
    assert latency.path == "task voltages, reported to master by state-2 and pack"


class TestTurnsThatAReceiverMayOverlook:
    """The master evaluates every 10 ms; a frame is on its way for 0.27 ms at most."""

    @staticmethod
    def told(period: str, multiplexed_over: int = 2, **more: Any) -> Reported:
        keys = {"multiplexed_over": multiplexed_over, "period": period} | more
        return evaluated(plan_of(messages={"state": MESSAGES["state"] | keys})).reported

    @staticmethod
    def turns_seen(period: int, turns: int, evaluation: int, begins: int) -> set[int]:
        """Simulate it: frame k, turn k modulo `multiplexed_over`, comes at k periods; the newest counts."""
        return {(begins + run * evaluation) // period % turns for run in range(1000)}

    def test_one_turn_is_never_seen(self) -> None:
        # By hand: frames every 5 ms in 2 turns, looked at every 10 ms: always the same turn.
        assert self.turns_seen(5, 2, 10, begins=3) == {0}
        told = self.told("5 ms")
        assert told.latencies == {}
        assert "master finds the newest frame alone" in told.unbounded["high"]
        messages = {"state": MESSAGES["state"] | {"multiplexed_over": 2, "period": "5 ms"}}
        assert evaluated(plan_of(messages=messages)).missed

    def test_every_frame_is_seen_where_evaluations_come_between_any_two(self) -> None:
        # 10 ms and 0.27 ms of queueing and frame: frames 10.27 ms apart arrive 10 ms apart at the least.
        assert self.turns_seen(1027, 2, 1000, begins=0) == {0, 1}
        assert self.told("10.269 ms").unbounded
        assert not self.told("10.27 ms").unbounded
        assert self.told("10.27 ms", jitter="1 us").unbounded

    def test_one_frame_that_holds_all_or_a_queue_is_never_overlooked(self) -> None:
        assert not self.told("5 ms", multiplexed_over=1).unbounded
        latency = self.told("5 ms", received="queued").latencies["high"]
        assert latency.reaction.total == (2 * 5_000 + 270 + 10_000 + 3_000 + 1_000 + 40_000) * US

    def test_ages_of_what_a_master_passes_on(self) -> None:
        pack = MESSAGES["state"] | {"sender": "master", "identifier": 0x200, "forwards": ["state"]}
        del pack["carries"]
        for received, bounded in (("newest", False), ("queued", True)):
            state = MESSAGES["state"] | {"multiplexed_over": 2, "period": "5 ms", "received": received}
            ages = evaluated(plan_of(messages={"state": state, "pack": pack})).end_to_end_ages
            assert {bool(age.time) for age in ages if age.family == "pack"} == {bounded}
            assert all(age.time for age in ages if age.family == "state")


@pytest.mark.parametrize(
    ("message", "further"),
    [
        ({"received": "queued"}, 30_000),  # the next frame
        ({}, 40_000),  # looked at every 10 ms: 30 ms and 0.27 ms later there is a new one
        ({"period": "9.73 ms"}, 10_000),
        ({"period": "9.731 ms"}, 20_000),
    ],
)
def test_several_frames_must_tell_the_same(message: dict[str, Any], further: int) -> None:
    messages = {"state": MESSAGES["state"] | message}
    once, thrice = (
        latency_of(plan_of(messages=messages, hazard={"reported_times": times})).reaction.total
        for times in (1, 3)
    )
    assert thrice - once == 2 * further * US


def test_a_message_that_carries_evaluated_values_counts_the_evaluation_once() -> None:
    messages = {"state": MESSAGES["state"] | {"evaluated": True}}
    assert latency_of(plan_of(messages=messages)).handling.total == latency_of(plan_of()).handling.total


def test_the_ftti_is_held_against_the_whole_way() -> None:
    handling = DETECTION + 84_270
    for tolerant, status in ((handling + 1, "met"), (handling, "missed")):
        evaluation = evaluated(plan_of(hazard={"ftti": f"{tolerant} us"}))
        (verdict,) = [v for v in evaluation.verdicts if v.target == "fault handling time"]
        assert (verdict.value, verdict.status) == (handling * US, status)


def test_another_controller_may_react() -> None:
    plan = plan_of(
        hazard={"reaction_at": "host-1", "reaction": "string contactor"},
    )
    latency = latency_of(plan)
    assert latency.reaction.total == (30_000 + 270 + 20_000 + 2_000 + 50_000) * US


def test_an_overloaded_bus_leaves_no_bound() -> None:
    evaluation = evaluated(plan_of(bit_rate="5 kbit/s"))
    assert evaluation.latencies == []
    (verdict,) = [v for v in evaluation.missed if v.target == "fault handling time"]
    assert verdict.subject == "high"
    assert "state-1: this message and those of higher priority" in verdict.note or "state-2" in verdict.note


def test_a_reader_that_sends_nothing_leaves_no_bound() -> None:
    evaluation = evaluated(plan_of(messages={"state": MESSAGES["state"] | {"sender": "host-2"}}))
    (verdict,) = [v for v in evaluation.missed if v.target == "fault handling time"]
    assert verdict.note == "host-1 sends no state"


def test_asleep_the_way_over_the_uplink_is_not_checked() -> None:
    sleep = {"check_every": "1 s", "checks": ["cell voltages"], "alarm_per_hop": "1 ms", "host_wake": "50 ms"}
    evaluation = evaluated(plan_of(sleep=sleep))
    (verdict,) = [v for v in evaluation.verdicts if v.target == "fault handling time asleep"]
    assert verdict.status == "not checked"
    assert verdict.note == "the plan does not say when the uplink and master wake"
    assert verdict.limit == 1000 * MS
    assert evaluation.asleep is not None
    assert (evaluation.asleep.latencies, evaluation.asleep.not_watched) == ((), ())
    nobody = evaluated(plan_of(sleep=sleep | {"checks": ["temperatures"]})).asleep
    assert nobody is not None
    assert (nobody.latencies, nobody.not_watched) == ((), ("high",))
    own = evaluated(plan_of(sleep=sleep | {"ftti": "300 ms .. 400 ms"}))
    (verdict,) = [v for v in own.verdicts if v.target == "fault handling time asleep"]
    assert verdict.limit == 300 * MS


def test_the_witness_simulates_what_the_reader_does() -> None:
    evaluation = evaluated(plan_of())
    record = simulate_cases(
        Pack.of(evaluation.plan), phases_of(evaluation), cases(evaluation, scans=12, seeds=2)
    ).record
    rows = compare(evaluation, record)
    assert all(row.ok for row in rows)
    assert {row.bound for row in rows if row.quantity == "fault detection time"} == {DETECTION * US}


# Simulated
# ----------------------------------------------------------------------------------------------------


def _next(begin: int, period: int, at: int) -> int:
    """Return the first instant at or after `at` of a grid through `begin`."""
    return at + (begin - at) % period


def _simulated(fell: int, memory: int, reader: int, message: int, other: int, master: int) -> int:
    """Return when the contactor is open, fs after a fault that fell at `fell`; the rest are phases."""
    read = _next(memory, 100 * MS, fell + 1072 * US)  # the first value sampled after the fault
    second = read + 100 * MS
    found = _next(reader, 20 * MS, second) + 2 * MS
    released = _next(message, 30 * MS, found)
    busy = _next(other, 30 * MS, released - 135 * US + 1)  # the other string's frame, if it has just begun
    start = busy + 135 * US if busy <= released else released
    arrived = start + 135 * US
    judged = _next(master, 10 * MS, arrived) + 3 * MS
    return judged + 41 * MS - fell


@settings(max_examples=300)
@given(st.integers(0, 2**40))
def test_no_simulated_fault_is_handled_later(seed: int) -> None:
    random = Random(seed)
    draw = [random.randrange(period * MS) for period in (100, 100, 20, 30, 30, 10)]
    assert _simulated(*draw) <= BOUND


def test_the_bound_is_reached_but_for_the_instants_just_before() -> None:
    fell = 1000 * MS
    memory = fell + 1072 * US - 1  # sampled just before the fault
    second = memory + 200 * MS
    reader = second - 1
    found = reader + 20 * MS + 2 * MS
    message = found - 1
    other = message + 30 * MS - 1
    arrived = message + 30 * MS + 270 * US - 1
    assert BOUND - 5 <= _simulated(fell, memory, reader, message, other, arrived - 1) <= BOUND


BOUND = latency_of(plan_of()).handling.total


# What is refused -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hazard", "text"),
    [
        ({"reported_by": None}, "a unit that reads nothing of this itself must have it reported"),
        (
            {"reaction_at": None, "reaction": "string contactor"},
            "the controller that reads it reacts, so it need not be",
        ),
        ({"reported_by": "sate"}, "no message has this name"),
        ({"reported_by": "mute"}, "this message tells nothing"),
        ({"reported_by": ["state", "mute"]}, "this message tells nothing"),
        ({"reported_by": ["state", "state"]}, "this message is named twice"),
        ({"reaction_at": "mister"}, "no single controller or master has this name"),
        ({"reaction_at": "host"}, "no single controller or master has this name"),
        ({"reaction": "string contactor"}, "`master` has no actuator of this name"),
    ],
)
def test_hazards_that_are_refused(hazard: dict[str, Any], text: str) -> None:
    mute = {"bus": "strings", "identifier": 1, "data": "1 byte", "period": "1 s"}
    found = [each.message for each in check_plan(plan_of(hazard=hazard, messages=MESSAGES | {"mute": mute}))]
    assert len(found) == 1, found
    assert text in found[0]


def test_without_an_uplink_nobody_can_be_told() -> None:
    plan = plan_of().model_copy(update={"uplink": None})
    found = [finding.message for finding in check_plan(plan)]
    assert found == ["no message has this name", "no single controller or master has this name"]
