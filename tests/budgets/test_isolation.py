"""Isolation by hand: voltages from Kirchhoff's laws.

Unless said otherwise a pack is one string of six modules of 67.2 V (16 cells of 4.2 V), one board each. Every
state of small packs is compared in test_isolation_states.py; strings that were worked out apart from the
project are in test_isolation_worked.py.
"""

from __future__ import annotations

import pytest
from isolation_packs import (
    BARRIER,
    LEAK,
    SIX,
    PlannedNetwork,
    Stack,
    isolation_of,
    laid_out,
    lasting,
    pack,
    segments,
    stress,
    volts,
)

# Hand calculation with Kirchhoff's voltage law; the opened string's -336.0 V and 403.2 V are the textbook
# case of a series string with a discharged link: U_break = V_link - S, references differ by Vm - S.

ALIKE = {"positive": "1 Mohm", "negative": "1 Mohm"}


def test_open_disconnect_reverses_the_voltage_next_to_it() -> None:
    network = pack()
    beside = segments(network)[3]
    assert (beside.references.voltage, beside.conductors.voltage) == (volts("336 V"), volts("403.2 V"))
    assert beside.references.situation.name == "MSD of S open; DC link discharged"
    assert beside.references.situation.combination == "break"
    opened = laid_out(network, 4, beside.references)
    assert opened.total == -volts("336 V")
    assert [(term.label, term.amount) for term in opened.terms] == [
        ("reference of S.3", -volts("134.4 V")),
        ("cells above reference of S.4", -volts("201.6 V")),
    ]
    assert laid_out(network, 4, beside.conductors, "conductors").total == -volts("403.2 V")


@pytest.mark.parametrize("modules_below", range(1, 6))
def test_reversed_voltage_does_not_depend_on_where_the_string_opens(modules_below: int) -> None:
    stack: Stack = [
        {"modules": modules_below, "cells": 16},
        {"fuse": "F"},
        {"modules": 6 - modules_below, "cells": 16},
    ]
    found = segments(pack(stack, string={"insulation_resistance": ALIKE}))
    for number, segment in enumerate(found[1:], start=1):
        expected = ("336 V", "403.2 V") if number == modules_below else ("67.2 V", "134.4 V")
        assert (segment.references.voltage, segment.conductors.voltage) == tuple(map(volts, expected))


def test_without_a_break_neighbours_see_one_module_and_their_conductors_two() -> None:
    for segment in segments(pack([{"modules": 6, "cells": 16}]))[1:]:
        assert (segment.references.voltage, segment.conductors.voltage) == (volts("67.2 V"), volts("134.4 V"))
        assert segment.references.situation.name == segment.references.situation.combination == "intact"


def test_head_segment_of_an_unbroken_string_sees_the_further_pole() -> None:
    network = pack([{"modules": 6, "cells": 16}], order=["S.3", "S.1", "S.6"], ring=True)
    first, *_, back = segments(network)
    # S.3 stands at 134.4 V of 403.2 V: 268.8 V below HV+. S.6 stands at 336 V, its top at 403.2 V. Nothing is
    # known of the leakage: it may do by itself what a fault at a pole does.
    assert (first.references.voltage, first.references.situation.name) == (volts("268.8 V"), "intact")
    assert (back.references.voltage, back.conductors.voltage) == (volts("336 V"), volts("403.2 V"))
    leaking = pack([{"modules": 6, "cells": 16}], order=["S.3"], string={"insulation_resistance": LEAK})
    assert stress(leaking, 1, "earth fault").references.situation.name == "earth fault at HV+ of S"
    assert segments(leaking)[0].references.voltage == volts("268.8 V")


def test_fault_at_the_edge_of_an_open_disconnect_brings_the_string_voltage_to_chassis() -> None:
    found = segments(pack(order=["S.4", "S.3"], ring=True, string={"insulation_resistance": ALIKE}))
    # S.4 stands just above the break: its reference carries all 403.2 V, in the whole string at most 201.6 V.
    assert found[0].references.voltage == found[0].conductors.voltage == volts("403.2 V")
    # S.3 ends just below it: its reference is a module further from the upper edge, its top is not.
    assert (found[2].references.voltage, found[2].conductors.voltage) == (volts("336 V"), volts("403.2 V"))
    situation = found[2].references.situation
    assert situation.combination == "break + earth fault"
    assert situation.name == "MSD of S open; earth fault at its upper edge; DC link discharged"


