"""Isolation by hand: voltages from Kirchhoff's laws.

Unless said otherwise a pack is one string of six modules of 67.2 V (16 cells of 4.2 V), one board each. The
whole circuit is solved by nodal analysis in test_isolation_nodal.py; strings that were worked out apart
from the project are in test_isolation_worked.py.
"""

from __future__ import annotations

import pytest
from isolation_packs import (
    BARRIER,
    LEAK,
    SIX,
    PlannedNetwork,
    Stack,
    case,
    cases,
    isolation_of,
    pack,
    segments,
    volts,
)

from chainplan.chain.potentials import Potentials

# Hand calculation with Kirchhoff's voltage law; the opened string's -336.0 V and 403.2 V are the textbook
# case of a series string with a discharged link: U_break = V_link - S, references differ by Vm - S.


def test_open_disconnect_reverses_the_voltage_next_to_it() -> None:
    network = pack()
    beside = segments(network)[3]
    assert (beside.references.voltage, beside.conductors.voltage) == (volts("336 V"), volts("403.2 V"))
    assert beside.references.situation.name == "MSD of S open, DC link discharged"
    opened = case(network, 4, "MSD")
    assert opened.references.total == -volts("336 V")
    assert [(term.label, term.amount) for term in opened.references.terms] == [
        ("reference of S.4", volts("201.6 V")),
        ("string voltage of S", -volts("403.2 V")),
        ("reference of S.3", -volts("134.4 V")),
    ]
    assert abs(opened.conductors.total) == volts("403.2 V")


@pytest.mark.parametrize("modules_below", range(1, 6))
def test_reversed_voltage_does_not_depend_on_where_the_string_opens(modules_below: int) -> None:
    stack: Stack = [
        {"modules": modules_below, "cells": 16},
        {"fuse": "F"},
        {"modules": 6 - modules_below, "cells": 16},
    ]
    found = segments(pack(stack))
    for number, segment in enumerate(found[1:], start=1):
        expected = ("336 V", "403.2 V") if number == modules_below else ("67.2 V", "134.4 V")
        assert (segment.references.voltage, segment.conductors.voltage) == tuple(map(volts, expected))


def test_without_a_break_neighbours_see_one_module_and_their_conductors_two() -> None:
    for segment in segments(pack([{"modules": 6, "cells": 16}]))[1:]:
        assert segment.references == (volts("67.2 V"), ("intact", "", "", -1))
        assert segment.conductors.voltage == volts("134.4 V")


def test_breaks_beside_a_segment_are_one_case_as_intact() -> None:
    stack: Stack = [{"fuse": "F1"}, *SIX, {"fuse": "F2"}]
    network = pack(stack)
    found = [stress.case for stress in cases(network, network.chains["C"].segments[1])]
    assert found == ["intact", "any of 3 breaks of S open"]
    assert case(network, 4, "any of 2 other breaks").references.total == volts("67.2 V")


def test_head_segment_of_an_unbroken_string_sees_the_further_pole() -> None:
    network = pack([{"modules": 6, "cells": 16}], order=["S.3", "S.1", "S.6"], ring=True)
    first, *_, back = segments(network)
    # S.3 stands at 134.4 V of 403.2 V: 268.8 V below HV+. S.6 stands at 336 V, its top at 403.2 V.
    assert (first.references.voltage, first.references.situation.name) == (
        volts("268.8 V"),
        "earth fault at HV+ of S",
    )
    assert (back.references.voltage, back.conductors.voltage) == (volts("336 V"), volts("403.2 V"))
    assert back.references.situation.name == "earth fault at HV- of S"
    assert case(network, 1, "fault at HV-").references.total == volts("134.4 V")


def test_fault_at_the_edge_of_an_open_disconnect_brings_the_string_voltage_to_chassis() -> None:
    found = segments(pack(order=["S.4", "S.3"], ring=True))
    # S.4 stands just above the break: its reference carries all 403.2 V, in the whole string at most 201.6 V.
    assert found[0].references.voltage == found[0].conductors.voltage == volts("403.2 V")
    # S.3 ends just below it: its reference is a module further from the upper edge, its top is not.
    assert (found[2].references.voltage, found[2].conductors.voltage) == (volts("336 V"), volts("403.2 V"))
    assert (
        found[2].references.situation.name
        == "MSD of S open, DC link discharged, earth fault at an edge of it"
    )


