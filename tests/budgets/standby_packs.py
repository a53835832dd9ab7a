"""Packs for the tests of age, skew, start-up, sleep, balancing and supply: boards of four cells, round
figures, no delay that a test does not ask for.
"""

from __future__ import annotations

from typing import Any

from chainplan.budgets.values.age import SampleTiming
from chainplan.evaluation import Evaluation
from chainplan.plan.checks import check_plan
from chainplan.plan.model import Plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import CAPACITY, CURRENT, TIME

Data = dict[str, Any]

NODE: Data = {
    "cell_inputs": 4,
    "temperature_inputs": 2,
    "forwarding": {"downstream": "0 s", "upstream": "0 s"},
    "conversions": {"cell voltages": {"time": "2 ms"}, "temperatures": {"time": "3 ms"}},
}
PROTOCOL: Data = {
    "bit_rate": "1 Mbit/s",
    "read_style": "sequential",
    "request": "8 bit",
    "answer": "8 bit",
    "write": "8 bit",
}
CONTROLLER: Data = {
    "ports": 8,
    "scan_period": "100 ms",
    "evaluation": {"period": "10 ms", "run_time": "1 ms"},
    "actuators": {"switch": {"opening": "50 ms"}},
}
SEGMENTS: Data = {"cable": "cable", "length": "0 m"}

CELLS: Data = {"value": "16 bit"}
LONG: Data = {"segments": {"cable": "cable", "length": "1 km"}}
TWO_PORTS: Data = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"], "head": "C:2"}}
STEPS: Data = {"conversions": {"cell voltages": {"time": "2 ms", "step": "20 us"}}}


def plan_of(nodes: int = 4, **more: Any) -> Plan:
    """Return a checked plan: see :func:`unchecked`."""
    plan = unchecked(nodes, **more)
    wrong = [finding for finding in check_plan(plan) if finding.severity == "error"]
    assert not wrong, wrong
    return plan


def findings_of(nodes: int = 4, **more: Any) -> list[str]:
    """Return what the checks say of a plan, as text."""
    return [finding.message for finding in check_plan(unchecked(nodes, **more))]


def unchecked(
    nodes: int = 4,
    *,
    node: Data | None = None,
    kinds: dict[int, Data] | None = None,
    protocol: Data | None = None,
    controller: Data | None = None,
    chains: dict[str, Data] | None = None,
    capacity: str | None = None,
    **sections: Any,
) -> Plan:
    """Return a plan of one string `S` of boards with 4 cells and 2 temperatures, one node each.

    `node` adds to every node type, `kinds` to that of one position; `chains` default to one open chain over
    all boards from port 1 of controller `C`.
    """
    cell: Data = {"voltage": "4 V"} | ({"capacity": capacity} if capacity else {})
    types = {"usual": NODE | (node or {})}
    types |= {f"at {position}": types["usual"] | more for position, more in (kinds or {}).items()}
    line = {"head": "C:1", "protocol": "P", "order": [f"S.1..{nodes}"], "segments": SEGMENTS}
    data: Data = {
        "chainplan": 1,
        "title": "a pack",
        "cell_types": {"cell": cell},
        "node_types": types,
        "board_types": {name: {"nodes": [{"type": name, "cells": 4, "temperatures": 2}]} for name in types},
        "cable_types": {"cable": {"velocity": "2e8 m/s"}},
        "protocols": {"P": PROTOCOL | (protocol or {})},
        "strings": {
            "S": {
                "cell_type": "cell",
                "stack": [{"cells": 4 * nodes}],
                "boards": [{"type": "usual", "count": nodes}],
                "exceptions": {position: {"type": f"at {position}"} for position in kinds or {}},
            }
        },
        "controllers": {"C": CONTROLLER | (controller or {})},
        "chains": {name: line | more for name, more in (chains or {"line": {}}).items()},
        "tasks": {"cells": {"value": "16 bit"}},
    }
    return Plan.model_validate(data | sections)


def evaluation_of(nodes: int = 4, **more: Any) -> Evaluation:
    return Evaluation(plan_of(nodes, **more))


def timing_of(task: str = "cells", nodes: int = 4, **more: Any) -> SampleTiming:
    return next(each for each in evaluation_of(nodes, **more).samples if each.task == task)


def ticks(text: str) -> int:
    """Return a time in fs, a charge in nAh or a current in nA, without tolerance."""
    unit = text.split()[1]
    dimension = next(each for each in (TIME, CAPACITY, CURRENT) if unit in each.units)
    return parse_quantity(text, dimension).typical
