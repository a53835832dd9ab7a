"""Plans of two strings whose controllers tell a vehicle or a master what they read: the uplink's tests."""

from __future__ import annotations

from typing import Any, NamedTuple

from chainplan.budgets.uplink.buses import Bus, Message, messages_of
from chainplan.budgets.uplink.end_to_end_age import Age, ages_of, passed_on
from chainplan.evaluation import Evaluation
from chainplan.plan.checks import check_plan
from chainplan.plan.model import Plan
from chainplan.results import evaluate

MS = 10**12  # fs
US = 10**9

VEHICLE = {"bit_rate": "500 kbit/s"}


def two_strings(**sections: Any) -> Plan:
    """Return a plan of two strings with a controller each: host-1 and host-2 read 4 cells every 100 ms.

    Each evaluates every 20 ms in 2 ms. Without tolerances, and clocked at 1 Mbit/s without gaps, check bits
    or delays: a value is 1.072 ms old when it is in memory (1 ms of conversion, 8 + 4*16 bit to read) and
    101.072 ms when the next one comes.
    """
    node = {
        "cell_inputs": 2,
        "forwarding": {"downstream": "0 s", "upstream": "0 s"},
        "conversions": {"cell voltages": {"time": "1 ms"}},
    }
    string = {"cell_type": "cell", "stack": [{"cells": 4}], "boards": [{"type": "board", "count": 2}]}
    controller = {
        "scan_period": "100 ms",
        "evaluation": {"period": "20 ms", "run_time": "2 ms"},
        "actuators": {"string contactor": {"opening": "50 ms"}},
    }
    chain = {"head": "host-{n}:1", "protocol": "wire", "order": ["s-{n}.1..2"]}
    data = {
        "chainplan": 1,
        "title": "two strings",
        "cell_types": {"cell": {"voltage": "3 V"}},
        "node_types": {"node": node},
        "board_types": {"board": {"nodes": [{"type": "node", "cells": 2}]}},
        "cable_types": {"cable": {"velocity": "2e8 m/s"}},
        "protocols": {
            "wire": {"bit_rate": "1 Mbit/s", "read_style": "summation", "request": "8 bit", "write": "8 bit"}
        },
        "strings": {"s": string | {"count": 2}},
        "controllers": {"host": controller | {"count": 2}},
        "chains": {"line": chain | {"count": 2, "segments": {"cable": "cable", "length": "0 m"}}},
        "tasks": {"voltages": {"value": "16 bit"}},
    }
    return Plan.model_validate(data | sections)


def plan_of(
    messages: dict[str, Any],
    *,
    buses: dict[str, Any] | None = None,
    masters: dict[str, Any] | None = None,
    targets: dict[str, Any] | None = None,
    **uplink: Any,
) -> Plan:
    """Return the two strings with a bus to the vehicle and a second task, read every 300 ms."""
    buses = {"vehicle": VEHICLE} | (buses or {})
    state = {"kind": "read", "reads": "status", "data": "8 bit", "every": 3}
    return two_strings(
        tasks={"voltages": {"value": "16 bit"}, "state": state},
        uplink={"buses": buses, "masters": masters or {}, "messages": messages} | uplink,
        targets=targets or {},
    )


def evaluated(plan: Plan) -> Evaluation:
    assert not [finding for finding in check_plan(plan) if finding.severity == "error"]
    return evaluate(plan)


class Uplink(NamedTuple):
    """What an evaluation says of the uplink."""

    buses: dict[str, Bus]
    ages: tuple[Age, ...]
    passed_on: frozenset[str]

    @property
    def messages(self) -> dict[str, Message]:
        return messages_of(self.buses)

    def ages_of(self, family: str) -> dict[str, list[Age]]:
        return ages_of(self.ages, family)


def uplink_of(plan: Plan) -> Uplink:
    found = evaluated(plan)
    return Uplink(found.buses, found.end_to_end_ages, passed_on(plan.uplink))


def message(identifier: int, period: str, **keys: Any) -> dict[str, Any]:
    return {"bus": "vehicle", "identifier": identifier, "data": "8 byte", "period": period} | keys


MASTER = {"master": {"evaluation": {"period": "10 ms", "run_time": "3 ms"}}}
TWO_BUSES: dict[str, Any] = {
    "buses": {"strings": {"bit_rate": "1 Mbit/s"}},
    "masters": MASTER,
}
STAGES = {
    "cells": message(0x100, "40 ms", bus="strings", sender="host", carries="voltages"),
    "pack": message(0x200, "100 ms", sender="master", forwards=["cells"]),
}