def test_the_edge_of_a_break_that_the_fault_is_at_is_said_by_the_terms() -> None:
    # Head segment of the lowest board: the near edge of a break at 268.8 V brings 268.8 V, the far one
    # 403.2 V less that. A pole brings more than either.
    stack: Stack = [{"modules": 4, "cells": 16}, {"disconnect": "MSD"}, {"modules": 2, "cells": 16}]
    network = pack(stack, order=["S.1"])
    found = case(network, 1, "MSD of S open, DC link discharged, earth fault at an edge of it").references
    assert abs(found.total) == volts("268.8 V")
    assert "lower edge of MSD at chassis" in {term.label for term in found.terms}
    assert segments(network)[0].references.situation.name == "earth fault at HV+ of S"


def test_leakage_alone_places_chassis() -> None:
    # Kirchhoff at chassis: R+ 1 Mohm, R- 250 kohm: -80.64 V to 322.56 V; both equal: -201.6 V to 201.6 V.
    network = pack(string={"leakage": LEAK}, order=["S.1", "S.6"], ring=True)
    assert case(network, 1, "intact").references.total == -volts("80.64 V")
    # The controller is the far end of the way back, so the sign turns.
    assert case(network, 3, "intact").conductors.total == -volts("322.56 V")
    equal = pack(string={"leakage": {"positive": "1 Mohm", "negative": "1 Mohm"}})
    assert case(equal, 1, "intact").references.total == -volts("201.6 V")


def test_allowance_comes_on_top_of_the_string_voltage() -> None:
    stack: Stack = [SIX[0], {"fuse": "F", "allowance": {"min": "50 V", "max": "120 V"}}, SIX[2]]
    head, _, _, beside, *_ = segments(pack(stack, order=["S.4", "S.1..3", "S.5..6"]))
    assert head.references.voltage == volts("523.2 V")
    network = pack(stack)
    beside = segments(network)[3]
    assert (beside.references.voltage, beside.conductors.voltage) == (volts("456 V"), volts("523.2 V"))
    assert ("allowance of F", -volts("120 V")) in [
        (term.label, term.amount) for term in case(network, 4, "F of S").references.terms
    ]


def two_strings(leakage: dict[str, str] | None) -> PlannedNetwork:
    return pack(
        string={"count": 2, **({"leakage": leakage} if leakage else {})}, order=["S-1.1..6", "S-2.1..6"]
    )


def test_strings_in_parallel_with_contactors_closed_share_their_poles() -> None:
    network = two_strings(LEAK)
    # S-1.6 at 336 V, S-2.1 at 0 V.
    assert case(network, 7, "intact").references.total == -volts("336 V")


def test_floating_strings_with_one_earth_fault() -> None:
    network = two_strings(LEAK)
    # Fault at HV- of S-1: S-1.6 at 336 V; S-2.1 at -80.64 V by leakage (see above).
    assert case(network, 7, "contactors open, earth fault at HV- of S-1").references.total == -volts(
        "416.64 V"
    )
    # Fault at HV+ of S-2: S-2.1 at -403.2 V; S-1.6 at 336 - 80.64 V.
    assert case(network, 7, "fault at HV+ of S-2").references.total == -volts("658.56 V")


def test_open_disconnect_of_one_string_leaves_the_other_at_either_pole() -> None:
    network = pack(string={"count": 2, "leakage": LEAK}, order=["S-1.6", "S-2.6", "S-2.1", "S-1.1"])
    # Minus poles common, S-1.6 above its open break: 336 - 403.2 V, against S-2.6 at 336 V as always.
    assert case(network, 2, "MSD of S-1 open").references.total == volts("403.2 V")
    # Plus poles common, S-1.1 below its open break: at the joined poles, S-2.1 403.2 V below them.
    assert case(network, 4, "MSD of S-1 open").references.total == volts("403.2 V")


def test_unknown_leakage_is_taken_at_its_worst_and_said() -> None:
    network = two_strings(None)
    budget = isolation_of(network)
    worst = budget.chains["C"].segments[6]
    # S-1.6 up to its own 336 V, S-2.1 down to -403.2 V with the fault at its HV+.
    assert worst.references.voltage == volts("739.2 V")
    assert "leakage of S-1" in case(network, 7, "fault at HV+ of S-2").note
    assert [note.split(" is ")[0] for note in budget.notes] == [
        "leakage of string S-1",
        "leakage of string S-2",
    ]
    assert isolation_of(two_strings(LEAK)).notes == ()


