"""Packs for the isolation tests: one string of six modules of 67.2 V (16 cells of 4.2 V), or as asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from chainplan.budgets.isolation.cases import Stress, explain, stresses
from chainplan.budgets.isolation.checks import Check
from chainplan.budgets.isolation.segments import (
    IsolationBudget,
    SegmentIsolation,
    isolation,
    potentials_of,
)
from chainplan.chain.build import build_network
from chainplan.chain.network import Network
from chainplan.chain.potentials import Potentials, Worst
from chainplan.figures.terms import Sum
from chainplan.plan.model import Plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import VOLTAGE

Stack = Sequence[Mapping[str, Any]]
"""Steps of a string from HV- upward, as in a plan."""

SIX: Stack = [{"modules": 3, "cells": 16}, {"disconnect": "MSD"}, {"modules": 3, "cells": 16}]
LEAK = {"positive": "1 Mohm", "negative": "250 kohm"}
BARRIER = {"kind": "capacitor", "working_voltage": "500 V"}
SEGMENTS = {"cable": "pair", "length": "350 mm", "barrier": "cap"}


def volts(text: str) -> int:
    return parse_quantity(text, VOLTAGE).typical


@dataclass(frozen=True)
class PlannedNetwork(Network):
    """A network with the plan that it was built from."""

    plan: Plan


def pack(
    stack: Stack | None = None,
    *,
    boards: list[list[int]] | None = None,
    order: list[str] | None = None,
    ring: bool = False,
    cell: str = "4.2 V",
    string: dict[str, Any] | None = None,
    strings: dict[str, Any] | None = None,
    **other: Any,
) -> PlannedNetwork:
    """Build a pack of string S: a board is the list of its nodes' cells."""
    boards = boards or [[16]] * 6
    sizes = {cells for board in boards for cells in board}
    data: dict[str, Any] = {
        "chainplan": 1,
        "title": "isolation",
        "cell_types": {"cell": {"voltage": cell}},
        "node_types": {
            f"node{size}": {"cell_inputs": size, "forwarding": {"downstream": "1 us", "upstream": "1 us"}}
            for size in sizes
        },
        "board_types": {
            f"board{number}": {
                "nodes": [{"type": f"node{cells}", "cells": cells} for cells in board],
                "between_nodes": {"cable": "pair", "length": "10 mm", "barrier": "cap"},
            }
            for number, board in enumerate(boards)
        },
        "cable_types": {"pair": {"velocity": "2e8 m/s"}},
        "barrier_types": {"cap": BARRIER},
        "protocols": {"wire": {"bit_rate": "2 Mbit/s", "read_style": "summation"}},
        "strings": {
            "S": {
                "cell_type": "cell",
                "stack": stack or SIX,
                "boards": [{"type": f"board{number}"} for number in range(len(boards))],
                **(string or {}),
            },
            **(strings or {}),
        },
        "controllers": {
            "M": {"ports": 2, "scan_period": "100 ms", "evaluation": {"period": "1 ms", "run_time": "1 ms"}}
        },
        "chains": {
            "C": {
                "head": "M:1",
                "protocol": "wire",
                "order": order or [f"S.1..{len(boards)}"],
                "segments": SEGMENTS,
                **({"shape": "ring", "back": "M:2"} if ring else {}),
                **other.pop("chain", {}),
            }
        },
        "tasks": {},
        **other,
    }
    plan = Plan.model_validate(data)
    network = build_network(plan)
    return PlannedNetwork(
        network.strings, network.controllers, network.chains, network.nodes, network.wiring, plan
    )


def isolation_of(network: PlannedNetwork) -> IsolationBudget:
    return isolation(network, network.plan.barrier_types, network.plan.insulation)


def segments(network: PlannedNetwork) -> tuple[SegmentIsolation, ...]:
    return isolation_of(network).chains["C"].segments


def lasting(network: PlannedNetwork) -> Potentials:
    return potentials_of(network.strings, network.plan.insulation).lasting


def stress(network: PlannedNetwork, number: int, combination: str) -> Stress:
    """Return a segment of chain C under one combination of conditions, arc and overshoot left out."""
    segment = network.chains["C"].segments[number - 1]
    (found,) = [
        each for each in stresses(network, segment, lasting(network)) if each.combination == combination
    ]
    return found


def laid_out(network: PlannedNetwork, number: int, worst: Worst, between: str = "references") -> Sum:
    segment = network.chains["C"].segments[number - 1]
    potentials = potentials_of(network.strings, network.plan.insulation)
    return explain(network, segment, worst, between, potentials.transient)


def check(segment: SegmentIsolation, subject: str, place: str) -> Check:
    (found,) = [each for each in segment.checks if each.subject == subject and each.place.startswith(place)]
    return found
