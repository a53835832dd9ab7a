"""Supply: charge by its definition, shares of time from open protocols and from the witness's own frames.

Charge is current times time (BIPM, SI brochure, 9th edition, 2019, table 4, from memory); 30 days are 720 h.
"""

from __future__ import annotations

from collections import defaultdict
from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from standby_packs import evaluation_of, findings_of, ticks

from chainplan.budgets.standby import self_consumption as supply
from chainplan.budgets.standby.activity import Activity, activities
from chainplan.budgets.standby.self_consumption import ALWAYS, NEVER, WHOLE, NodeSupply, StringSupply
from chainplan.chain.network import Node
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.figures.terms import Case, parts_add_up
from chainplan.plan.parts import Currents, Forwarding, NodeType
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import RATIO, Span
from chainplan.witness.draw import Draw
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

CURRENTS = {"sleep": "15 uA", "idle": "2 mA", "measuring": "9 mA", "communicating": "12 mA"}
DRAWS: dict[str, Any] = {"currents": CURRENTS}
NODE = NodeType(cell_inputs=1, forwarding=Forwarding(downstream=Span.exact(0), upstream=Span.exact(0)))
READ = {"cells": {"kind": "read", "reads": "status", "data": "64 bit"}}


def supply_of(evaluation: Evaluation) -> StringSupply:
    (string,) = evaluation.self_consumption
    return string


def spread_of(evaluation: Evaluation) -> tuple[int, int]:
    spread = supply_of(evaluation).spread
    assert spread is not None
    assert all(map(parts_add_up, (*spread.worst.terms, *spread.typical.terms)))
    return spread.worst.total, spread.typical.total


class TestChecks:
    """A node that checks its inputs by itself while awake measures then."""

    NODE: dict[str, Any] = {  # noqa: RUF012
        "currents": {
            "sleep": "15 uA",
            "idle": "2 mA ± 5 %",
            "measuring": "9 mA ± 5 %",
            "communicating": "12 mA ± 5 %",
        },
        "conversions": {"cell voltages": {"time": "1.8 ms .. 2.3 ms"}},
    }

    def spread(self, **alarm: Any) -> int:
        over: dict[str, Any] = {"kind": "cell over-voltage", "ftti": "1 s", "reaction": "switch"}
        checks = {"check_every": "3 ms", "per_hop": "5 us"} | alarm
        alarmed = over | {"alarm": checks}
        # two hazards, but the very same checks: they count once
        hazards = {"over": alarmed, "under": alarmed | {"kind": "cell under-voltage"}}
        more: dict[str, Any] = {"node": self.NODE, "supply": {"awake": "30 %"}}
        return spread_of(evaluation_of(hazards=hazards, **more))[0] - spread_of(evaluation_of(**more))[0]

    def test_imbalance_by_hand(self) -> None:
        # 30 % of 720 h are 216 h awake. One node checks every 3 ms for 2.3 ms, at 9.45 mA instead of 2.1,
        # the other for 1.8 ms and 8.55 mA instead of 1.9: 216 h * (2.3/3 * 7.35 mA - 1.8/3 * 6.65 mA).
        extra = 216 * (Fraction(23, 30) * Fraction("7.35") - Fraction(18, 30) * Fraction("6.65")) * 10**6
        assert abs(self.spread() - extra) < 10**3  # nAh: rounded outward
        assert self.spread() == pytest.approx(355.32e6, rel=1e-6)

    def test_comparators_draw_nothing_more(self) -> None:
        assert self.spread(hardware=True) == 0

    def test_a_check_that_lasts_longer_than_its_period_is_all_the_time(self) -> None:
        # 216 h * (7.35 mA - 6.65 mA), both converting without a pause, and the triggered conversions beside
        assert self.spread(check_every="1 ms") == pytest.approx(216 * 0.7e6, rel=0.02)


