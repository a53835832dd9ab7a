"""A plan for the witness's tests: mixed boards with tolerances everywhere, laid out as asked for."""

from __future__ import annotations

from typing import Any

from chainplan.evaluation import Evaluation
from chainplan.plan.checks import check_plan
from chainplan.plan.model import Plan

Data = dict[str, Any]

RELAYS = {
    "cut-through": ("cut-through", "cut-through"),
    "store-and-forward": ("store-and-forward", "store-and-forward"),
    "mixed": ("cut-through", "store-and-forward"),
}
BRIDGES: dict[str, Data | None] = {
    "no bus": None,
    "whole frames": {
        "bit_rate": "4 Mbit/s ± 1 %",
        "bridge": "whole frames",
        "latency": "1 us .. 3 us",
        "arbitration": "by turns",
    },
    "streaming": {
        "bit_rate": "4 Mbit/s",
        "bridge": "streaming",
        "latency": "1 us .. 3 us",
        "arbitration": "port by port",
    },
}
"""Where ports share one, its order is known: then the worst case is reached to the last tick."""
# Chains as (port, first board, last board).
LAYOUTS = {
    "one chain": [(1, 1, 6)],
    "two chains on a port": [(1, 1, 3), (1, 6, 4)],
    "three chains on two ports": [(1, 1, 1), (2, 2, 5), (1, 6, 6)],
}


def lab_plan(
    *,
    style: str = "sequential",
    relays: str = "cut-through",
    shape: str = "open",
    bridge: str = "no bus",
    layout: str = "one chain",
    set_up_by: str = "one core",
    turn_arounds: tuple[str, str] = ("5 us .. 9 us", "5 us .. 9 us"),
    controller: Data | None = None,
    **sections: Any,
) -> Plan:
    """Return a checked plan of nine nodes on six boards.

    `shape` is "open", "ring" (read from its head) or "across" (a ring read from end to end).
    """
    nodes = {
        name: {
            "cell_inputs": 8,
            "temperature_inputs": 2,
            "forwarding": {"style": relay, "downstream": "200 ns .. 300 ns", "upstream": "250 ns .. 400 ns"},
            "turn_around": turn,
            "wake": "1 ms .. 3 ms",
            "addressing": "100 us .. 200 us",
            "conversions": {
                "cell voltages": {
                    "time": "900 us .. 1 ms",
                    "step": "10 us .. 12 us",
                    "settling": "10 us .. 50 us",
                },
                "temperatures": {"time": "2 ms", "step": "100 us"},
            },
        }
        for name, relay, turn in zip(("A", "B"), RELAYS[relays], turn_arounds, strict=True)
    }
    ring = {"shape": "ring", "back": "C:back", "read_from": "across" if shape == "across" else "head"}
    chains = {
        f"chain {number}": {
            "head": f"C:{port}",
            "protocol": "wire",
            "order": [f"S.{first}..{last}"],
            "segments": {"cable": "pair", "length": "400 mm", "connectors": ["plug"], "barrier": "coupler"},
            "head_segment": {"length": "2 m"},
        }
        | ({} if shape == "open" else ring)
        for number, (port, first, last) in enumerate(LAYOUTS[layout], start=1)
    }
    plan = Plan.model_validate(
        {
            "chainplan": 1,
            "title": "the witness's laboratory",
            "cell_types": {"cell": {"voltage": "2.5 V .. 4.2 V"}},
            "node_types": nodes,
            "board_types": {
                "single": {"nodes": [{"type": "A", "cells": 6, "temperatures": 2}]},
                "double": {
                    "nodes": [
                        {"type": "B", "cells": 3, "temperatures": 1},
                        {"type": "A", "cells": 8, "temperatures": 2},
                    ],
                    "between_nodes": {"cable": "pair", "length": "30 mm", "barrier": "coupler"},
                },
            },
            "cable_types": {"pair": {"velocity": "1.9e8 m/s .. 2.1e8 m/s"}},
            "connector_types": {"plug": {"delay": "100 ps .. 200 ps"}},
            "barrier_types": {
                "coupler": {"kind": "transformer", "working_voltage": "1 kV", "delay": "3 ns .. 8 ns"}
            },
            "protocols": {
                "wire": {
                    "bit_rate": "2 Mbit/s ± 1 %",
                    "character": {"data": "8 bit", "wire": "10 bit"},
                    "preamble": "8 bit",
                    "byte_gap": "0 ns .. 100 ns",
                    "frame_gap": "3 us",
                    "answer_gap": "2 us .. 4 us",
                    "read_style": style,
                    "request": "4 byte",
                    "answer": "2 byte",
                    "write": "4 byte",
                    "check": {"width": "15 bit"},
                    "time_out": "150 us .. 200 us",
                }
            },
            "strings": {
                "S": {
                    "cell_type": "cell",
                    "stack": [{"cells": 51}],
                    "boards": [{"type": "single", "count": 3}, {"type": "double", "count": 3}],
                }
            },
            "controllers": {
                "C": {
                    "ports": ["1", "2", "back"],
                    "start": "20 ms .. 30 ms",
                    "set_up": "8 us .. 15 us",
                    "set_up_by": set_up_by,
                    "host_bus": BRIDGES[bridge],
                    "scan_period": "50 ms ± 0.1 %",
                    "scan_jitter": "100 us",
                    "retry_reserve": 1,
                    "evaluation": {"period": "5 ms", "run_time": "200 us .. 300 us"},
                    "recovery": {"switch": "500 us .. 1 ms"},
                    "actuators": {"contactor": {"command": "1 ms", "opening": "10 ms .. 20 ms"}},
                }
                | (controller or {})
            },
            "chains": chains,
            "tasks": {
                "temperatures": {"reads": "temperatures", "every": 3, "value": "16 bit"},
                "cells": {"reads": "cell voltages", "value": "16 bit", "values_per_read": 4},
                "balancing": {"kind": "write", "every": 2, "data": "8 byte"},
            },
        }
        | sections
    )
    errors = [finding for finding in check_plan(plan) if finding.severity == "error"]
    assert not errors, errors
    return plan


def lab(**wanted: Any) -> Evaluation:
    """Return the evaluation of such a plan."""
    return Evaluation(lab_plan(**wanted))
