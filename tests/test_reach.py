"""How far a chain goes: every limit is tried again on a plan that is written with it, and one step beyond."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from fractions import Fraction

import pytest
from wire_plans import Data, evaluated, example, wire_plan

from chainplan.chain.network import Chain, Network
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.headroom import reach as searched
from chainplan.headroom.reach import ChainReach, Reach, _questions, reach_budget
from chainplan.quantity import LENGTH, Span

MM = 10**6


def reached(data: Data) -> ChainReach:
    (found,) = reach_budget(evaluated(data)).chains
    return found


def one(found: ChainReach, kind: str, *segments: int) -> Reach:
    (reach,) = (
        each for each in found.reaches if each.kind == kind and (not segments or each.segments == segments)
    )
    return reach


def missed(data: Data) -> set[str]:
    return {each.target for each in evaluated(data).missed}


def targets(reach: Reach) -> set[str]:
    return {each.target for each in reach.stopped_by}


LOSSY: Data = {
    "cable": {"loss_class": "category 5e"},
    "protocol": {
        "signal": {"lowest": "5 MHz", "highest": "10 MHz", "transmit": "0 dB", "threshold": "-11.5 dB"}
    },
}


def test_longest_10base_t_segment() -> None:
    """11.5 dB (IEEE 802.3, 14.4.2) of category 5e at 10 MHz: 11.5 / 6.46602 * 100 m = 177.853 m."""
    found = one(reached(wire_plan(**LOSSY)), "segment")
    assert found.most == 177_853 * MM
    assert targets(found) == {"link margin"}
    assert (found.now, found.dimension, found.monotone) == (1000 * MM, LENGTH, True)


def test_a_segment_of_that_length_in_the_plan_holds_and_a_longer_one_does_not() -> None:
    data = wire_plan(nodes=3, **LOSSY)
    data["protocols"]["wire"]["answer_window"] = "3.5 us"
    found = one(reached(data), "segment", 1, 2, 3)  # of equal ones the first is made longer
    for length, held in ((found.most, True), (found.most + MM, False)):
        tried = deepcopy(data)
        tried["chains"]["line"]["exceptions"] = {1: {"length": Span.exact(length)}}
        assert (not missed(tried)) is held
    # 3.5 us hold 2.4 us of relays and turn-around and twice the cable: 98.93 m in all at 0.6 c
    assert targets(found) == {"wait for an answer"}
    assert found.most / 10**9 == pytest.approx(0.6 * 299.792458 * (3.5 - 2.4) / 2 - 2, abs=0.001)


def test_a_chain_grows_in_proportion() -> None:
    data = wire_plan(nodes=3, chain={"head_segment": {"length": "2 m"}})
    data["protocols"]["wire"]["answer_window"] = "3.5 us"
    found = one(reached(data), "chain")
    assert found.now == 4000 * MM
    assert found.most / 10**9 == pytest.approx(0.6 * 299.792458 * (3.5 - 2.4) / 2, abs=0.001)
    for total, held in ((found.most, True), (found.most + MM, False)):
        tried = deepcopy(data)
        quarter = Fraction(total, 4)
        tried["chains"]["line"]["segments"]["length"] = Span.exact(round(quarter))
        tried["chains"]["line"]["head_segment"]["length"] = Span.exact(round(2 * quarter))
        assert (not missed(tried)) is held


def test_addresses_limit_the_boards() -> None:
    data = wire_plan(nodes=3)
    data["node_types"]["node"]["address_limit"] = 13
    found = one(reached(data), "boards")
    assert (found.now, found.most, targets(found)) == (3, 13, {"node addresses"})


def test_one_board_may_be_the_most() -> None:
    data = wire_plan(nodes=1)
    data["node_types"]["node"]["address_limit"] = 1
    found = one(reached(data), "boards")
    assert (found.now, found.most, targets(found)) == (1, 1, {"node addresses"})


@pytest.mark.parametrize(("nodes", "most"), [(2, 5), (5, 5)])
def test_boards_are_added_up_to_a_number_of_nodes(
    monkeypatch: pytest.MonkeyPatch, nodes: int, most: int
) -> None:
    monkeypatch.setattr(searched, "MOST_NODES_TRIED", 5)
    found = one(reached(wire_plan(nodes=nodes)), "boards")
    assert (found.now, found.most, found.stopped_by) == (nodes, most, ())


def boards_of_the_trolley(boards: int) -> Data:
    data = example("rail-trolley")
    main = data["strings"]["main"]
    main["boards"] = [{"type": "board-12", "count": boards}]
    main["stack"][2] = {"modules": boards - 2, "cells": 12}
    data["chains"]["line"]["order"] = [f"main.1..{boards}"]
    return data


def test_a_plan_with_the_most_boards_holds_and_one_more_does_not() -> None:
    found = one(reached(boards_of_the_trolley(4)), "boards")
    assert found.now == 4
    assert not missed(boards_of_the_trolley(found.most))
    assert missed(boards_of_the_trolley(found.most + 1)) == targets(found)


def test_scan_time_limits_the_boards() -> None:
    data = wire_plan(targets={"scan_time": "5 ms"})
    found = one(reached(data), "boards")
    for boards, held in ((found.most, True), (found.most + 1, False)):
        assert (not missed(wire_plan(nodes=boards, targets={"scan_time": "5 ms"}))) is held
    assert targets(found) == {"scan time"}


def test_what_is_missed_anyhow_stops_nothing() -> None:
    data = wire_plan(nodes=2, targets={"efficiency": "99 %"}, **LOSSY)
    found = reached(data)
    assert {each.target for each in found.missed_anyhow} == {"efficiency"}
    assert targets(one(found, "segment")) == {"link margin"}


def test_a_plan_that_misses_now_is_told_what_would_hold() -> None:
    found = one(reached(wire_plan(segments={"length": "300 m"}, **LOSSY)), "segment")
    assert (found.now, found.most) == (300_000 * MM, 177_853 * MM)


def test_without_a_limit_the_search_ends_at_its_own() -> None:
    found = one(reached(wire_plan()), "segment")
    assert (found.most, found.stopped_by) == (100_000 * 1000 * MM, ())


def test_copies_of_a_chain_grow_together() -> None:
    evaluation = evaluated(example("harbour-ferry"))
    (ring,) = reach_budget(evaluation).chains
    boards = one(ring, "boards")
    assert boards.now == 10
    assert {each.subject for each in boards.stopped_by} == {f"ring-{number}" for number in range(1, 5)}
    segments = [each.segments for each in ring.reaches if each.kind == "segment"]
    assert segments == [(1, 11), (2, 3, 4, 5, 7, 8, 9, 10), (6,)]


def test_hops_within_a_board_are_no_cables() -> None:
    (loop,) = reach_budget(evaluated(example("storage-container"))).chains
    assert one(loop, "chain").now == (4000 + 14 * 450 + 2500) * MM


def test_a_large_plan_is_not_searched() -> None:
    budget = reach_budget(evaluated(wire_plan(nodes=201)))
    assert budget.chains == ()
    assert budget.skipped == "not searched: the plan has 201 nodes, at most 200 are searched"


def test_evaluations_of_altered_networks_leave_the_plan_as_it_was() -> None:
    evaluation = evaluated(example("rail-trolley"))
    before = [each.value for each in evaluation.verdicts]
    reach_budget(evaluation)
    assert [each.value for each in Evaluation(evaluation.plan).verdicts] == before
    assert [each.value for each in evaluation.verdicts] == before


def in_full(evaluation: Evaluation, altered: Callable[[int], Network], steps: int) -> list[Figure]:
    """Return what is missed on an altered network that is evaluated on its own, with nothing carried over."""
    return list(Evaluation(evaluation.plan, given={"network": altered(steps)}).missed)


@pytest.mark.parametrize("name", ["rail-trolley", "quarry-truck"])
def test_limits_hold_in_a_full_evaluation_of_their_own(name: str) -> None:
    """Stages and what is carried over from the plan as it is change nothing: no verdict, and no limit."""
    evaluation = evaluated(example(name))
    found = reach_budget(evaluation)
    families: dict[str, list[Chain]] = {}
    for chain in evaluation.network.chains.values():
        families.setdefault(chain.family, []).append(chain)
    for each in found.chains:
        questions = list(_questions(evaluation.network, families[each.chain]))
        assert [asked.kind for asked in questions] == [reach.kind for reach in each.reaches]
        for asked, reach in zip(questions, each.reaches, strict=True):
            hopeless = {(one.target, one.subject) for one in in_full(evaluation, asked.altered, asked.least)}
            most = reach.most // asked.step
            held = in_full(evaluation, asked.altered, most)
            assert {(one.target, one.subject) for one in held} <= hopeless
            if reach.stopped_by:
                beyond = in_full(evaluation, asked.altered, most + 1)
                assert {one for one in beyond if (one.target, one.subject) not in hopeless} == set(
                    reach.stopped_by
                )