def test_leakage_alone_places_chassis() -> None:
    # Kirchhoff at chassis: R+ 1 Mohm, R- 250 kohm: -80.64 V to 322.56 V; both equal: -201.6 V to 201.6 V.
    network = pack(string={"insulation_resistance": LEAK}, order=["S.1", "S.6"], ring=True)
    intact = stress(network, 1, "intact")
    assert laid_out(network, 1, intact.references).total == -volts("80.64 V")
    # The controller is the far end of the return path, so the sign turns.
    intact = stress(network, 3, "intact")
    assert laid_out(network, 3, intact.conductors, "conductors").total == -volts("322.56 V")
    equal = pack(string={"insulation_resistance": ALIKE})
    assert stress(equal, 1, "intact").references.voltage == volts("201.6 V")


def test_arc_and_overshoot_come_on_top_for_milliseconds_alone() -> None:
    # Kirchhoff: across the break S + a = 403.2 V + 120 V, the references a module less; for good without a.
    stack: Stack = [SIX[0], {"fuse": "F", "allowance": {"min": "50 V", "max": "120 V"}}, SIX[2]]
    network = pack(stack, string={"insulation_resistance": ALIKE})
    beside = segments(network)[3]
    assert (beside.references.voltage, beside.conductors.voltage) == (volts("336 V"), volts("403.2 V"))
    assert beside.transient_references.voltage == volts("456 V")
    assert beside.transient_conductors.voltage == volts("523.2 V")
    terms = laid_out(network, 4, beside.transient_references).terms
    assert ("allowance of F", -volts("120 V")) in [(term.label, term.amount) for term in terms]
    # S.4 to chassis, the fault at the lower edge: the same.
    head = segments(pack(stack, order=["S.4"], string={"insulation_resistance": ALIKE}))[0]
    assert (head.references.voltage, head.transient_references.voltage) == (
        volts("403.2 V"),
        volts("523.2 V"),
    )


def two_strings(leakage: dict[str, str] | None, **insulation: object) -> PlannedNetwork:
    return pack(
        string={"count": 2, **({"insulation_resistance": leakage} if leakage else {})},
        order=["S-1.1..6", "S-2.1..6"],
        insulation=insulation,
    )


def test_strings_in_parallel_with_contactors_closed_share_their_poles() -> None:
    network = two_strings(LEAK, leave_out={"string open": "invented"})
    # S-1.6 at 336 V, S-2.1 at 0 V.
    assert stress(network, 7, "intact").references.voltage == volts("336 V")


def test_floating_strings_with_one_earth_fault() -> None:
    # Fault at HV- of S-1: S-1.6 at 336 V; S-2.1 at -80.64 V by leakage (see above): 416.64 V. Fault at HV+ of
    # S-2: S-2.1 at -403.2 V; S-1.6 at 336 - 80.64 V: 658.56 V. With faults at both 336 V + 403.2 V.
    network = two_strings(LEAK, conditions_together=1, leave_out={"stuck contactor": "invented"})
    fault = stress(network, 7, "earth fault").references
    assert fault.voltage == volts("658.56 V")
    both = two_strings(LEAK, leave_out={"stuck contactor": "invented", "break": "invented"})
    found = stress(both, 7, "earth fault + earth fault").references
    assert found.voltage == volts("739.2 V")
    assert laid_out(both, 7, found).total == -volts("739.2 V")


