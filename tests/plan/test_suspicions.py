"""Warnings: plans that load, but hold something that is seldom meant. None of them stops a plan."""

from __future__ import annotations

import pytest
from plan_texts import FULL, changed, load_text, marked

from chainplan.plan.problems import Problem

NO_BARRIER = (
    "      barrier: cap\n      near_barrier: cap\n      far_barrier: cap\n      barriers_share: false\n",
    "",
)


def warnings(*edits: tuple[str, str]) -> tuple[Problem, ...]:
    found = load_text(changed(*edits)).warnings
    assert all(problem.severity == "warning" and problem.expected for problem in found)
    return found


def warning(*edits: tuple[str, str]) -> Problem:
    (only,) = warnings(*edits)
    return only


def test_a_plan_without_slips_has_no_warnings() -> None:
    assert load_text(FULL).warnings == ()


def test_a_chain_without_barriers() -> None:
    found = warning(NO_BARRIER)
    assert found.key == "chains.ring.segments"
    where = "between the controller and the first board and between boards and on the return path"
    assert found.message == f"this chain has no barrier {where}, where potentials differ"
    assert marked(found) == "segments"


def test_barriers_at_some_hops_only() -> None:
    found = warning(NO_BARRIER, ("head_segment: {length: 1.2 m}", "head_segment: {barrier: cap}"))
    assert "no barrier between boards and on the return path," in found.message
    found = warning(NO_BARRIER, ("back_segment: {length: 1.5 m}", "back_segment: {far_barrier: cap}"))
    assert "no barrier between the controller and the first board and between boards," in found.message


def test_nodes_of_one_board_without_a_barrier_between_them() -> None:
    found = warning(("length: 30 mm, barrier: cap}", "length: 30 mm}"))
    assert found.key == "board_types.twelve.between_nodes"


def test_nodes_at_one_potential_need_no_barrier_between_them() -> None:
    # The second node of the board has no cells, so both stand at the first one's lowest cell or its top.
    edits = [
        ("- {type: six, cells: 6, temperatures: 1}", "- {type: six, cells: 0, temperatures: 1}"),
        ("near_barrier: cap, far_barrier: cap}", "insulation: functional}"),
        ("      1: {type: lower}", "      1: {type: twelve}"),
    ]
    assert warnings(*edits) == ()


def test_more_nodes_than_addresses() -> None:
    found = warning(("address_limit: 60", "address_limit: 5"))
    assert found.message == "6 nodes, but `six` knows addresses for 5 only"  # three boards of two nodes
    assert found.key == "chains.ring.order"
    assert warnings(("address_limit: 60", "address_limit: 6")) == ()


@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_reads_without_a_time_out(style: str) -> None:
    edits = [
        ("    time_out: 50 us\n", ""),
        ("read_style: summation\n    request", f"read_style: {style}\n    request"),
    ]
    across = [("    read_from: across\n", "")] if style != "summation" else []
    found = warning(*edits, *across)
    assert found.key == "protocols.wire.time_out"


def test_a_protocol_that_nothing_is_read_with_needs_no_time_out() -> None:
    spare = "protocols:\n  spare: {bit_rate: 1 Mbit/s, read_style: summation}\n"
    assert warnings(("protocols:\n", spare)) == ()


def test_a_controller_without_a_chain() -> None:
    more = "controllers:\n  idle:\n    scan_period: 1 s\n    evaluation: {period: 1 s, run_time: 1 ms}\n"
    found = warning(("controllers:\n", more + "    actuators: {contactor: {opening: 1 ms}}\n"))
    assert (found.key, found.message) == ("controllers.idle", "no chain begins at controller idle")


def test_a_ring_whose_return_path_ends_on_the_port_of_another_chain() -> None:
    found = warning(
        ("back: main:back-{n}", "back: main:back-1"),
        ("ports: [out-1, back-1, out-2, back-2]", "ports: [out-1, back-1, out-2]"),
    )
    assert found.key == "chains.ring.back"
    assert "port main:back-1 is also an end of chain `ring`" in found.message


def test_a_task_that_finds_nothing_to_read() -> None:
    found = warning(("temperatures: 2, count: 2}", "count: 2}"), ("cells: 6, temperatures: 1}", "cells: 6}"))
    assert (found.key, found.message) == ("tasks.temperatures", "this task finds nothing to read")


def test_a_sample_age_below_the_period_of_its_task() -> None:
    # 100 ms ± 0.1 % is 100.1 ms at its longest.
    found = warning(("sample_age: {cell voltages: 150 ms}", "sample_age: {cell voltages: 100 ms}"))
    assert found.key == 'targets.sample_age."cell voltages"'
    assert found.message == "this cannot be met: the task's period alone is 100.1 ms"
    assert warnings(("sample_age: {cell voltages: 150 ms}", "sample_age: {cell voltages: 100.1 ms}")) == ()


ALARM = (
    "    alarm: {check_every: 10 ms, debounce: 2, per_hop: 10 us, own_line: false,\n"
    "      conversion: cell voltages, hardware: false, repeat_every: 70 ms, lost: 1}\n",
    "",
)


def test_a_hazard_that_is_not_seen_on_every_chain() -> None:
    edit = ("chains: [ring]", "chains: [ring-1]")
    found = warning(edit, ALARM)
    assert found.key == "hazards.over-voltage"
    assert (
        found.message == "no task reads cell voltages on chain `ring-2`, so this hazard stays unknown there"
    )
    assert warnings(edit) == ()  # the nodes raise an alarm by themselves


def test_a_hazard_may_be_seen_by_several_tasks() -> None:
    second = "tasks:\n  second half: {reads: cell voltages, value: 8 bit, chains: [ring-2]}\n"
    edits = [("chains: [ring]", "chains: [ring-1]"), ALARM, ("tasks:\n", second)]
    assert len(warnings(*edits)) == 1  # the hazard names the one task
    assert warnings(*edits, ("    task: cell voltages\n", "")) == ()


@pytest.mark.parametrize(
    ("wire", "tolerance", "warned"),
    [
        # The clocks apart by half a bit at the middle of the last bit, 9.5 or 10.5 bits on: 0.5/9.5 = 5.26 %
        # or 0.5/10.5 = 4.76 % in all (common practice, no source), half of it each.
        ("10 bit", "2.56 %", False),
        ("10 bit", "2.57 %", True),
        ("11 bit", "2.32 %", False),
        ("11 bit", "2.33 %", True),
        ("8 bit", "10 %", False),  # clocked: no start bit to count from
    ],
)
def test_clocks_that_lose_each_other_within_a_character(wire: str, tolerance: str, warned: bool) -> None:
    edits = [("wire: 10 bit", f"wire: {wire}"), ("2 Mbit/s ± 1 %\n", f"2 Mbit/s ± {tolerance}\n")]
    found = [each for each in warnings(*edits) if "lose each other" in each.message]
    assert bool(found) is warned
