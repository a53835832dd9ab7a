"""What a plan may leave out: boards, order, ends, ports follow from the rest, or a message says why not."""

from __future__ import annotations

from pathlib import Path

import pytest

import chainplan
from chainplan.plan.load import LoadedPlan, load_source
from chainplan.plan.problems import PlanError, dotted
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER, Size, starter
from chainplan.report.data import plan_data

RINGS = starter(Size(modules=16, cells=14, strings=2, ring=True))
WRITTEN = {
    "strings.main.boards": "[{type: my board, count: 16}]",
    "chains.ring.order": '["main-{n}.1..16"]',
    "chains.ring.head": '"main controller:{n}"',
    "chains.ring.back": '"main controller:{n+2}"',
    'controllers."main controller".ports': "4",
}
"""What follows for two rings, worked out by hand: heads at ports 1 and 2, backs at ports 3 and 4."""


def load(text: str, *settings: str) -> LoadedPlan:
    return load_source(parse_source(text, "plan.yaml"), Path("nowhere"), settings)


def understood(loaded: LoadedPlan) -> dict[str, str]:
    return {dotted(each.path): each.text for each in loaded.understood}


def refused(text: str) -> dict[str, str]:
    with pytest.raises(PlanError) as caught:
        load(text)
    return {each.key: each.message for each in caught.value.problems}


def test_what_is_left_out_is_what_would_have_been_written() -> None:
    loaded = load(RINGS)
    assert understood(loaded) == WRITTEN
    text = RINGS.replace("    stack:", f"    boards: {WRITTEN['strings.main.boards']}\n    stack:")
    for key in ("order", "head", "back"):
        text = text.replace("    segments:", f"    {key}: {WRITTEN[f'chains.ring.{key}']}\n    segments:")
    whole = load(text.replace("    set_up:", "    ports: 4\n    set_up:"))
    assert whole.understood == ()
    assert whole.plan == loaded.plan


def test_results_say_how_the_plan_was_understood() -> None:
    loaded = load(RINGS)
    found = plan_data(loaded, chainplan.evaluate(loaded.plan), "0")
    assert found["plan"]["understood"] == WRITTEN


def test_what_follows_follows_what_is_set() -> None:
    loaded = load(STARTER, "strings.main.stack[0].modules=3")
    assert understood(loaded)["chains.line.order"] == '["main.1..5"]'
    loaded = load(STARTER, "strings.main.boards[0].count=3", "strings.main.stack[0].modules=1")
    assert understood(loaded)["chains.line.order"] == '["main.1..3"]'
    loaded = load(STARTER, 'chains.line.order=["main.4..1"]')
    assert "chains.line.order" not in understood(loaded)


def test_loose_cells_get_boards_of_the_only_type_that_fills_them() -> None:
    text = STARTER.replace("{modules: 2, cells: 12}", "{cells: 36}")
    assert understood(load(text))["strings.main.boards"] == "[{type: my board, count: 6}]"


def test_ports_are_those_that_are_named() -> None:
    text = STARTER.replace("    segments:", "    head: main controller:upper\n    segments:")
    assert load(text).plan.controllers["main controller"].port_names() == ("upper",)


SECOND = "  second: {cell_type: my cell, stack: [{modules: 2, cells: 12}]}\ncontrollers:"
OTHER_BOARD = "board_types:\n  other: {nodes: [{type: my node, cells: 12}]}\n"


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("board_types:", OTHER_BOARD, "strings.main.boards", "several board types fit a module of 12 cells"),
        ("{modules: 2, cells: 12}", "{modules: 2, cells: 11}", "strings.main.boards", "no board type fits"),
        ("{modules: 2, cells: 12}", "{cells: 13}", "strings.main.boards", "boards of no one type fill 13"),
        ("controllers:", SECOND, "chains.line.order", "strings main, second could be meant"),
        ("  line:", "  line:\n    count: 2", "chains.line.order", "a `count` of 2, string main one of 1"),
        ("main controller:", "main controller:\n    count: 2", "chains.line.head", "several controllers"),
        ("    shape: open", "    shape: ring\n    head: main controller:1", "", ""),
        ("    set_up:", "    ports: [a]\n    set_up:", "", ""),
    ],
)  # fmt: skip
def test_what_can_be_understood_in_two_ways_is_one_error(old: str, new: str, key: str, words: str) -> None:
    before, mark, after = STARTER.partition("# --- The parts")
    text = before + mark + after.replace(old, new)
    if key:
        ((found, message),) = refused(text).items()
        assert found == key
        assert words in message
    else:
        load(text)


def test_a_ring_needs_two_free_ports() -> None:
    text = STARTER.replace("    shape: open", "    shape: ring").replace(
        "    set_up:", "    ports: 1\n    set_up:"
    )
    ((key, message),) = refused(text).items()
    assert key == "chains.line.back"
    assert "this ring does not close: controller `main controller` has no free port left" in message


def test_what_is_wrong_elsewhere_is_told_alone() -> None:
    assert set(refused(STARTER.replace("cells: 12}", "cells: twelve}"))) <= {
        "strings.main.stack[0].cells",
        "strings.main.stack[1].cells",
        "strings.main.stack[2].cells",
    }