def test_poles_by_themselves_bring_both_string_voltages_between_strings_without_a_fault() -> None:
    # Link discharged, S-1 on HV- alone, S-2 on HV+ alone, one of them a stuck contactor: the top of S-1
    # stands 403.2 V above the link, the bottom of S-2 as far below it. Only leaving it out makes it less.
    network = pack(
        [{"modules": 6, "cells": 16}],
        string={"count": 2, "insulation_resistance": LEAK},
        order=["S-1.6", "S-2.1"],
    )
    stuck = stress(network, 2, "stuck contactor")
    assert (stuck.references.voltage, stuck.conductors.voltage) == (volts("739.2 V"), volts("806.4 V"))
    assert stuck.conductors.situation.name == "S-1 on HV- alone; S-2 on HV+ alone; DC link discharged"
    less = {"stuck contactor": "invented", "earth fault + earth fault": "invented"}
    network = pack(
        [{"modules": 6, "cells": 16}],
        string={"count": 2, "insulation_resistance": LEAK},
        order=["S-1.6", "S-2.1"],
        insulation={"leave_out": less},
    )
    # A fault at HV+ of S-2 (its bottom at -403.2 V), S-1 by leakage: its top at 403.2 - 80.64 V.
    assert segments(network)[1].conductors.voltage == volts("725.76 V")


def test_open_disconnect_of_one_string_leaves_the_other_at_either_pole() -> None:
    network = pack(
        string={"count": 2, "insulation_resistance": LEAK},
        order=["S-1.6", "S-2.6", "S-2.1", "S-1.1"],
        insulation={"conditions_together": 1},
    )
    # Minus poles common, S-1.6 above its open break: 336 - 403.2 V, against S-2.6 at 336 V as always.
    assert stress(network, 2, "break").references.voltage == volts("403.2 V")
    # Plus poles common, S-1.1 below its open break: at the joined poles, S-2.1 403.2 V below them.
    assert stress(network, 4, "break").references.voltage == volts("403.2 V")


def test_unknown_leakage_is_taken_at_its_worst_and_said() -> None:
    worst = isolation_of(two_strings(None)).chains["C"].segments[6]
    # S-1.6 up to its own 336 V, S-2.1 down to -403.2 V: already without any fault.
    assert (worst.references.voltage, worst.references.situation.combination) == (volts("739.2 V"), "intact")
    assert any(
        note.startswith("Leakage of S-1, S-2 is not") for note in isolation_of(two_strings(None)).notes
    )
    assert not any(note.startswith("Leakage") for note in isolation_of(two_strings(LEAK)).notes)


def test_what_is_left_out_is_printed_with_its_reason() -> None:
    notes = isolation_of(two_strings(LEAK, leave_out={"break+earth fault": "invented"})).notes
    assert "Isolation: `break + earth fault` is left out by the plan: invented" in notes


def test_a_combination_is_read_in_any_order_and_a_wrong_word_is_named() -> None:
    rules = two_strings(LEAK, leave_out={"earth  fault+break": "invented"}).plan.insulation
    assert list(rules.leave_out) == ["break + earth fault"]
    with pytest.raises(ValueError, match="'stuck relay' is no condition of a pack"):
        two_strings(LEAK, leave_out={"break + stuck relay": "invented"})


def test_leakage_that_is_not_known_exactly_lets_chassis_wander() -> None:
    # R+ 1 to 2 Mohm, R- 1 Mohm: chassis stands above HV- by a third to a half of 403.2 V (current law), so
    # HV+ by 201.6 to 268.8 V above it and HV- by 134.4 to 201.6 V below it.
    leakage = {"positive": "1 Mohm .. 2 Mohm", "negative": "1 Mohm"}
    floating = lasting(pack(string={"insulation_resistance": leakage})).gaps.floating["S"]
    assert (floating.highest(96), floating.lowest(96)) == (volts("268.8 V"), volts("201.6 V"))
    assert (floating.highest(0), floating.lowest(0)) == (-volts("134.4 V"), -volts("201.6 V"))


def test_floating_strings_need_not_be_equally_charged() -> None:
    network = pack(
        [{"modules": 6, "cells": 16}],
        cell="2.8 V .. 4.2 V",
        string={"count": 2, "insulation_resistance": ALIKE},
        order=["S-1.4", "S-2.4"],
        insulation={"leave_out": {"stuck contactor": "invented", "one pole closed": "invented"}},
    )
    # Both references at mid-string: full, both float at 0 V. Fault at HV- of full S-1: 201.6 V; S-2 with its
    # lower half empty (134.4 V) and its upper half full: (134.4 - 201.6) / 2.
    assert stress(network, 2, "earth fault").references.voltage == volts("235.2 V")


