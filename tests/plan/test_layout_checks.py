"""Strings, boards and chains fit: every cell on one board, every board on one chain, rings closed."""

from __future__ import annotations

import pytest
from plan_texts import changed, load_text, marked, only, problems, spot

# Two strings of 36 cells on three boards each, one ring a string, without the second string's own ring.
PLAN = """\
chainplan: 1
title: two strings, one ring each
cell_types: {cell: {voltage: 3 V}}
node_types: {node: {cell_inputs: 12, forwarding: {downstream: 0 s, upstream: 0 s}}}
board_types:
  board: {nodes: [{type: node, cells: 12}]}
  small: {nodes: [{type: node, cells: 11}]}
  bridge: {nodes: [{type: node, cells: 0}]}
cable_types: {cable: {velocity: 0.6 c}}
barrier_types: {barrier: {kind: optical, working_voltage: 1 kV}}
protocols: {wire: {bit_rate: 1 Mbit/s, read_style: summation, time_out: 1 ms}}
strings:
  s:
    count: 2
    cell_type: cell
    stack: [{modules: 3, cells: 12}]
    boards: [{type: board, count: 3}]
controllers:
  c: {ports: [a-1, b-1, a-2, b-2], scan_period: 1 s, evaluation: {period: 1 s, run_time: 1 ms}}
  d: {ports: 2, scan_period: 1 s, evaluation: {period: 1 s, run_time: 1 ms}}
chains:
  r:
    count: 2
    shape: ring
    head: c:a-{n}
    back: c:b-{n}
    protocol: wire
    order: ["s-{n}.1..3"]
    segments: {cable: cable, length: 1 m, barrier: barrier}
tasks: {}
"""


SAME_BOARDS = "every copy of this chain names the same boards: {n} stands for its number"


def message(*edits: tuple[str, str]) -> str:
    return only(*edits, text=PLAN).message


def messages(*edits: tuple[str, str]) -> list[str]:
    return sorted(problem.message for problem in problems(changed(*edits, text=PLAN)))


def loads(*edits: tuple[str, str]) -> bool:
    return bool(load_text(changed(*edits, text=PLAN)))


ORDER = 'order: ["s-{n}.1..3"]'
BOARDS = "boards: [{type: board, count: 3}]"


def test_the_plan_itself_is_right() -> None:
    assert loads()


# --- every cell on one board


@pytest.mark.parametrize(
    ("boards", "words"),
    [
        ("[{type: board, count: 2}]", "cells 25 to 36 are monitored by no board (cell 1 is at HV-)"),
        ("[{type: board, count: 2}, {type: small}]", "cell 36 is monitored by no board (cell 1 is at HV-)"),
        (
            "[{type: small}, {type: board, count: 2, first_cell: 13}]",
            "cell 12 is monitored by no board (cell 1 is at HV-)",
        ),
        ("[{type: board, count: 4}]", "this board would monitor cells 37 to 48; the string has 36"),
        (
            "[{type: board, count: 3, first_cell: 2}]",
            "this board would monitor cells 26 to 37; the string has 36",
        ),
        (
            "[{type: board, count: 3}, {type: small, first_cell: 25}]",
            "cells 25 to 35 are monitored by two boards",
        ),
        (
            "[{type: board, count: 3}, {type: board, first_cell: 25}]",
            "cells 25 to 36 are monitored by two boards",
        ),
        (
            "[{type: board, count: 3}, {type: bridge, first_cell: 99}]",
            "this board would monitor from cell 99 on; the string has 36",
        ),
    ],
)
def test_cells_on_no_board_or_on_two(boards: str, words: str) -> None:
    found = problems(changed((BOARDS, f"boards: {boards}"), text=PLAN))
    (problem,) = [each for each in found if "cell" in each.message]
    assert problem.message == words
    assert problem.key.startswith("strings.s.boards")


def test_boards_need_not_stand_in_the_order_of_their_cells() -> None:
    assert loads((BOARDS, "boards: [{type: board, first_cell: 25}, {type: board, count: 2, first_cell: 1}]"))


def test_a_board_without_cells_is_a_bridge() -> None:
    assert loads(
        (BOARDS, "boards: [{type: board, count: 3}, {type: bridge}]"), (ORDER, 'order: ["s-{n}.1..4"]')
    )


def test_an_exception_shifts_the_boards_above_it() -> None:
    edit = (BOARDS, BOARDS + "\n    exceptions: {2: {type: small}}")
    assert message(edit) == "cell 36 is monitored by no board (cell 1 is at HV-)"


@pytest.mark.parametrize("position", ["4", '"4"', "99999"])
def test_exceptions_at_positions_that_do_not_exist(position: str) -> None:
    problem = only((BOARDS, f"{BOARDS}\n    exceptions: {{{position}: {{type: board}}}}"), text=PLAN)
    assert problem.message == "the string has no board at this position"
    assert problem.expected == "a board position, 1 to 3"
    assert marked(problem) == position