class TestCharge:
    def test_asleep(self) -> None:
        (node, *_) = supply_of(evaluation_of(node=DRAWS)).nodes
        assert node.charge(Case.WORST, 0, node.cycle.max).total == ticks("10.8 mAh")  # 15 uA * 720 h

    def test_awake_without_work(self) -> None:
        write = {"bleed": {"kind": "write", "chains": ["line"]}}
        evaluation = evaluation_of(node=DRAWS, tasks=write)
        (node, *_) = supply_of(evaluation).nodes
        # 2 mA * 720 h, and 10 mA more for the 8 us of a broadcast in each 100 ms
        expected = ticks("1440 mAh") + Fraction(8, 100_000) * ticks("7200 mAh")
        assert abs(node.charge(Case.TYPICAL, ALWAYS.max, node.cycle.typical).total - expected) <= 1

    def test_a_tenth_of_the_time_awake(self) -> None:
        evaluation = evaluation_of(node=DRAWS, tasks={"bleed": {"kind": "write"}}, supply={"awake": "10 %"})
        (node, *_) = supply_of(evaluation).nodes
        awake = parse_quantity("10 %", RATIO).typical
        always = node.charge(Case.TYPICAL, ALWAYS.max, node.cycle.typical).total
        expected = Fraction(always, 10) + Fraction(9, 10) * ticks("10.8 mAh")
        assert abs(node.charge(Case.TYPICAL, awake, node.cycle.typical).total - expected) <= 2

    def test_a_published_frame(self) -> None:
        """LIN 2.2, 2.3.2: header of 34 bit times, response of 10 * (N + 1); N = 8 at 19.2 kbit/s: 6.45833 ms.

        A node on its own hears the header and sends the response: it communicates for that long.
        """
        lin = {
            "bit_rate": "19.2 kbit/s",
            "character": {"data": "8 bit", "wire": "10 bit"},
            "preamble": "14 bit",
            "request": "2 byte",
            "answer": "1 byte",
            "read_style": "summation",
        }
        (node,) = supply_of(evaluation_of(1, node=DRAWS, protocol=lin, tasks=READ)).nodes
        time = node.activity.communicating.typical
        assert time / 10**12 == pytest.approx(6.458333, abs=1e-6)
        # 2 mA at rest, 12 mA for 6.45833 ms of 100 ms: 2.645833 mA
        assert float(node.awake_current(Case.TYPICAL)) == pytest.approx(2.645833e6, rel=1e-6)


