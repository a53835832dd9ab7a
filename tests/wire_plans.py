"""Plans for the tests of length and errors: one string on one open chain, everything else as asked for."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan

CONFIGS = Path(__file__).parent.parent / "configs"

Data = dict[str, Any]


def example(name: str) -> Data:
    """Return an example plan as the data of its file, with what it includes."""
    data: Any = load_plan(CONFIGS / f"{name}.yaml").sources.data
    return dict(deepcopy(data))


def wire_plan(
    *,
    nodes: int = 1,
    style: str = "polled",
    cable: Data | None = None,
    protocol: Data | None = None,
    segments: Data | None = None,
    chain: Data | None = None,
    controller: Data | None = None,
    **sections: Any,
) -> Data:
    """Return a plan with `nodes` boards of four cells, read every 10 ms: values of 16 bit, checks of 16."""
    return {
        "chainplan": 1,
        "title": "wire",
        "cell_types": {"cell": {"voltage": "2.5 V .. 4 V"}},
        "node_types": {
            "node": {
                "cell_inputs": 4,
                "forwarding": {"downstream": "100 ns", "upstream": "100 ns"},
                "turn_around": "2 us",
                "conversions": {"cell voltages": {"time": "1 ms"}},
            }
        },
        "board_types": {"board": {"nodes": [{"type": "node", "cells": 4}]}},
        "cable_types": {"pair": {"velocity": "0.6 c"} | (cable or {})},
        "connector_types": {
            "plug": {"loss": "0.1 dB"},
            "class plug": {"loss_class": "category 5e"},
            "bare": {},
        },
        "barrier_types": {
            "coupler": {"kind": "transformer", "working_voltage": "1 kV", "loss": "0.5 dB"},
            "unknown": {"kind": "transformer", "working_voltage": "1 kV"},
        },
        "protocols": {
            "wire": {
                "bit_rate": "1 Mbit/s",
                "read_style": style,
                "request": "6 byte",
                "check": {"width": "16 bit", "polynomial": 0x1021},
            }
            | (protocol or {})
        },
        "strings": {
            "S": {
                "cell_type": "cell",
                "stack": [{"cells": 4 * nodes}],
                "boards": [{"type": "board", "count": nodes}],
            }
        },
        "controllers": {
            "C": {
                "scan_period": "10 ms",
                "evaluation": {"period": "10 ms", "run_time": "0 us"},
            }
            | (controller or {})
        },
        "chains": {
            "line": {
                "head": "C:1",
                "protocol": "wire",
                "order": [f"S.1..{nodes}"],
                "segments": {"cable": "pair", "length": "1 m"} | (segments or {}),
            }
            | (chain or {})
        },
        "tasks": {"cells": {"kind": "read", "reads": "cell voltages", "value": "16 bit"}},
    } | sections


def evaluated(data: Data) -> Evaluation:
    """Evaluate a plan given as data."""
    return Evaluation(Plan.model_validate(data))


def verdict(evaluation: Evaluation, target: str, subject: str | None = None) -> Figure:
    """Return the one verdict on a target."""
    (found,) = (
        each for each in evaluation.verdicts if each.target == target and subject in (None, each.subject)
    )
    return found
