"""How long nodes communicate, by hand: 1 bit takes 1 us, nothing is framed, no cable takes time.

What a node does in each read style is written at the top of chainplan/budgets/standby/activity.py. The whole
is checked against the simulation's own frames in test_supply.py.
"""

from __future__ import annotations

from typing import Any

from standby_packs import evaluation_of, ticks

from chainplan.budgets.standby.activity import activities

READ: dict[str, Any] = {"cells": {"kind": "read", "value": "16 bit"}}
REQUEST, ANSWER = 8, 8 + 4 * 16


def busy(nodes: int, **more: Any) -> dict[str, tuple[int, int]]:
    """Return what every node communicates in a scan at the least and at the most, us."""
    scan = evaluation_of(nodes, tasks=READ, **more).scans["C"]
    return {
        each.node.name: (
            each.communicating.min // ticks("1 us"),
            each.communicating.max // ticks("1 us"),
        )
        for each in activities(scan, {})
    }


def relays(style: str, downstream: str = "0 s", upstream: str = "0 s") -> dict[str, Any]:
    return {"forwarding": {"style": style, "downstream": downstream, "upstream": upstream}}


def test_polls_are_passed_on() -> None:
    # The near node: its own request and answer, and both of the far one once, cut through with 3 and 5 us.
    near = REQUEST + ANSWER + (REQUEST + 3) + (ANSWER + 5)
    found = busy(2, node=relays("cut-through", "3 us", "5 us"), protocol={"read_style": "polled"})
    assert found == {"S.1": (near, near), "S.2": (REQUEST + ANSWER,) * 2}


def test_polls_are_stored_and_sent_anew() -> None:
    # What is passed on is received first and sent then: twice the frame, both ways.
    near = 3 * (REQUEST + ANSWER)
    found = busy(2, node=relays("store-and-forward"), protocol={"read_style": "polled"})
    assert found == {"S.1": (near, near), "S.2": (REQUEST + ANSWER,) * 2}


def test_another_chain_at_the_same_port_is_not_heard() -> None:
    chains = {"lower": {"order": ["S.1"]}, "upper": {"order": ["S.2..3"]}}
    found = busy(3, chains=chains, protocol={"read_style": "polled"})
    assert found["S.1"] == (REQUEST + ANSWER,) * 2
    assert found["S.2"] == (2 * (REQUEST + ANSWER),) * 2


def test_a_summation_frame_passes_twice() -> None:
    # No delay anywhere: the frame comes home while it goes out, bit by bit.
    frame = REQUEST + 2 * ANSWER
    assert busy(2, protocol={"read_style": "summation"}) == {"S.1": (frame,) * 2, "S.2": (frame,) * 2}
    # A tail that takes 10 ms to turn round: out and home apart, at either node.
    late = busy(2, protocol={"read_style": "summation"}, kinds={2: {"turn_around": "10 ms"}})
    assert late == {"S.1": (2 * frame,) * 2, "S.2": (2 * frame,) * 2}


def test_answers_in_turn_that_are_stored() -> None:
    # Three nodes. The head sends three answers; of the two that come to it from beyond it receives at the
    # least one before it sends anything, at the most both. The request is received and sent anew.
    found = busy(3, node=relays("store-and-forward"))
    assert found["S.1"] == (2 * REQUEST + 4 * ANSWER, 2 * REQUEST + 5 * ANSWER)
    assert found["S.3"] == (REQUEST + ANSWER,) * 2