@pytest.mark.parametrize("position", ["0", "-1", "two", "1.5", "1..2", "100001", '" 1"', '"１"'])
def test_keys_that_are_no_positions(position: str) -> None:
    found = problems(
        changed((BOARDS, f"{BOARDS}\n    exceptions: {{{position}: {{type: board}}}}"), text=PLAN)
    )
    assert len(found) == 1
    assert "position" in found[0].message or "a key must be" in found[0].message
    assert marked(found[0]) == position


@pytest.mark.parametrize(
    ("stack", "words"),
    [
        ("[{fuse: F}]", "this string has no cells"),
        ("[{modules: 3}, {cells: 36}]", "this step of the stack has no cells and cannot open"),
        ("[{}, {cells: 36}]", "this step of the stack has no cells and cannot open"),
        ("[{fuse: F, joint: J}, {cells: 36}]", "one thing"),
        ("[{fuse: F, cells: 36}, {cells: 36}]", "one thing"),
        ("[{cells: 36, allowance: 20 V}]", "`allowance`"),
        ("[{fuse: F}, {cells: 36}, {joint: F}]", "two places that can open have this name"),
    ],
)
def test_steps_of_a_stack(stack: str, words: str) -> None:
    assert words in message(("stack: [{modules: 3, cells: 12}]", f"stack: {stack}"))


# --- every board on one chain


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        ('["s-{n}.1..3", "s-{n}.2"]', ["board s-1.2 is named twice"]),
        ('["s-{n}.1..2", "s-{n}.2..3"]', ["board s-1.2 is named twice"]),
        ('["s-{n}.1..2"]', ["no chain names board s-1.3"]),
        ('["s-{n}.1", "s-{n}.1"]', ["board s-1.1 is named twice", "no chain names board s-1.2, s-1.3"]),
        ('["s-{n}.1..4"]', ["string `s-1` has boards 1 to 3"]),
        ('["s-{n}.0..2"]', ["string `s-1` has boards 1 to 3"]),
        ('["s-{n}.1..3", "s-1.1"]', ["board s-1.1 is named twice"]),
        ('["s-1.1..3"]', [SAME_BOARDS]),
        ('["t-{n}.1..3"]', ["no string has this name"]),
        ('["s.1..3"]', [SAME_BOARDS, "no string has this name"]),
        ('["s-{n}.1-3"]', ["this does not name boards"]),
        ('["s-{n}"]', ["this does not name boards"]),
        ('["s-{n}.1...3"]', ["no string has this name"]),
        ('["s-{n}.1..3 sideways"]', ["this does not name boards"]),
        ('["s-{n}.1..9999999999"]', ["this does not name boards"]),
        ('["{n}"]', ["this does not name boards"]),
        ("[7]", [SAME_BOARDS, "this does not name boards"]),
    ],
)  # fmt: skip
def test_what_a_chain_names(order: str, expected: list[str]) -> None:
    assert messages((ORDER, f"order: {order}")) == expected


def test_a_board_on_two_chains_is_told_with_the_other_chain() -> None:
    segments = "{cable: cable, length: 1 m}"
    other = f"  other: {{head: d:1, protocol: wire, order: [s-2.3..1], segments: {segments}}}\ntasks"
    assert message(("tasks", other)) == "board s-2.3 is named twice, first in chain `r`"


def test_many_boards_left_out_are_not_all_listed() -> None:
    edits = (BOARDS, "boards: [{type: board, count: 3}, {type: bridge, count: 20}]")
    assert message(edits) == (
        "no chain names board s-1.4, s-1.5, s-1.6, s-1.7, s-1.8, s-1.9, s-1.10, s-1.11 and 12 more"
    )


@pytest.mark.parametrize(
    "order", ['"s-{n}.3..1"', '"s-{n}.1 down", "s-{n}.2..3 up"', '" s-{n}.2 ", "s-{n}.3", "s-{n}.1"']
)
def test_other_ways_along_the_string(order: str) -> None:
    if '" s' in order:  # blanks at the ends of a text are refused, not guessed at
        assert "blanks" in message((ORDER, f"order: [{order}]"))
    else:
        assert loads((ORDER, f"order: [{order}]"))


@pytest.mark.parametrize("position", ["5", "0", "x"])
def test_exceptions_for_hops_that_do_not_exist(position: str) -> None:
    problem = only((ORDER, f"{ORDER}\n    exceptions: {{{position}: {{length: 2 m}}}}"), text=PLAN)
    assert marked(problem) == position
    if position == "5":
        assert problem.message == "the chain has no such hop"
        assert problem.expected == "the hop to a board, 1 to 3, or 4 for the return path"
    assert loads((ORDER, f"{ORDER}\n    exceptions: {{4: {{length: 2 m}}}}"))


