"""Altered networks against networks built anew from a plan that says the same."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import plan_data

from chainplan.chain.altered import boards_on, most_cells_added, with_boards, with_cells, with_lengths
from chainplan.chain.build import build_network
from chainplan.chain.network import Network
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.quantity import Span

CONFIGS = Path(__file__).parent.parent.parent / "configs"
METRE = 10**9


def data_of(name: str) -> dict[str, Any]:
    data: Any = load_plan(CONFIGS / f"{name}.yaml").sources.data
    return dict(deepcopy(data))


def built(data: dict[str, Any]) -> Network:
    return build_network(Plan.model_validate(data))


def same(one: Network, other: Network) -> None:
    assert one.strings == other.strings
    assert one.chains.keys() == other.chains.keys()
    for name, chain in one.chains.items():
        assert chain.nodes == other.chains[name].nodes
        assert chain.segments == other.chains[name].segments
    assert one.nodes == other.nodes
    chains = [[chain.name for chain in each.chains] for each in one.controllers.values()]
    assert chains == [[chain.name for chain in each.chains] for each in other.controllers.values()]


def trolley(boards: int, modules_above: int) -> Network:
    data = data_of("rail-trolley")
    main = data["strings"]["main"]
    main["boards"] = [{"type": "board-12", "count": boards}]
    main["stack"][2] = {"modules": modules_above, "cells": 12}
    data["chains"]["line"]["order"] = [f"main.1..{boards}"]
    return built(data)


@pytest.mark.parametrize("boards", [3, 4, 5, 9])
def test_boards_at_the_upper_end_are_those_of_a_longer_plan(boards: int) -> None:
    same(with_boards(trolley(4, 2), "line", boards), trolley(boards, boards - 2))


def test_a_break_collapses_onto_what_is_left() -> None:
    # Two boards fewer: the service plug in the middle now lies right below the main fuse at the top.
    left = with_boards(trolley(4, 2), "line", 2)
    assert [opening.cells_below for opening in left.strings["main"].breaks] == [24, 24]
    assert left.strings["main"].taps == trolley(4, 2).strings["main"].taps[:25]
    last = with_boards(trolley(4, 2), "line", 1)
    assert [opening.cells_below for opening in last.strings["main"].breaks] == [12, 12]


def walked_down(boards: int) -> Network:
    """A chain from the top of a string of 18-cell boards to the bottom, which carries the fuse."""
    data = data_of("harbour-ferry")
    bank = data["strings"]["bank"]
    bank["count"] = 1
    bank["boards"] = [{"type": "board-18", "count": boards}]
    bank["stack"] = [{"fuse": "lower fuse"}, {"modules": boards - 5, "cells": 18}, *bank["stack"][2:]]
    ring = data["chains"]["ring"]
    ring.update(
        count=1, head="bridge:out-1", back="bridge:back-1", order=[f"bank.{boards}..1"], exceptions={}
    )
    data["targets"] = {}
    return built(data)


def test_a_walk_downward_goes_on_at_the_bottom() -> None:
    """All but the names: a plan numbers its boards from the bottom, so every one gets a new number."""
    altered, planned = with_boards(walked_down(10), "ring", 12), walked_down(12)
    string, other = altered.strings["bank"], planned.strings["bank"]
    assert (string.taps, string.empty, string.breaks) == (other.taps, other.empty, other.breaks)
    for one, two in zip(altered.chains["ring"].nodes, planned.chains["ring"].nodes, strict=True):
        assert (one.first_cell, one.reference, one.top) == (two.first_cell, two.reference, two.top)
    hops = [segment.hop for segment in altered.chains["ring"].segments]
    assert hops == [segment.hop for segment in planned.chains["ring"].segments]
    near = [segment.near for segment in altered.chains["ring"].segments]
    assert near[1:] == [segment.far for segment in altered.chains["ring"].segments][:-1]


def test_two_boards_are_enough_to_tell_which_way_a_chain_walks() -> None:
    """Cut down to two boards and made longer again, a walk downward is the one cut down less far."""
    direct = with_boards(walked_down(10), "ring", 4)
    again = with_boards(with_boards(walked_down(10), "ring", 2), "ring", 4)
    assert again.strings["bank"].taps == direct.strings["bank"].taps
    places = [
        [(node.first_cell, node.reference, node.top) for node in network.chains["ring"].nodes]
        for network in (again, direct)
    ]
    assert places[0] == places[1]
    assert [first for first, _, _ in places[0]] == [54, 36, 18, 0]


def test_other_chains_on_the_string_move_up() -> None:
    data = data_of("mine-locomotive")
    network = built(data)
    more = with_boards(network, "lower", 8)  # two boards of 12 cells between the two chains
    for before, after in zip(network.chains["upper"].nodes, more.chains["upper"].nodes, strict=True):
        assert after.first_cell == before.first_cell + 24
        assert after.reference == before.reference + 24 * 4_200_000
    opening = [each.cells_below for each in more.strings["main"].breaks]
    assert opening == [96, 72 + 24 + 108]  # the service plug stays above the new boards


def test_boards_of_several_nodes_keep_their_inner_hops() -> None:
    network = built(data_of("storage-container"))
    more = with_boards(network, "loop", 17)
    inner = [segment.hop.cable for segment in more.chains["loop"].segments[-3:]]
    assert inner == ["twisted pair", "board trace", "board trace"]
    assert more.chains["loop"].segments[-3].hop == network.chains["loop"].segments[3].hop
    assert [node.first_cell for node in more.chains["loop"].nodes[-3:]] == [34, 17, 0]


def test_lengths_are_those_of_a_plan_with_these_lengths() -> None:
    data = data_of("harbour-ferry")
    longer = with_lengths(
        built(data), lambda segment: Span.exact(9 * METRE) if segment.number in (1, 6, 11) else None
    )
    ring = data["chains"]["ring"]
    for each in (ring["head_segment"], ring["back_segment"], ring["exceptions"][6]):
        each["length"] = "9 m"
    same(longer, built(data))


def test_no_board_is_no_chain() -> None:
    with pytest.raises(ValueError, match="at least one board"):
        with_boards(trolley(4, 2), "line", 0)


def ending_without_cells(boards: int) -> Network:
    data = data_of("rail-trolley")
    temperatures = {"type": "node-12", "cells": 0, "temperatures": 2}
    data["board_types"]["mixed"] = {
        "nodes": [{"type": "node-12", "cells": 12}, temperatures],
        "between_nodes": {"cable": "board trace", "length": "30 mm", "barrier": "capacitor-1000"},
    }
    data["strings"]["main"]["boards"] = [{"type": "mixed", "count": boards}]
    data["strings"]["main"]["stack"] = [{"modules": boards, "cells": 12}]
    data["chains"]["line"]["order"] = [f"main.1..{boards}"]
    return built(data)


def test_a_node_without_cells_at_the_upper_end_stays_with_its_board() -> None:
    same(with_boards(ending_without_cells(2), "line", 4), ending_without_cells(4))


@settings(max_examples=15, deadline=None)
@given(plan_data(), st.integers(1, 4), st.data())
def test_boards_added_and_taken_off_again_leave_the_network_as_it_was(
    data: dict[str, Any], more: int, draw: st.DataObject
) -> None:
    network = built(data)
    name = draw.draw(st.sampled_from(sorted(network.chains)))
    boards = len(boards_on(network.chains[name]))
    grown = with_boards(network, name, boards + more)
    assert len(boards_on(grown.chains[name])) == boards + more
    for chain in grown.chains.values():
        for node in chain.nodes:
            string = grown.strings[node.string]
            assert node.reference == string.taps[node.first_cell]
            assert node.top == string.taps[node.first_cell + node.cells]
    same(with_boards(grown, name, boards), network)


def trolley_of(cells: int) -> Network:
    data = data_of("rail-trolley")
    for node in data["board_types"]["board-12"]["nodes"]:
        node["cells"] = cells
    for number in (0, 2):
        data["strings"]["main"]["stack"][number]["cells"] = cells
    return built(data)


@pytest.mark.parametrize(("now", "then"), [(12, 12), (12, 11), (12, 1), (7, 12), (7, 6), (3, 4)])
def test_cells_at_every_node_are_those_of_a_plan_with_as_many(now: int, then: int) -> None:
    same(with_cells(trolley_of(now), "line", then - now), trolley_of(then))


def ferry_of(cells: int) -> Network:
    data = data_of("harbour-ferry")
    for node in data["board_types"]["board-18"]["nodes"]:
        node["cells"] = cells
    for number in (1, 3):
        data["strings"]["bank"]["stack"][number]["cells"] = cells
    return built(data)


@pytest.mark.parametrize("then", [17, 9, 1])
def test_cells_of_one_chain_leave_the_other_strings_alone(then: int) -> None:
    altered = ferry_of(18)
    for chain in altered.chains:
        altered = with_cells(altered, chain, then - 18)
    same(altered, ferry_of(then))


def test_a_break_within_a_node_s_cells_stays_within_or_at_their_lower_end() -> None:
    data = data_of("rail-trolley")
    stack = data["strings"]["main"]["stack"]
    stack[0:1] = [{"cells": 10}, {"disconnect": "inside", "allowance": "20 V"}, {"cells": 14}]
    altered = with_cells(built(data), "line", -4)
    (inside,) = (opening for opening in altered.strings["main"].breaks if opening.name == "inside")
    assert inside.cells_below == 8  # the cells 9 and 10 below it were taken off


@pytest.mark.parametrize("more", [-12, 1, 100])
def test_cells_that_no_node_can_have_are_refused(more: int) -> None:
    with pytest.raises(ValueError, match="at least one cell"):
        with_cells(trolley_of(12), "line", more)


def test_most_cells_added_are_the_free_inputs() -> None:
    assert most_cells_added(trolley_of(7).chains["line"]) == 5