class TestAlongTheChain:
    def test_nearer_nodes_pass_on_more(self) -> None:
        # trigger, request: 8 us each; answers of 8 + 4 * 16 bit: the head passes on four, the tail one
        evaluation = evaluation_of(4, node=DRAWS, supply={"awake": "100 %"})
        times = [each.activity.communicating.max for each in supply_of(evaluation).nodes]
        assert times == [ticks(f"{16 + 72 * answers} us") for answers in (4, 3, 2, 1)]
        # 216 us more in 100 ms, at 10 mA more, for 720 h
        expected = Fraction(216, 100_000) * ticks("7200 mAh")
        worst, typical = spread_of(evaluation)
        assert abs(worst - expected) <= 4
        assert abs(typical - expected) <= 4
        spread = supply_of(evaluation).spread
        assert spread is not None
        assert (spread.most, spread.least) == ("S.1", "S.4")

    def test_a_chain_that_counts_down(self) -> None:
        evaluation = evaluation_of(4, node=DRAWS, chains={"line": {"order": ["S.4..1"]}})
        assert [each.node.name for each in supply_of(evaluation).nodes] == ["S.1", "S.2", "S.3", "S.4"]
        spread = supply_of(evaluation).at(ALWAYS)
        assert (spread.most, spread.least) == ("S.4", "S.1")

    def test_mixed_boards(self) -> None:
        thirsty = {2: {"currents": CURRENTS | {"sleep": "25 uA"}}}
        string = supply_of(evaluation_of(4, node=DRAWS, kinds=thirsty))
        assert string.at(NEVER).worst.total == ticks("7.2 mAh")  # 10 uA * 720 h
        assert (string.at(NEVER).most, string.at(NEVER).typical.total) == ("S.2", ticks("7.2 mAh"))

    def test_a_node_that_draws_most_or_least_is_no_other_than_itself(self) -> None:
        # S.2 draws 1 to 10 mA asleep, S.1 4 to 5 mA: most apart are 10 and 4 mA, of the two nodes.
        nodes = [{"currents": CURRENTS | {"sleep": span}} for span in ("4 mA .. 5 mA", "1 mA .. 10 mA")]
        spread = supply_of(evaluation_of(2, node=nodes[0], kinds={2: nodes[1]})).at(NEVER)
        assert spread.worst.total == ticks("4320 mAh")  # 6 mA * 720 h
        assert (spread.most, spread.least) == ("S.2", "S.1")

    def test_the_typical_share_awake(self) -> None:
        # 216 us of 100 ms more on the wire at the head than at the tail, at 10 mA more, half of 720 h
        awake = {"awake": {"min": "0 %", "typical": "50 %", "max": "100 %"}}
        _, typical = spread_of(evaluation_of(4, node=DRAWS, supply=awake))
        assert abs(typical - Fraction(216, 100_000) * ticks("3600 mAh")) <= 4

    def test_shares_of_the_time_awake(self) -> None:
        # The tail hears trigger and request and sends 72 bit, typically at 1 Mbit/s; it converts for 2 ms.
        rate = {"bit_rate": {"min": "0.5 Mbit/s", "typical": "1 Mbit/s", "max": "2 Mbit/s"}}
        period = {"scan_period": {"min": "90 ms", "typical": "100 ms", "max": "120 ms"}}
        node = supply_of(evaluation_of(4, node=DRAWS, protocol=rate, controller=period)).nodes[-1]
        assert node.share("communicating") == Fraction(8 + 8 + 72, 100_000)
        assert node.share("measuring") == Fraction(2, 100)

    def test_a_node_that_converts_by_itself_measures_the_rest_of_the_time(self) -> None:
        read = {"cells": {"kind": "read", "value": "16 bit"}}
        node = supply_of(evaluation_of(4, node=DRAWS, tasks=read)).nodes[-1]
        assert node.share("measuring") == 1 - Fraction(8 + 72, 100_000)

    def test_a_single_node_has_nobody_to_differ_from(self) -> None:
        tolerant = {"currents": CURRENTS | {"sleep": "10 uA .. 20 uA"}}
        assert supply_of(evaluation_of(1, node=tolerant)).at(NEVER).worst.total == 0

    def test_equal_nodes_differ_by_their_tolerance(self) -> None:
        tolerant = {"currents": CURRENTS | {"sleep": "10 uA .. 20 uA"}}
        spread = supply_of(evaluation_of(2, node=tolerant)).at(NEVER)
        assert (spread.worst.total, spread.typical.total) == (ticks("7.2 mAh"), 0)

    def test_the_scan_period_is_common(self) -> None:
        """Its tolerance drives no two nodes of one controller apart."""
        alike = {"chains": {f"chain {k}": {"head": f"C:{k}", "order": [f"S.{k}"]} for k in (1, 2)}}
        loose = evaluation_of(2, node=DRAWS, controller={"scan_period": "50 ms .. 150 ms"}, **alike)
        assert supply_of(loose).at(ALWAYS).worst.total <= 6  # rounding of each term

    def test_nodes_that_convert_freely_measure_all_the_time(self) -> None:
        tasks = {"cells": {"value": "16 bit", "kind": "read"}}
        evaluation = evaluation_of(1, node=DRAWS, tasks=tasks)
        (node,) = supply_of(evaluation).nodes
        # a request of 8 us and an answer of 72 us in 100 ms, measuring otherwise
        expected = Fraction(80, 100_000) * 12 + Fraction(99_920, 100_000) * 9
        assert float(node.awake_current(Case.TYPICAL)) == pytest.approx(float(expected) * 1e6, rel=1e-9)
        assert node.share("measuring") == Fraction(99_920, 100_000)


