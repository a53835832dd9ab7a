"""Skew by hand, in packs of round figures.

1 bit takes 1 us and nothing is framed: a trigger takes 8 us. A kilometre of cable takes 5 us. No source but
the definition at the top of chainplan/budgets/values/skew.py.
"""

from __future__ import annotations

import pytest
from standby_packs import CELLS, LONG, STEPS, TWO_PORTS, ticks, timing_of

US, MS = ticks("1 us"), ticks("1 ms")


def test_on_one_chain_the_way_and_the_sequence_count() -> None:
    # From node 1 to node 4 three cables; from the first to the last of four channels three steps.
    skew = timing_of(node=STEPS, chains={"line": LONG}).skew
    assert {term.label: term.total for term in skew.terms} == {
        "way from the first node to the last one": 15 * US,
        "place in the conversion sequence": 60 * US,
    }


def test_of_one_node_only_the_sequence_counts() -> None:
    skew = timing_of(nodes=1, node=STEPS, chains={"line": LONG}).skew
    assert [(term.label, term.total) for term in skew.terms] == [
        ("place in the conversion sequence", 60 * US)
    ]


@pytest.mark.parametrize(("by", "spread"), [("one core", 20), ("each port", 10)])
def test_over_two_chains_the_set_up_counts(by: str, spread: int) -> None:
    # A set-up takes 10 to 20 us. One core: the second port's begins when the first one's is over, and
    # that is one event for both; so the second trigger comes 20 us later at most. With a core for each
    # port one may take 10 us and the other 20 us.
    set_up = {"set_up": "10 us .. 20 us", "set_up_by": by}
    skew = timing_of(controller=set_up, chains=TWO_PORTS).skew
    assert {term.label: term.total for term in skew.terms} == {
        "between the first and the last trigger's arrival": spread * US
    }


def test_paused_balancing_of_a_nearer_node() -> None:
    # The near one settles for 1 ms before it samples, the far one, 5 us behind it, not at all.
    settles = {1: {"balancing": {"current": "100 mA", "settling": "1 ms"}}}
    tasks = {"cells": CELLS | {"pause_balancing": True}}
    skew = timing_of(nodes=2, kinds=settles, chains={"line": LONG}, tasks=tasks).skew
    assert skew.total == MS - 5 * US


def test_paused_balancing_of_the_farther_node() -> None:
    settles = {2: {"balancing": {"current": "100 mA", "settling": "1 ms"}}}
    tasks = {"cells": CELLS | {"pause_balancing": True}}
    skew = timing_of(nodes=2, kinds=settles, chains={"line": LONG}, tasks=tasks).skew
    assert skew.total == MS + 5 * US


def test_what_nothing_triggers_has_no_common_instant() -> None:
    timing = timing_of(node=STEPS, chains={"line": LONG}, tasks={"cells": CELLS | {"kind": "read"}})
    assert timing.skew.terms == ()
