"""Balancing: charge by its definition, duty against a timeline drawn interval by interval, and the verdicts.

Charge is current times time: 1 C = 1 A s, so 1 Ah = 3600 C (BIPM, SI brochure, 9th edition, 2019, table 4,
from memory). A 60 Ah cell that is 1 % too full gives 0.6 Ah, at 100 mA in 6 h: computed from that definition.
That odd and even cells take turns, because neighbours share a sense wire, is common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standby_packs import evaluation_of, findings_of, ticks

from chainplan.budgets.standby.balancing import NodeBalancing
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.figures.terms import Case, parts_add_up

BLEED: dict[str, Any] = {"balancing": {"current": "100 mA", "settling": "1 ms"}}
IN_TURN: dict[str, Any] = {"balancing": {"current": "100 mA", "settling": "1 ms", "alternate": True}}
PAUSED: dict[str, Any] = {"cells": {"value": "16 bit", "pause_balancing": True}}
FREE: dict[str, Any] = {"cells": {"value": "16 bit"}}


def group_of(evaluation: Evaluation) -> NodeBalancing:
    ((group,),) = evaluation.node_balancing.values()
    return group


def verdict_of(**more: Any) -> Figure:
    verdicts = evaluation_of(**more).verdicts
    return next(verdict for verdict in verdicts if verdict.target.startswith("balancing"))


class TestCharge:
    def test_six_hours(self) -> None:
        hours = group_of(evaluation_of(node=BLEED, tasks=FREE)).hours(ticks("0.6 Ah"))
        assert hours is not None
        assert hours.total == ticks("6 h")

    @given(st.integers(1, 10**6), st.integers(1, 10**6))
    def test_coulombs(self, milliamperes: int, coulombs: int) -> None:
        """Time in seconds is charge in coulombs over current in amperes."""
        node = {"balancing": {"current": f"{milliamperes} mA"}}
        charge = -(-coulombs * 10**9 // 3600)  # nAh, rounded up
        hours = group_of(evaluation_of(1, node=node, tasks=FREE)).hours(charge)
        assert hours is not None
        exact = Fraction(coulombs * 1000, milliamperes) * 10**15
        # the charge above is less than a nAh (3.6e-6 C) larger
        assert exact <= hours.total <= exact + Fraction(36 * 10**11, milliamperes) + 1


class TestAwake:
    """Cells are bled while the nodes are awake; the hours of a target go by asleep, too."""

    def test_hours_awake_by_hand(self) -> None:
        # 0.6 Ah at 100 mA in 6 h awake; awake 5 to 20 % of the time, that is 120 h, typically 48 h. A pause
        # of 3 ms in every 100 ms: 6 h / 0.97 awake, 123.711... h in all.
        group = group_of(evaluation_of(node=BLEED, tasks=FREE, supply={"awake": "5 % .. 20 %"}))
        hours, usual = (group.hours(ticks("0.6 Ah"), case) for case in (Case.WORST, Case.TYPICAL))
        assert hours is not None
        assert usual is not None
        assert (hours.total, usual.total) == (ticks("120 h"), ticks("48 h"))
        assert [(term.label, term.total) for term in hours.terms] == [
            ("bleeding at full current", ticks("6 h")),
            ("asleep meanwhile", ticks("114 h")),
        ]
        group = group_of(evaluation_of(node=BLEED, tasks=PAUSED, supply={"awake": "5 % .. 20 %"}))
        paused = group.hours(ticks("0.6 Ah"))
        assert paused is not None
        assert paused.total == pytest.approx(float(Fraction(ticks("120 h") * 100, 97)), rel=1e-12)
        assert parts_add_up(*paused.terms[:1])

    def test_a_node_that_goes_on_asleep(self) -> None:
        node = {"balancing": BLEED["balancing"] | {"asleep": True}}
        group = group_of(evaluation_of(node=node, tasks=FREE, supply={"awake": "5 %"}))
        hours = group.hours(ticks("0.6 Ah"))
        assert hours is not None
        assert hours.total == ticks("6 h")

    def test_never_awake_is_never_balanced(self) -> None:
        targets = {"balancing": {"charge": "0.6 Ah", "within": "10 h"}}
        found = verdict_of(node=BLEED, tasks=FREE, supply={"awake": "0 % .. 10 %"}, targets=targets)
        assert found.status == "missed"
        assert "asleep all the time" in found.note


class TestDuty:
    def test_by_hand(self) -> None:
        # 1 ms of settling and 2 ms of conversion in each scan of 100 ms
        group = group_of(evaluation_of(node=BLEED, tasks=PAUSED))
        assert group.duty() == Fraction(97, 100)
        assert group.effective_current() == ticks("97 mA")
        assert group.nodes == ("S.1", "S.2", "S.3", "S.4")

    def test_odd_and_even_in_turn(self) -> None:
        group = group_of(evaluation_of(node=IN_TURN, tasks=PAUSED))
        assert group.duty() == Fraction(97, 100)
        assert group.effective_current() == ticks("48.5 mA")

    def test_the_guaranteed_share_uses_the_unfavourable_ends(self) -> None:
        node = {
            "conversions": {"cell voltages": {"time": "1 ms .. 3 ms"}},
            "balancing": {"current": "90 mA .. 110 mA", "settling": "0 ms .. 2 ms"},
        }
        group = group_of(
            evaluation_of(node=node, tasks=PAUSED, controller={"scan_period": "50 ms .. 150 ms"})
        )
        assert group.duty() == 1 - Fraction(5, 50)
        assert group.effective_current() == Fraction(9, 10) * ticks("90 mA")
        assert group.duty(Case.TYPICAL) == 1 - Fraction(3, 100)
        assert group.effective_current(Case.TYPICAL) == Fraction(97, 100) * ticks("100 mA")

    def test_without_a_pause_it_always_runs(self) -> None:
        assert group_of(evaluation_of(node=BLEED, tasks=FREE)).duty() == 1

    @given(
        st.lists(st.integers(1, 6), min_size=1, max_size=4),
        st.integers(0, 4),
        st.integers(1, 5),
    )
    def test_against_a_timeline(self, periods: list[int], settling: int, conversion: int) -> None:
        """Draw every millisecond of the major cycle and count those in which the node is not paused."""
        node = {
            "conversions": {"cell voltages": {"time": f"{conversion} ms"}},
            "balancing": {"current": "100 mA", "settling": f"{settling} ms"},
        }
        tasks = {f"task {number}": PAUSED["cells"] | {"every": every} for number, every in enumerate(periods)}
        evaluation = evaluation_of(1, node=node, tasks=tasks)
        scan = evaluation.scans["C"]
        free = [True] * (100 * scan.phases.major_cycle)
        for number in range(scan.phases.major_cycle):
            now = 100 * number
            for index in scan.due(number):
                paused = settling + conversion
                free[now : now + paused] = [False] * paused
                now += paused + 1  # a read of less than 1 ms follows
                assert scan.works[index].task.pause_balancing
        assert group_of(evaluation).duty() == Fraction(sum(free), len(free))


def test_a_node_that_cannot_balance_hides_no_other() -> None:
    group = group_of(evaluation_of(4, node=BLEED, kinds={1: {"balancing": None}}, tasks=PAUSED))
    assert group.nodes == ("S.2", "S.3", "S.4")


def test_nodes_that_are_read_alike_are_told_together() -> None:
    chains = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"], "head": "C:2"}}
    tasks = {
        "cells": PAUSED["cells"],
        "again": {"value": "16 bit", "pause_balancing": True, "chains": ["upper"], "every": 2},
        "warm": {"reads": "temperatures", "value": "16 bit"},
    }
    (groups,) = evaluation_of(node=BLEED, chains=chains, tasks=tasks).node_balancing.values()
    assert [(group.nodes, group.pausing) for group in groups] == [
        (("S.1", "S.2"), ("cells",)),
        (("S.3", "S.4"), ("cells", "again")),
    ]
    assert [group.duty() for group in groups] == [Fraction(97, 100), Fraction(955, 1000)]


class TestVerdicts:
    """A cell of 60 Ah, 1 % too full, bled with 100 mA for 97 % of the time: 6 h / 0.97 = 6.18557 h."""

    def target(self, within: str) -> dict[str, Any]:
        return {"balancing": {"imbalance": "1 %", "within": within}}

    @pytest.mark.parametrize(("within", "status"), [("6.2 h", "met"), ("6.1 h", "missed")])
    def test_hours(self, within: str, status: str) -> None:
        verdict = verdict_of(node=BLEED, tasks=PAUSED, capacity="60 Ah", targets=self.target(within))
        assert verdict.status == status
        assert verdict.value == -(-ticks("6 h") * 100 // 97)
        assert verdict.where == "S.1 and 3 alike"

    def test_in_turn_takes_twice_as_long(self) -> None:
        verdict = verdict_of(node=IN_TURN, tasks=PAUSED, capacity="60 Ah", targets=self.target("1 d"))
        assert verdict.value == -(-ticks("12 h") * 100 // 97)

    def test_a_charge_needs_no_capacity(self) -> None:
        targets = {"balancing": {"charge": "0.6 Ah", "within": "1 d"}}
        assert verdict_of(node=BLEED, tasks=FREE, targets=targets).value == ticks("6 h")

    def test_the_largest_cell_counts(self) -> None:
        targets = self.target("1 d")
        verdict = verdict_of(node=BLEED, tasks=FREE, capacity="58 Ah .. 60 Ah", targets=targets)
        assert verdict.value == ticks("6 h")
        assert verdict.typical == ticks("5.9 h")

    def test_without_a_capacity_it_is_not_judged(self) -> None:
        verdict = verdict_of(node=BLEED, tasks=FREE, targets=self.target("1 d"))
        assert (verdict.status, verdict.note) == ("not checked", "a cell type gives no `capacity`")

    def test_cells_are_counted_along_the_string(self) -> None:
        """Eight cells of one kind, then eight of another that holds twice as much."""
        cells = {
            "cell": {"voltage": "4 V", "capacity": "30 Ah"},
            "big": {"voltage": "4 V", "capacity": "60 Ah"},
        }
        stack = [{"cells": 8}, {"cells": 8, "cell_type": "big"}]
        for order, hours in ((stack, "6 h"), (stack[::-1], "6 h"), (stack[:1] * 2, "3 h")):
            strings = {"S": {"cell_type": "cell", "stack": order, "boards": [{"type": "usual", "count": 4}]}}
            verdict = verdict_of(
                node=BLEED, tasks=FREE, cell_types=cells, strings=strings, targets=self.target("1 d")
            )
            assert verdict.value == ticks(hours)

    @pytest.mark.parametrize(("within", "status"), [("6.2 h", "met"), ("6.1 h", "missed")])
    def test_a_cell_without_a_capacity_hides_no_miss(self, within: str, status: str) -> None:
        """The third board bleeds faster, what its cells hold is not known; the others need 6.18557 h."""
        cells = {"cell": {"voltage": "4 V", "capacity": "60 Ah"}, "unknown": {"voltage": "4 V"}}
        stack = [{"cells": 8}, {"cells": 4, "cell_type": "unknown"}, {"cells": 4}]
        strings = {
            "S": {
                "cell_type": "cell",
                "stack": stack,
                "boards": [{"type": "usual", "count": 4}],
                "exceptions": {3: {"type": "at 3"}},
            }
        }
        evaluation = evaluation_of(
            node=BLEED,
            kinds={3: {"balancing": {"current": "200 mA"}}},
            tasks=PAUSED,
            cell_types=cells,
            strings=strings,
            targets=self.target(within),
        )
        known, unknown = (each for each in evaluation.verdicts if each.target == "balancing time")
        assert (known.subject, known.status, known.where) == ("C", status, "S.1 and 2 alike")
        assert (unknown.subject, unknown.status, unknown.where) == ("C, other nodes", "not checked", "S.3")

    def test_without_balancing_it_is_not_judged(self) -> None:
        verdict = verdict_of(capacity="60 Ah", targets=self.target("1 d"))
        assert (verdict.status, verdict.note) == (
            "not checked",
            "none of its nodes has `balancing` in the plan",
        )

    def test_balancing_that_never_runs_misses(self) -> None:
        # 1 ms and 2 ms in a scan of 3 ms: nothing is left. 0.6 Ah in a day at 100 mA would need a quarter.
        targets = {"balancing": {"charge": "0.6 Ah", "within": "1 d"}}
        verdict = verdict_of(node=BLEED, tasks=PAUSED, controller={"scan_period": "3 ms"}, targets=targets)
        assert (verdict.target, verdict.status) == ("balancing duty", "missed")
        assert (verdict.value, verdict.limit) == (0, 25 * 10**10)

    def test_the_slowest_node_counts(self) -> None:
        targets = {"balancing": {"charge": "0.6 Ah", "within": "1 d"}}
        weak = {3: {"balancing": {"current": "50 mA"}}}
        verdict = verdict_of(node=BLEED, kinds=weak, tasks=FREE, targets=targets)
        assert (verdict.value, verdict.where) == (ticks("12 h"), "S.3")


@given(st.integers(1, 10**9), st.integers(1, 999), st.booleans())
def test_terms_add_up(charge: int, pause: int, alternate: bool) -> None:
    node = {"balancing": {"current": "37 mA", "settling": f"{pause} us", "alternate": alternate}}
    hours = group_of(evaluation_of(1, node=node, tasks=PAUSED)).hours(charge)
    assert hours is not None
    assert all(term.total > 0 and parts_add_up(term) for term in hours.terms)
    exact = Fraction(charge * 3600 * 10**15, ticks("37 mA")) * (2 if alternate else 1)
    duty = 1 - Fraction(pause * 10**9 + ticks("2 ms"), ticks("100 ms"))
    assert exact / duty <= hours.total <= exact / duty + 3


class TestChecks:
    def test_one_of_imbalance_and_charge(self) -> None:
        message = "what is to be balanced is either a share of the capacity or a charge"
        assert message in findings_of(targets={"balancing": {"within": "1 d"}})
        both = {"within": "1 d", "charge": "1 Ah", "imbalance": "1 %"}
        assert message in findings_of(targets={"balancing": both})

    def test_only_a_trigger_pauses(self) -> None:
        tasks = {"cells": PAUSED["cells"] | {"kind": "read"}}
        assert "only a measure task, which has a trigger, can pause balancing" in findings_of(tasks=tasks)

    def test_a_current_of_nothing(self) -> None:
        message = "a balancing current must be above zero"
        assert message in findings_of(node={"balancing": {"current": "0 mA"}})