def verdict_of(**more: Any) -> Figure:
    targets = {"imbalance_per_month": "10 mAh"}
    verdicts = evaluation_of(4, targets=targets, **more).verdicts
    return next(verdict for verdict in verdicts if verdict.target == "imbalance in 30 days by supply")


class TestVerdicts:
    def test_always_awake_misses(self) -> None:
        verdict = verdict_of(node=DRAWS, supply={"awake": "100 %"})
        assert (verdict.status, verdict.where) == ("missed", "S.1 against S.4")  # 15.552 mAh

    def test_half_of_the_time_meets(self) -> None:
        verdict = verdict_of(node=DRAWS, supply={"awake": "50 %"})
        assert verdict.status == "met"
        assert verdict.value is not None
        assert abs(verdict.value - ticks("7.776 mAh")) <= 4

    def test_the_worst_end_of_the_share_awake_counts(self) -> None:
        assert verdict_of(node=DRAWS, supply={"awake": "10 % .. 100 %"}).status == "missed"

    def test_without_currents_it_is_not_judged(self) -> None:
        partly = {"currents": {"idle": "2 mA", "communicating": "12 mA"}}
        verdict = verdict_of(node=partly, supply={"awake": "50 %"})
        assert verdict.status == "not checked"
        assert verdict.note == "the type of node S.1 gives no current for sleep, measuring"

    def test_without_the_share_awake_it_is_not_judged(self) -> None:
        verdict = verdict_of(node=DRAWS)
        assert verdict.status == "not checked"
        assert verdict.note == "the plan's `supply` does not say how much of the time the nodes are awake"


def test_a_node_at_work_draws_at_least_its_rest() -> None:
    node = {"currents": CURRENTS | {"measuring": "1 mA"}}
    assert "a node draws less while measuring than at rest" in findings_of(node=node)


STYLES_AND_SHAPES = [
    *product(["sequential", "summation", "polled"], ["open", "ring"]),
    ("summation", "across"),
]
RELAY = st.fixed_dictionaries(
    {
        "style": st.sampled_from(["cut-through", "store-and-forward"]),
        "downstream": st.integers(0, 30).map(lambda time: f"{time} us"),
        "upstream": st.integers(0, 30).map(lambda time: f"{time} us"),
    }
)


@settings(max_examples=60)
@given(
    st.lists(RELAY, min_size=1, max_size=4),
    st.sampled_from(
        [*product(["sequential", "summation", "polled"], ["open", "ring"]), ("summation", "across")]
    ),
    st.integers(0, 40),
    st.integers(0, 60),
    st.integers(0, 2000),
)
def test_shares_hold_what_the_witness_sees(
    relays: list[dict[str, str]], form: tuple[str, str], gap: int, turn: int, metres: int
) -> None:
    """The time in which a node has a frame going in or out, taken from the witness's frames, hop by hop."""
    style, shape = form
    chain: dict[str, Any] = {"segments": {"cable": "cable", "length": f"{metres} m"}}
    if shape != "open":
        chain |= {"shape": "ring", "back": "C:2", "read_from": "head" if shape == "ring" else "across"}
    evaluation = evaluation_of(
        len(relays),
        node={"turn_around": f"{turn} us"},
        kinds={position: {"forwarding": relay} for position, relay in enumerate(relays, start=1)},
        protocol={"read_style": style, "answer_gap": f"{gap} us"},
        chains={"line": chain},
    )
    cable = metres * ticks("5 ns")
    intervals: dict[int, list[tuple[int, int]]] = defaultdict(list)

    def watch(_: str, segment: int, way: str, begin: int, end: int) -> None:
        # Outward a passage is told at its far end, upstream where it comes out of the sender.
        if way == "out":
            intervals[segment].append((begin, end))
            intervals[segment - 1].append((begin - cable, end - cable))
        else:
            intervals[segment].append((begin, end))
            intervals[segment - 1].append((begin + cable, end + cable))

    phases = {name: scan.phases.phases for name, scan in evaluation.scans.items()}
    simulate(Pack.of(evaluation.plan), phases, 1, Draw("worst"), watcher=watch)
    for index, activity in enumerate(activities(evaluation.scans["C"], {})):
        seen = length_of_union(intervals[index])
        assert activity.communicating.min <= seen <= activity.communicating.max
        if style != "sequential" or (relays[index]["style"] == "cut-through" and gap >= 30):
            assert seen == activity.communicating.max