def test_leakage_that_is_not_known_exactly_lets_chassis_wander() -> None:
    # R+ 1 to 2 Mohm, R- 1 Mohm: chassis stands above HV- by a third to a half of 403.2 V (current law), so
    # HV+ by 201.6 to 268.8 V above it and HV- by 134.4 to 201.6 V below it.
    leakage = {"positive": "1 Mohm .. 2 Mohm", "negative": "1 Mohm"}
    floating = Potentials(pack(string={"leakage": leakage}).strings).floating["S"]
    assert (floating.highest(96), floating.lowest(96)) == (volts("268.8 V"), volts("201.6 V"))
    assert (floating.highest(0), floating.lowest(0)) == (-volts("134.4 V"), -volts("201.6 V"))


def test_a_fault_in_one_floating_string_and_the_other_anywhere() -> None:
    # S leaks alike at both poles, of T nothing is known. S.6 with HV- of S at chassis: its top at 403.2 V;
    # T.1 may then stand 403.2 V below chassis. The other way round: T with HV+ at chassis has T.1 at
    # -403.2 V, and the top of S.6 201.6 V above chassis by its leakage. The first is the worst.
    boards = [{"type": f"board{number}"} for number in range(6)]
    second = {"T": {"cell_type": "cell", "stack": [{"modules": 6, "cells": 16}], "boards": boards}}
    network = pack(
        [{"modules": 6, "cells": 16}],
        string={"leakage": {"positive": "1 Mohm", "negative": "1 Mohm"}},
        strings=second,
        order=["S.6", "T.1"],
    )
    crossing = segments(network)[1]
    assert crossing.conductors.voltage == volts("806.4 V")
    assert crossing.conductors.situation.name == "contactors open, earth fault at HV- of S"


def test_floating_strings_need_not_be_equally_charged() -> None:
    network = pack(
        cell="2.8 V .. 4.2 V",
        string={"count": 2, "leakage": {"positive": "1 Mohm", "negative": "1 Mohm"}},
        order=["S-1.4", "S-2.4"],
    )
    # Both references at mid-string: full, both float at 0 V. Fault at HV- of full S-1: 201.6 V; S-2 with its
    # lower half empty (134.4 V) and its upper half full: (134.4 - 201.6) / 2.
    faulty = case(network, 2, "fault at HV- of S-1")
    assert faulty.references.total == -volts("201.6 V") - volts("33.6 V")


def test_a_board_that_straddles_a_break_is_flagged_with_the_voltage_it_sees() -> None:
    stack: Stack = [
        {"cells": 4},
        {"joint": "J1", "allowance": "10 V"},
        {"cells": 8},
        {"joint": "J2"},
        {"cells": 12},
    ]
    budget = isolation_of(pack(stack, boards=[[6, 6], [6, 6]]))
    (found,) = budget.straddled  # J2 lies between the boards
    assert (found.board, found.node, found.opening.name) == ("S.1", "S.1/1", "J1")
    assert found.voltage == volts("110.8 V")  # 24 cells and the allowance
    between_nodes = isolation_of(pack([{"cells": 6}, {"fuse": "F"}, {"cells": 6}], boards=[[6, 6]]))
    assert [(each.board, each.node) for each in between_nodes.straddled] == [("S.1", "")]
    assert isolation_of(pack()).straddled == ()


def test_nodes_of_a_straddling_board_follow_their_own_side() -> None:
    network = pack([{"cells": 6}, {"fuse": "F"}, {"cells": 6}], boards=[[6, 6]])
    inside = segments(network)[1]
    # 12 cells are 50.4 V: the nodes' references differ by 25.2 V, with the break open by 25.2 - 50.4 V.
    assert inside.references.voltage == volts("25.2 V")
    assert case(network, 2, "F of S open").references.total == -volts("25.2 V")
    assert inside.conductors.voltage == volts("50.4 V")


