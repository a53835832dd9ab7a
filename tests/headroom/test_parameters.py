"""Parameters: how far and in which steps each is moved, by hand; a plan with some moved is that of a file."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest

from chainplan.chain.altered import boards_on, with_boards, with_boards_on
from chainplan.evaluation import Evaluation
from chainplan.headroom.movable import parameters
from chainplan.headroom.parameters import Boards, Move, Parameter, boards, cells, moved
from chainplan.plan.load import load_plan
from chainplan.quantity import COUNT, LENGTH, RATIO, TIME, VOLTAGE, Dimension, Span

CONFIGS = Path(__file__).parents[2] / "configs"
NS, US, MS = 10**6, 10**9, 10**12
PERCENT = int(RATIO.units["%"])
V, MM, M = 10**6, 10**6, 10**9


def evaluated(name: str, *settings: str) -> Evaluation:
    return Evaluation(load_plan(str(CONFIGS / f"{name}.yaml"), settings).plan)


@cache
def of(name: str, *settings: str) -> dict[tuple[str, str], Parameter]:
    found = parameters(evaluated(name, *settings))
    by_name = {(parameter.name, parameter.subject): parameter for parameter in found}
    assert len(by_name) == len(found)
    return by_name


BY_HAND: list[tuple[str, str, Dimension, int, int, int, int]] = [
    # four digits of a quantity are left by a grain; from one tenth, rounded up, to ten times
    ("scan period", "trolley", TIME, 100 * MS, MS // 10, 10 * MS, 1000 * MS),
    ("host set-up", "trolley", TIME, 35 * US, 10 * NS, 3500 * NS, 350 * US),
    ("conversion of open wire", "node-12", TIME, 10 * MS, 10 * US, MS, 100 * MS),
    ("barrier working voltage", "capacitor-1000", VOLTAGE, 1000 * V, V, 100 * V, 10_000 * V),
    ("barrier creepage", "capacitor-1000", LENGTH, 8 * MM, MM // 1000, 8 * MM // 10, 80 * MM),
    # two digits of a tolerance; from none to 20 %
    ("scan period tolerance", "trolley", RATIO, PERCENT // 10, PERCENT // 100, 0, 20 * PERCENT),
    ("bit rate tolerance", "sequential-pair", RATIO, PERCENT, PERCENT // 10, 0, 20 * PERCENT),
    ("retries in reserve", "trolley", COUNT, 2, 1, 0, 20),
    ("readings to debounce", "over-temperature", COUNT, 2, 1, 1, 20),
    # in steps of one per cent, up to a hundred times
    ("cable length, in proportion", "line", RATIO, 100 * PERCENT, PERCENT, 10 * PERCENT, 10_000 * PERCENT),
    ("boards on the chain", "line", COUNT, 4, 1, 1, 16),
    ("cells per node", "line", COUNT, 12, 1, 1, 12),
    # to the last altitude that IEC 60664-1:2020, table F.10 has a correction for
    ("altitude", "", LENGTH, 2000 * M, 100 * M, 0, 20_000 * M),
]


@pytest.mark.parametrize("expected", BY_HAND, ids=lambda expected: expected[0])
def test_steps_and_ends(expected: tuple[str, str, Dimension, int, int, int, int]) -> None:
    name, subject, *rest = expected
    parameter = of("rail-trolley")[name, subject]
    assert [parameter.dimension, parameter.present, parameter.grain, parameter.least, parameter.most] == rest
    assert parameter.grains(1) == (parameter.most - parameter.present) // parameter.grain
    assert parameter.grains(-1) == (parameter.present - parameter.least) // parameter.grain
    for direction in (-1, 1):
        last = parameter.value(direction * parameter.grains(direction))
        assert parameter.least <= last <= parameter.most
        assert not parameter.least <= last + direction * parameter.grain <= parameter.most


def test_what_is_beyond_the_usual_ends_stays_where_it_is() -> None:
    settings = ("controllers.trolley.retry_reserve=50", "controllers.trolley.scan_period=100 ms ± 30 %")
    parameters_there = of("rail-trolley", *settings)
    for name, present in (("retries in reserve", 50), ("scan period tolerance", 30 * PERCENT)):
        parameter = parameters_there[name, "trolley"]
        assert (parameter.present, parameter.most, parameter.grains(1)) == (present, present, 0)


def test_a_tiny_value_is_moved_by_single_ticks() -> None:
    assert of("rail-trolley", "controllers.trolley.set_up=5 ps")["host set-up", "trolley"].grain == 1


def test_an_odd_value_is_not_moved_below_its_tenth() -> None:
    parameter = of("rail-trolley", "controllers.trolley.scan_period=100.000000000001 ms")[
        "scan period", "trolley"
    ]
    assert parameter.least == 10 * MS + 1


@pytest.mark.parametrize("name", ["rail-trolley", "mine-locomotive", "storage-container", "harbour-ferry"])
@pytest.mark.parametrize("tolerances", [False, True])
@pytest.mark.parametrize("direction", [-1, 1])
def test_a_plan_with_parameters_moved_is_that_of_a_plan_file(
    name: str, tolerances: bool, direction: int
) -> None:
    """All parameters at once: each writes keys of its own, but a value and its tolerance, which are one."""
    plan = evaluated(name).plan
    settings: list[str] = []
    for parameter in of(name).values():
        if parameter.plan is None:
            assert parameter.settings(parameter.least) == ()
        elif parameter.grains(direction) and ("tolerance" in parameter.name) is tolerances:
            move = Move(parameter, parameter.value(direction))
            plan = parameter.plan(plan, move.value)
            settings += move.settings
    assert plan == evaluated(name, *settings).plan != evaluated(name).plan


def test_a_tolerance_is_widened_on_both_sides_as_the_wider_one() -> None:
    period = "controllers.trolley.scan_period={min: 99 ms, typical: 100 ms, max: 103 ms}"
    parameter = of("rail-trolley", period)["scan period tolerance", "trolley"]
    assert parameter.present == 3 * PERCENT
    assert parameter.plan is not None
    plan = parameter.plan(evaluated("rail-trolley").plan, 4 * PERCENT)
    assert plan.controllers["trolley"].scan_period == Span(96 * MS, 100 * MS, 104 * MS)
    odd = of("rail-trolley", "controllers.trolley.scan_period=33.333333333333 ms ± 1 %")
    parameter = odd["scan period tolerance", "trolley"]
    assert parameter.plan is not None
    span = parameter.plan(plan, PERCENT).controllers["trolley"].scan_period
    assert (span.typical - span.min, span.max - span.typical) == (333_333_333_333, 333_333_333_334)
    lower = "controllers.trolley.scan_period={min: 96 ms, typical: 100 ms, max: 101 ms}"
    assert of("rail-trolley", lower)["scan period tolerance", "trolley"].present == 4 * PERCENT
    assert ("scan period tolerance", "trolley") not in of(
        "rail-trolley", "controllers.trolley.scan_period=1 s"
    )


def test_all_cables_of_a_chain_are_scaled() -> None:
    parameter = of("harbour-ferry")["cable length, in proportion", "ring"]
    assert parameter.settings(150 * PERCENT) == (
        "chains.ring.segments.length=900 mm",
        "chains.ring.head_segment.length=9 m",
        "chains.ring.back_segment.length=9 m",
        "chains.ring.exceptions[6].length=2.1 m",
    )
    bare = (
        "chains.line.segments.length=0 mm", "chains.line.head_segment.length=0 mm",
    )  # fmt: skip
    assert ("cable length, in proportion", "line") not in of("rail-trolley", *bare)


def test_boards_are_added_to_all_copies() -> None:
    network = evaluated("harbour-ferry").network
    (parameter,) = boards(network, "ring", list(network.families["ring"]))
    assert (parameter.present, parameter.least, parameter.most) == (10, 1, 40)
    assert parameter.network is not None
    altered = parameter.network(network, 7)
    assert [len(boards_on(chain)) for chain in altered.chains.values()] == [7] * 4


@pytest.mark.parametrize("name", ["rail-trolley", "mine-locomotive", "storage-container", "harbour-ferry"])
def test_boards_taken_off_step_by_step_leave_what_taking_them_at_once_leaves(name: str) -> None:
    network = evaluated(name).network
    for chains in network.families.values():
        made = Boards(network, chains)
        assert made(made.present) is network
        for number in (made.present + 2, made.present - 1, 1, made.present + 1, 2):
            assert made(number) == with_boards_on(network, chains, number)


@pytest.mark.parametrize(("present", "most"), [(99, 396), (100, 400), (101, 400), (399, 400), (401, 401)])
def test_boards_are_added_up_to_a_number_of_nodes(present: int, most: int) -> None:
    network = with_boards(evaluated("rail-trolley").network, "line", present)
    (parameter,) = boards(network, "line", [network.chains["line"]])
    assert (parameter.present, parameter.most) == (present, most)


def test_of_boards_with_several_nodes_fewer_fit() -> None:
    # the container's boards carry three nodes each: 16 boards, 48 nodes
    network = with_boards(evaluated("storage-container").network, "loop", 100)
    (parameter,) = boards(network, "loop", [network.chains["loop"]])
    assert (parameter.present, parameter.most) == (100, 100 + (400 - 300) // 3)
    # a further board is one more like the last one
    chain = network.chains["loop"]
    (parameter,) = boards(network, "loop", [chain._replace(nodes=chain.nodes[:-1])])
    assert parameter.most == 100 + (400 - 300) // 2


def test_cells_are_moved_at_every_node_of_all_copies() -> None:
    network = evaluated("harbour-ferry").network
    chains = list(network.families["ring"])
    (parameter,) = cells(network, "ring", chains)
    present = {node.cells for node in network.nodes.values()}
    inputs = min(node.type.cell_inputs for node in network.nodes.values())
    assert {parameter.present} == present
    assert (parameter.least, parameter.most) == (1, inputs)
    assert parameter.network is not None
    altered = parameter.network(network, parameter.present - 2)
    assert {node.cells for node in altered.nodes.values()} == {parameter.present - 2}


def test_no_node_is_left_without_cells_or_gets_more_than_it_has_inputs() -> None:
    network = evaluated("rail-trolley").network  # of 12 inputs
    chain = network.chains["line"]
    numbers = (10, 7, 0, 9)  # a node without cells stays without
    nodes = tuple(node._replace(cells=number) for node, number in zip(chain.nodes, numbers, strict=True))
    (parameter,) = cells(network, "line", [chain._replace(nodes=nodes)])
    assert (parameter.present, parameter.least, parameter.most) == (10, 10 - 7 + 1, 10 + 12 - 10)
    bare = chain._replace(nodes=tuple(node._replace(cells=0) for node in nodes))
    assert not list(cells(network, "line", [bare]))


def test_a_segment_without_cable_is_not_scaled() -> None:
    found = of("rail-trolley", "chains.line.exceptions={3: {length: 0 mm}, 4: {connectors: []}}")
    assert found["cable length, in proportion", "line"].settings(200 * PERCENT) == (
        "chains.line.segments.length=700 mm",
        "chains.line.head_segment.length=2.4 m",
    )


def test_sizes_of_moves() -> None:
    parameter = of("rail-trolley")["scan period", "trolley"]
    assert Move(parameter, 150 * MS).size == Move(parameter, 50 * MS).size == Fraction(1, 2)
    still = of("rail-trolley", "controllers.trolley.retry_reserve=0")["retries in reserve", "trolley"]
    assert Move(still, 5).size == Fraction(5, 20)


def test_networks_are_made_of_the_plan_with_all_moves() -> None:
    evaluation = evaluated("rail-trolley")
    some = of("rail-trolley")
    moves = [
        Move(some["boards on the chain", "line"], 2),
        Move(some["cable length, in proportion", "line"], 200 * PERCENT),
        Move(some["cells per node", "line"], 7),
    ]
    for order in (moves, moves[::-1]):
        network = moved(evaluation, order).network
        chain = network.chains["line"]
        assert [node.cells for node in chain.nodes] == [7, 7]
        assert [segment.hop.length.max for segment in chain.segments] == [2400 * MM, 700 * MM]


def test_only_what_is_in_use_can_be_moved() -> None:
    names = [
        "bit rate",
        "bit rate tolerance",
        "boards on the chain",
        "cells per node",
        "cable length, in proportion",
        "scan period",
        "scan period tolerance",
        "host set-up",
        "retries in reserve",
        "evaluation period",
        "conversion of cell voltages",
        "conversion of temperatures",
        "conversion of open wire",
        "balancing current",
        *["readings to debounce"] * 5,
        "barrier working voltage",
        "barrier transient voltage",
        "barrier test voltage",
        "barrier creepage",
        "barrier clearance",
        "altitude",
    ]
    assert [name for name, _ in of("rail-trolley")] == names
    assert ("uplink bit rate", "drive") in of("mine-locomotive")
    less = of(
        "rail-trolley",
        "controllers.trolley.set_up=0 us",
        "tasks.open wire.reads=cell voltages",
        "hazards.sense wire.kind=cell over-voltage",
        "targets.monitoring=[]",
    )
    gone = {name for name, _ in of("rail-trolley")} - {name for name, _ in less}
    assert gone == {"host set-up", "conversion of open wire"}


def test_segments_without_barriers_have_no_ratings() -> None:
    bare = of("rail-trolley", "chains.line.segments={cable: twisted pair, length: 350 mm}")
    assert not [name for name, _ in bare if name.startswith("barrier")]
    assert ("altitude", "") in bare


def test_every_type_in_use_has_its_parameters_once() -> None:
    truck = of("mine-locomotive")
    subjects = {subject for name, subject in truck if name == "conversion of cell voltages"}
    assert subjects == {"node-12", "node-18"}
    assert {subject for name, subject in truck if name.startswith("barrier")} == {"capacitor-600"}
    assert {subject for name, subject in truck if name == "boards on the chain"} == {"lower", "upper"}