def length_of_union(intervals: list[tuple[int, int]]) -> int:
    total = reached = 0
    for begin, end in sorted(intervals):
        total += max(0, end - max(begin, reached))
        reached = max(reached, end)
    return total


@given(st.data())
def test_no_two_nodes_differ_by_more(data: st.DataObject) -> None:
    """Draw the pack's values within their tolerances, work out what two nodes draw, and compare."""
    currents = {
        "sleep": "10 uA .. 20 uA",
        "idle": "1 mA .. 2 mA",
        "measuring": "5 mA .. 9 mA",
        "communicating": "10 mA .. 12 mA",
    }
    conversion = {"cell voltages": {"time": "1 ms .. 4 ms"}}
    evaluation = evaluation_of(
        3,
        node={"currents": currents, "conversions": conversion},
        protocol={"bit_rate": "1 Mbit/s ± 5 %"},
        controller={"scan_period": "50 ms .. 150 ms"},
        supply={"awake": "10 % .. 30 %"},
    )
    string = supply_of(evaluation)
    worst, _ = spread_of(evaluation)

    def within(span: Span) -> int:
        return data.draw(st.integers(span.min, span.max))

    awake, cycle = Fraction(within(Span(10, 20, 30)), 100), within(string.nodes[0].cycle)
    drawn = []
    for each in string.nodes:
        parts = each.node.type.currents
        measuring, communicating = within(each.activity.measuring), within(each.activity.communicating)
        rest = cycle - measuring - communicating
        busy = rest * within(parts.idle) + measuring * within(parts.measuring)
        busy += communicating * within(parts.communicating)
        drawn.append(720 * (awake * Fraction(busy, cycle) + (1 - awake) * within(parts.sleep)))
    assert max(drawn) - min(drawn) <= worst


@given(
    st.lists(
        st.tuples(
            st.tuples(*[st.integers(0, 1200)] * 3), st.booleans(), st.integers(0, 1), st.integers(0, 300)
        ),
        min_size=1,
        max_size=9,
    ),
    st.lists(st.integers(0, 50), min_size=9, max_size=9),
)
def test_the_nodes_left_out_neither_draw_most_nor_least(
    drawn: list[tuple[tuple[int, int, int], bool, int, int]], currents: list[int]
) -> None:
    # Two makes of node at random times; a cycle of 1000, so that some are at work for longer than there is.
    low, middle, high = sorted(currents[:3]), sorted(currents[3:6]), sorted(currents[6:])
    types = [
        NODE.model_copy(
            update={
                "currents": Currents(
                    sleep=Span.exact(0), idle=Span(*idle), measuring=Span(*middle), communicating=Span(*high)
                )
            }
        )
        for idle in (low, middle)
    ]
    nodes = [
        NodeSupply(
            "one",
            Activity(
                Node(f"main.{place}", f"main.{place}", "main", types[make], 1, 0, place, 0, 0),
                Span(*sorted(times)),
                Span.exact(measuring),
                free,
                Span.exact(0),
            ),
            Span(990, 1000, 1010),
        )
        for place, (times, free, make, measuring) in enumerate(drawn)
    ]
    awake = Span(WHOLE // 3, WHOLE // 2, WHOLE)
    chosen = supply._spread("main", nodes, awake)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(supply, "_kinds", list)
        everything = supply._spread("main", nodes, awake)
    assert chosen.worst.total == everything.worst.total
    assert chosen.typical.total == everything.typical.total
