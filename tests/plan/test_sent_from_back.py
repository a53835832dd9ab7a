"""Tasks that are sent from a ring's back port: what is refused, and with which words."""

from __future__ import annotations

from typing import Any

import pytest
from strategies import Data

from chainplan.plan.checks import check_plan
from chainplan.plan.findings import Finding
from chainplan.plan.model import Plan

HOP: Data = {"cable": "pair", "length": "1 m"}
RING: Data = {"shape": "ring", "head": "C:1", "back": "C:2", "protocol": "wire", "segments": HOP}
OPEN: Data = {"head": "C:3", "protocol": "wire", "segments": HOP}
BACK: Data = {"kind": "read", "reads": "status", "data": "1 byte", "sent_from": "back"}


def findings(
    task: Data, style: str = "sequential", ring: Data | None = None, name: str = "line"
) -> list[Finding]:
    """Two boards on a ring and one on an open chain."""
    plan = Plan.model_validate(
        {
            "chainplan": 1,
            "title": "either way",
            "cell_types": {"cell": {"voltage": "3 V"}},
            "node_types": {
                "node": {"cell_inputs": 2, "forwarding": {"downstream": "1 us", "upstream": "1 us"}}
            },
            "board_types": {"board": {"nodes": [{"type": "node", "cells": 2}]}},
            "cable_types": {"pair": {"velocity": "2e8 m/s"}},
            "protocols": {
                "wire": {"bit_rate": "1 Mbit/s", "read_style": style, "request": "1 byte", "write": "1 byte"}
            },
            "strings": {
                "S": {
                    "cell_type": "cell",
                    "stack": [{"cells": 6}],
                    "boards": [{"type": "board", "count": 3}],
                }
            },
            "controllers": {
                "C": {
                    "ports": 3,
                    "scan_period": "100 ms",
                    "evaluation": {"period": "10 ms", "run_time": "1 ms"},
                }
            },
            "chains": {
                "ring": RING | {"order": ["S.1..2"]} | (ring or {}),
                name: OPEN | {"order": ["S.3"]},
            },
            "tasks": {"return path": BACK | task},
        }
    )
    return [each for each in check_plan(plan) if each.severity == "error"]


@pytest.mark.parametrize("kind", ["measure", "read", "write"])
def test_rings_alone_have_a_back_port(kind: str) -> None:
    (finding,) = findings({"kind": kind})
    assert finding.path == ("tasks", "return path", "sent_from")
    assert finding.message == "chain `line`, on which this task runs, is open: it has no back port"
    assert finding.expected == "head, or `chains: [ring]` beside it"
    assert findings({"kind": kind, "chains": ["ring"]}) == []


def test_a_task_on_an_open_chain_that_it_names() -> None:
    (finding,) = findings({"chains": ["ring", "line"]})
    assert "chain `line`" in finding.message


@pytest.mark.parametrize(
    ("task", "refused"),
    [({}, True), ({"read_style": "polled"}, False), ({"kind": "write"}, False)],
)
def test_what_goes_across_a_ring_uses_its_return_path_already(task: dict[str, Any], refused: bool) -> None:
    found = findings(task | {"chains": ["ring"]}, "summation", {"read_from": "across"})
    words = ["summation frames of chain `ring` go across it, so that its return path is used by each"]
    assert [each.message for each in found] == (words if refused else [])


def test_a_chain_with_the_name_that_a_ring_has_from_its_back() -> None:
    (finding,) = findings({"chains": ["ring"]}, name="ring from the back")
    assert finding.path == ("chains", "ring from the back")
    assert finding.message == "`ring from the back` is what reads of `ring` from its back port are called"


def test_only_a_ring_that_is_asked_by_its_back_is_turned() -> None:
    (finding,) = findings({"sent_from": "head", "reversal": "1 ms"})
    assert finding.path == ("tasks", "return path", "reversal")
    assert finding.message == "a ring that is asked by its head need not be turned"
    assert findings({"chains": ["ring"], "reversal": "1 ms"}) == []