def test_a_straddling_node_keeps_the_reference_of_its_lower_end() -> None:
    # S.2 has cells 17 to 32, the break lies over cell 20: its reference stays below, its top moves down.
    stack: Stack = [{"cells": 20}, {"fuse": "F"}, {"cells": 76}]
    network = pack(stack)
    into, out_of = segments(network)[1:3]
    assert into.references.voltage == volts("67.2 V")
    # S.2's tap at the upper edge, 84 V in the whole string, against S.1's top at 67.2 V.
    assert into.conductors.voltage == volts("403.2 V") - volts("16.8 V")
    assert out_of.references.voltage == volts("336 V")
    # S.3's lowest tap, 134.4 V in the whole string, against S.2's tap at the lower edge.
    assert out_of.conductors.voltage == volts("403.2 V") - volts("50.4 V")


def test_direction_of_the_walk_and_of_the_ring_change_nothing() -> None:
    up = segments(pack(ring=True))
    down = segments(pack(order=["S.6..1"], ring=True))
    assert [(each.references, each.conductors) for each in up] == [
        (each.references, each.conductors) for each in reversed(down)
    ]


def test_ladder_lists_the_nodes_of_the_chain() -> None:
    ladder = isolation_of(pack(order=["S.3", "S.1..2", "S.4..6"])).chains["C"].ladder
    assert [(rung.node, rung.reference, rung.top) for rung in ladder[:2]] == [
        ("S.3", volts("134.4 V"), volts("201.6 V")),
        ("S.1", 0, volts("67.2 V")),
    ]


def test_tightest_segment_and_counts() -> None:
    budget = isolation_of(pack(barrier_types={"cap": {**BARRIER, "working_voltage": "400 V"}}))
    assert budget.tightest is not None
    assert (budget.tightest.segment.name, budget.tightest.margin) == ("C#1", -volts("3.2 V"))
    assert budget.count()["missed"] == 2  # both ends of the head segment
    assert sum(budget.count().values()) == sum(len(each.checks) for each in budget.segments)


def test_the_tightest_segment_may_be_any() -> None:
    # S.3 stands 268.8 V below HV+ (a fault at the further pole), S.1 134.4 V from S.3, S.6 336 V from S.1.
    budget = isolation_of(pack([{"modules": 6, "cells": 16}], order=["S.3", "S.1", "S.6"]))
    assert budget.tightest is not None
    assert (budget.tightest.segment.name, budget.tightest.margin) == ("C#3", volts("164 V"))


def test_the_conductors_between_nodes_of_one_board_are_their_own() -> None:
    # Six boards of two nodes of 8 cells, 33.6 V each. Inside a board each node's taps count and are named,
    # between boards those of the whole boards.
    network = pack(boards=[[8, 8]] * 6)
    inside, between = case(network, 2, "intact"), case(network, 7, "MSD")
    assert [(term.label, term.amount) for term in inside.conductors.terms] == [
        ("uppermost tap of S.1/2", volts("67.2 V"))
    ]
    assert [(term.label, term.amount) for term in between.conductors.terms] == [
        ("lowest tap of S.4", volts("201.6 V")),
        ("string voltage of S", -volts("403.2 V")),
        ("uppermost tap of S.3", -volts("201.6 V")),
    ]


def test_a_chain_of_two_nodes_that_crosses_says_what_it_does_not_know() -> None:
    # One node a string, nothing known of leakage: both strings may stand anywhere to chassis.
    second = {"T": {"cell_type": "cell", "stack": [{"cells": 16}], "boards": [{"type": "board0"}]}}
    network = pack([{"cells": 16}], boards=[[16]], strings=second, order=["S.1", "T.1"])
    notes = isolation_of(network).notes
    assert [note.split(" is not in")[0] for note in notes] == ["leakage of string S", "leakage of string T"]


def test_many_breaks_in_a_long_string() -> None:
    # 300 breaks, one after every second board; each carries all of the string's 600 * 8.4 = 5040 V.
    stack: Stack = [step for number in range(300) for step in ({"cells": 4}, {"joint": f"J{number}"})]
    found = segments(pack(stack, boards=[[2]] * 600))
    for number, segment in enumerate(found[1:], start=1):
        expected = ("5031.6 V", "5040 V") if number % 2 == 0 else ("8.4 V", "16.8 V")
        assert (segment.references.voltage, segment.conductors.voltage) == tuple(map(volts, expected))
