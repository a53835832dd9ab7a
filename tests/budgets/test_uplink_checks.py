"""What an uplink must not be: each slip is told once, in words."""

from __future__ import annotations

from typing import Any

import pytest
from uplink_plans import MASTER, STAGES, TWO_BUSES, VEHICLE, message, plan_of

from chainplan.plan.checks import check_plan
from chainplan.results import evaluate


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"bus": "vehicel"}, "no bus has this name"),
        ({"sender": "hots"}, "no controller or master has this name"),
        ({"carries": "volts"}, "no task has this name"),
        ({"carries": "state"}, "this task brings no samples whose age could be stated"),
        ({"sender": None}, "a message of another control unit tells nothing of this pack"),
        ({"sender": "master"}, "a master reads nothing itself"),
        ({"identifier": 0x800}, "the identifier has more than 11 bits"),
        ({"identifier": 0x7FF}, "the identifier of copy 2 has more than 11 bits"),
        (
            {"identifier": 0x200, "bus": "vehicle"},
            "identifier 0x200 on bus `vehicle` is also that of `cells`",
        ),
        ({"data": "9 byte"}, "a classic CAN frame does not carry that much"),
        ({"data": "65 byte", "fd": True}, "a CAN FD frame does not carry that much"),
        ({"data": "12 bit"}, "a frame carries whole bytes"),
        ({"period": "0 ms"}, "a period must be above zero"),
        ({"deadline": "0 ms"}, "a deadline must be above zero"),
        (
            {"forwards": ["pack"], "carries": None},
            "this message comes to pass on itself: `cells` to `pack` to `cells`",
        ),
        (
            {"forwards": ["pack"]},
            "a message carries what its sender reads, or forwards what was reported to it",
        ),
        (
            {"evaluated": True, "carries": None, "forwards": ["alone"]},
            "what is passed on is evaluated anyway",
        ),
        ({"carries": None}, "this message carries nothing that could be passed on"),
    ],
)
def test_messages_that_are_refused(change: dict[str, Any], text: str) -> None:
    alone = {"alone": message(0x7, "50 ms", sender="host-1", carries="voltages")}
    messages = {"cells": STAGES["cells"] | change} | {"pack": STAGES["pack"]} | alone
    found = [finding.message for finding in check_plan(plan_of(messages, **TWO_BUSES))]
    assert text in found, found


@pytest.mark.parametrize(
    ("uplink", "targets", "text"),
    [
        ({"masters": {"host-2": MASTER["master"]}}, {}, "a controller has this name too"),
        ({"buses": {"vehicle": {"bit_rate": "0 bit/s"}}}, {}, "a bit rate must be above zero"),
        (
            {"buses": {"vehicle": VEHICLE | {"data_rate": "250 kbit/s"}}},
            {},
            "the data phase of a CAN FD frame is not slower than the rest of it",
        ),
        ({}, {"end_to_end_age": {"celsl": "1 s"}}, "no message has this name"),
        ({}, {"end_to_end_age": {"other": "1 s"}}, "this message carries nothing whose age could be stated"),
        ({}, {"uplink_load": "0 %"}, "a target must be above zero"),
    ],
)
def test_uplinks_that_are_refused(uplink: dict[str, Any], targets: dict[str, Any], text: str) -> None:
    messages = {
        "cells": message(0x100, "50 ms", sender="host", carries="voltages"),
        "other": message(0x300, "50 ms"),
    }
    found = [finding.message for finding in check_plan(plan_of(messages, targets=targets, **uplink))]
    assert text in found, found


def test_copies_of_messages_do_not_take_names() -> None:
    messages = {
        "cells": message(0x100, "50 ms", sender="host", carries="voltages"),
        "cells-2": message(0x300, "50 ms"),
    }
    found = [finding.message for finding in check_plan(plan_of(messages))]
    assert found == ["`cells-2` is also a copy of `cells`"]


def test_a_bus_of_too_many_messages_is_refused() -> None:
    messages = {f"m{number}": message(number, "1 s") for number in range(257)}
    found = [finding.message for finding in check_plan(plan_of(messages))]
    assert found == ["bus `vehicle` has 257 messages up to this one, copies counted"]


def test_targets_without_an_uplink_are_refused() -> None:
    plan = plan_of({}, targets={"uplink_load": "50 %"}).model_copy(update={"uplink": None})
    assert [finding.message for finding in check_plan(plan)] == ["the plan has no uplink"]
    assert evaluate(plan).buses == {}