# --- ends of chains


BACK = "    back: c:b-{n}\n"
ACROSS = ("    protocol: wire", "    read_from: across\n    protocol: wire")


@pytest.mark.parametrize(
    ("edits", "words", "key"),
    [
        ([(BACK, "")], "this ring does not close: controller `c` has no free 2 ports", "back"),
        ([("c:b-{n}", "c:a-{n}")], "this ring does not close: both its ends are on one port", "back"),
        ([("c:b-{n}", "d:{n}")], "comes back to one controller", "back"),
        ([("shape: ring", "shape: open")], "an open chain has no return path", "back"),
        ([("shape: ring", "back_segment: {length: 2 m}"), (BACK, "")], "no return path", "back_segment"),
        ([("c:a-{n}", "c:x-{n}")], "no controller has this port", "head"),
        ([("c:a-{n}", "x:a-{n}")], "no controller has this port", "head"),
        ([("    count: 2\n    shape", "    count: 3\n    shape")], "no controller has this port", "head"),
        ([("c:a-{n}", "c")], "this is not a port", "head"),
        ([("c:a-{n}", '"c:"')], "this is not a port", "head"),
        ([("c:a-{n}", '":a-1"')], "this is not a port", "head"),
        (
            [ACROSS, ("style: summation", "style: polled, request: 1 byte")],
            "only a summation frame",
            "read_from",
        ),
        ([ACROSS, ("    shape: ring\n", ""), (BACK, "")], "only a ring can be read across", "read_from"),
    ],
)
def test_ends_that_do_not_fit(edits: list[tuple[str, str]], words: str, key: str) -> None:
    found = [each for each in problems(changed(*edits, text=PLAN)) if each.key == f"chains.r.{key}"]
    assert len(found) == 1
    assert words in found[0].message
    assert found[0].expected


def test_a_controller_in_place_of_a_port_is_told_its_ports() -> None:
    (found,) = (
        each for each in problems(changed(("c:a-{n}", "c"), text=PLAN)) if each.key == "chains.r.head"
    )
    assert (found.nearest or "").startswith("c:a-1 or ")


def test_chains_may_share_a_port() -> None:
    assert loads(("c:a-{n}", "c:a-1"))


# --- copies


def test_copies_do_not_take_other_names() -> None:
    strings = "  s-2: {cell_type: cell, stack: [{cells: 12}], boards: [{type: board}]}\n  s:\n"
    assert "with all copies there are two strings of the name `s-2`" in messages(("  s:\n", strings))
    assert "with all copies there are two controllers of the name `c-2`" in messages(
        (
            "  c: {ports",
            "  c-2: {scan_period: 1 s, evaluation: {period: 1 s, run_time: 1 ms}}\n  c: {count: 2, ports",
        )
    )


@pytest.mark.parametrize("section", ["strings", "controllers", "chains"])
def test_a_plan_needs_each_of_its_main_parts(section: str) -> None:
    start, rest = PLAN.split(f"{section}:\n")
    after = rest.split("\n", 1)[1]
    while after.startswith(" "):
        after = after.split("\n", 1)[1]
    found = problems(f"{start}{section}: {{}}\n{after}")
    assert any("a plan needs at least one" in problem.message and problem.key == section for problem in found)


def test_what_refers_to_a_refused_name_is_not_refused_too() -> None:
    text = PLAN.replace("  s:\n", '  "s.t":\n').replace("s-{n}", "s.t-{n}").replace("  c: {", '  "c:d": {')
    found = problems(text.replace("c:a-{n}", "c:d:a-{n}").replace("c:b-{n}", "c:d:b-{n}"))
    assert sorted(problem.key for problem in found) == ['controllers."c:d"', 'strings."s.t"']


def test_mistakes_in_one_part_do_not_hide_those_in_another() -> None:
    found = problems(
        changed(
            ("cell_type: cell", "cell_type: cel"),
            (BOARDS, "boards: [{type: board, count: 2}, {type: small}]"),
            (ORDER, 'order: ["s-{n}.1..2", "s-{n}.2"]'),
            ("length: 1 m", "length: 1"),
            ("back: c:b-{n}", "back: c:e-{n}"),
            text=PLAN,
        )
    )
    assert sorted(problem.message for problem in found) == [
        '1 has no unit; write for example "350 mm"',
        "board s-1.2 is named twice",
        "cell 36 is monitored by no board (cell 1 is at HV-)",
        "no cell type has this name",
        "no chain names board s-1.3",
        "no controller has this port",
    ]
    assert all(spot(problem)[0] > 11 for problem in found)