def test_a_string_beside_an_opened_one_is_lifted_above_its_own_voltage() -> None:
    # S-2 open at mid-string, joined by both poles, link discharged: its lower edge stands 201.6 V above L-.
    # S-1 hangs by HV+ alone, its bottom 403.2 V below L+: with the fault at that edge 604.8 V to chassis.
    network = pack(
        string={"count": 2, "insulation_resistance": ALIKE},
        order=["S-1.1"],
        insulation={"first_pole": "HV+", "leave_out": {"stuck contactor": "invented"}},
    )
    (head,) = segments(network)
    assert head.references.voltage == volts("604.8 V")
    assert head.references.situation.name == (
        "S-1 on HV+ alone; MSD of S-2 open, earth fault at its lower edge; DC link discharged"
    )
    assert laid_out(network, 1, head.references).total == -volts("604.8 V")


def test_a_source_lifts_a_string_that_hangs_by_one_pole() -> None:
    # A 920 V charger at a 403.2 V string on HV- alone, earth fault at L+: HV- 920 V below chassis; an earthed
    # source does it without a fault. A source no higher than the string brings nothing more.
    def head(**external: object) -> tuple[int, str]:
        network = pack(
            [{"modules": 6, "cells": 16}],
            string={"insulation_resistance": ALIKE},
            order=["S.1"],
            insulation={"external": external} if external else {},
        )
        worst = segments(network)[0].references
        return worst.voltage, worst.situation.combination

    assert head() == (volts("403.2 V"), "earth fault")
    assert head(voltage="920 V") == (volts("920 V"), "earth fault")
    assert head(voltage="920 V", earthed=True) == (volts("920 V"), "intact")
    assert head(voltage="400 V") == (volts("403.2 V"), "earth fault")


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
    network = pack(
        [{"cells": 6}, {"fuse": "F"}, {"cells": 6}], boards=[[6, 6]], string={"insulation_resistance": ALIKE}
    )
    inside = segments(network)[1]
    # 12 cells are 50.4 V: the nodes' references differ by 25.2 V, with the break open by 25.2 - 50.4 V.
    assert inside.references.voltage == volts("25.2 V")
    assert stress(network, 2, "break").references.voltage == volts("25.2 V")
    assert inside.conductors.voltage == volts("50.4 V")


def test_a_straddling_node_keeps_the_reference_of_its_lower_end() -> None:
    # S.2 has cells 17 to 32, the break lies over cell 20: its reference stays below, its top moves down.
    stack: Stack = [{"cells": 20}, {"fuse": "F"}, {"cells": 76}]
    network = pack(stack, string={"insulation_resistance": ALIKE})
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
    assert [(each.references.voltage, each.conductors.voltage) for each in up] == [
        (each.references.voltage, each.conductors.voltage) for each in reversed(down)
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
    inside = laid_out(network, 2, stress(network, 2, "intact").conductors, "conductors")
    between = laid_out(network, 7, stress(network, 7, "break").conductors, "conductors")
    assert [(term.label, term.amount) for term in inside.terms] == [
        ("uppermost tap of S.1/2", volts("67.2 V"))
    ]
    assert [(term.label, term.amount) for term in between.terms] == [
        ("uppermost tap of S.3", -volts("201.6 V")),
        ("cells above lowest tap of S.4", -volts("201.6 V")),
    ]


def test_many_breaks_in_a_long_string() -> None:
    # 300 breaks, one after every second board; each carries all of the string's 600 * 8.4 = 5040 V.
    stack: Stack = [step for number in range(300) for step in ({"cells": 4}, {"joint": f"J{number}"})]
    found = segments(pack(stack, boards=[[2]] * 600))
    for number, segment in enumerate(found[1:], start=1):
        expected = ("5031.6 V", "5040 V") if number % 2 == 0 else ("8.4 V", "16.8 V")
        assert (segment.references.voltage, segment.conductors.voltage) == tuple(map(volts, expected))
