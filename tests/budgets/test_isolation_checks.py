"""Isolation checks: ratings, distances and test voltages against worked values of the tables.

The pack is one string of six modules of 67.2 V, one board each, with a disconnect in the middle.
"""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from fault_plans import CONFIGS
from isolation_packs import BARRIER, SEGMENTS, Stack, check, pack, segments, volts

from chainplan.budgets.isolation.figures import is_asked
from chainplan.budgets.isolation.segments import SegmentIsolation
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import LENGTH
from chainplan.results import evaluate


def mm(text: str) -> int:
    return parse_quantity(f"{text} mm", LENGTH).typical


def with_barrier(barrier: dict[str, object], **segment: object) -> SegmentIsolation:
    """Return the segment across the open disconnect: 336 V between references, 403.2 V between conductors."""
    types = {"cap": {**BARRIER, **barrier}}
    return segments(pack(barrier_types=types, chain={"segments": {**SEGMENTS, **segment}}))[3]


@pytest.mark.parametrize(
    ("rating", "status", "margin"),
    [
        ("336 V", "met", "0 V"),
        ("500 V", "met", "164 V"),
        ("335.999999 V", "missed", "-1"),
        ({"min": "330 V", "typical": "400 V"}, "missed", "-6000000"),
    ],
)
def test_each_barrier_alone_must_hold_the_voltage_between_references(
    rating: object, status: str, margin: str
) -> None:
    segment = with_barrier({"working_voltage": rating})
    assert segment.status == status
    assert segment.margin == (volts(margin) if margin.endswith("V") else int(margin))
    for end in ("near", "far"):
        assert check(segment, "working voltage", end).status == status
        assert check(segment, "working voltage", end).required == volts("336 V")


def test_barriers_that_share_hold_half_each() -> None:
    segment = with_barrier({"working_voltage": "168 V"}, barriers_share=True)
    assert (segment.status, segment.rating, segment.margin) == ("met", volts("336 V"), 0)
    assert check(segment, "working voltage", "far").required == volts("168 V")
    assert with_barrier({"working_voltage": "167.999999 V"}, barriers_share=True).margin == -2


def test_half_of_an_odd_voltage_is_rounded_up() -> None:
    chain = {"segments": {**SEGMENTS, "barriers_share": True}}
    types = {"cap": {**BARRIER, "working_voltage": "2.1 V"}}
    beside = segments(
        pack([{"cells": 2}], boards=[[1], [1]], cell="4.200001 V", barrier_types=types, chain=chain)
    )[1]
    assert check(beside, "working voltage", "near").required == volts("2.100001 V")
    assert (beside.status, check(beside, "working voltage", "near").status) == ("missed", "missed")


def test_the_weaker_of_two_sharing_barriers_decides() -> None:
    types = {"cap": BARRIER, "weak": {**BARRIER, "working_voltage": "160 V"}}
    chain = {"segments": {**SEGMENTS, "far_barrier": "weak", "barriers_share": True}}
    segment = segments(pack(barrier_types=types, chain=chain))[3]
    assert (segment.rating, segment.status) == (volts("320 V"), "missed")  # the sum of ratings would be 660 V
    assert [each.place for each in segment.missed if each.subject == "working voltage"] == [
        "far barrier weak"
    ]


def test_one_barrier_holds_the_whole_voltage_even_where_the_plan_says_share() -> None:
    chain = {"segments": {"cable": "pair", "length": "1 m", "near_barrier": "cap", "barriers_share": True}}
    segment = segments(pack(barrier_types={"cap": {**BARRIER, "working_voltage": "300 V"}}, chain=chain))[3]
    assert (segment.rating, segment.status) == (volts("300 V"), "missed")
    missing = check(segment, "working voltage", "far end")
    assert missing.status == "not checked"
    assert "no barrier at this end" in missing.reason


def test_a_segment_without_a_barrier_is_not_checked() -> None:
    segment = segments(pack(chain={"segments": {"cable": "pair", "length": "1 m"}}))[3]
    assert (segment.status, segment.rating, segment.margin) == ("not checked", None, None)
    assert "no barrier at either end" in check(segment, "working voltage", "near end").reason


# Distances: IEC 60664-1 Tables F.2 and F.4 (2007), the same transcription as in the tables' own tests:
# PD2 group II 400 V 2.8 mm, 500 V 3.6 mm; impulse 2.5 kV 1.5 mm, one step up 3 mm; altitude 4000 m x 1.29.

GROUP_II: dict[str, object] = {"pollution_degree": 2, "material_group": "II", "between_boards": "basic"}


def across_disconnect(rules: Mapping[str, object], **provided: str) -> SegmentIsolation:
    barrier = {**BARRIER, **{key: f"{value} mm" for key, value in provided.items()}}
    spacing = {key: f"{value} mm" for key, value in provided.items()}
    return segments(
        pack(
            insulation={**GROUP_II, **rules},
            barrier_types={"cap": barrier},
            chain={"segments": {**SEGMENTS, **spacing}},
        )
    )[3]


def test_barriers_go_by_references_and_spacing_by_conductors() -> None:
    segment = across_disconnect({}, creepage="3.5", clearance="1.5")
    at_barrier, between = check(segment, "creepage", "near"), check(segment, "creepage", "between")
    assert (at_barrier.voltage, at_barrier.required, at_barrier.status) == (volts("336 V"), mm("2.8"), "met")
    assert (between.voltage, between.required, between.status) == (volts("403.2 V"), mm("3.6"), "missed")
    assert between.margin == -mm("0.1")
    assert check(segment, "clearance", "near").required == mm("1.5")
    assert check(segment, "clearance", "between").status == "met"


def test_what_a_part_offers_counts_at_its_least() -> None:
    provided = {"creepage": "2.7 mm .. 3 mm", "clearance": "1.4 mm .. 2 mm"}
    types = {"cap": {**BARRIER, **provided}}
    segment = segments(pack(insulation=GROUP_II, barrier_types=types))[3]
    assert check(segment, "creepage", "near").margin == -mm("0.1")
    assert check(segment, "clearance", "near").margin == -mm("0.1")


def test_creepage_between_rows_reinforced_and_in_another_group() -> None:
    line = across_disconnect({"interpolate_creepage": True}, creepage="2.8256")
    assert check(line, "creepage", "between").required == mm("2.8256")  # 2.8 + 0.8 * 3.2 / 100
    assert check(line, "creepage", "between").status == "met"
    assert check(line, "creepage", "near").required == mm("2.32")  # 2.2 + 0.6 * 16 / 80
    twice = across_disconnect({"interpolate_creepage": True, "between_boards": "reinforced"})
    assert check(twice, "creepage", "between").required == mm("5.6512")
    assert check(across_disconnect({"material_group": "I"}), "creepage", "between").required == mm("2.5")


def test_altitude_counts_at_its_highest_and_creepage_never_under_clearance() -> None:
    rules: dict[str, object] = {
        "between_boards": "reinforced",
        "altitude": "0 m .. 4000 m",
        "material_group": "I",
    }
    segment = across_disconnect(rules, clearance="3.87")
    assert check(segment, "clearance", "between").required == mm("3.87")  # 3 mm x 1.29
    assert check(segment, "clearance", "between").status == "met"
    low = across_disconnect({"pollution_degree": 1, "impulse": "2 kV .. 2.5 kV"})
    assert check(low, "creepage", "near").required == mm("1.5")  # PD1 336 V: 1 mm, less than the clearance


def test_sharing_halves_the_voltage_for_the_barrier_not_for_the_spacing() -> None:
    segment = segments(pack(insulation=GROUP_II, chain={"segments": {**SEGMENTS, "barriers_share": True}}))[3]
    assert check(segment, "creepage", "near").required == mm("1.5")  # 168 V: 1.4 mm, under the clearance
    assert check(segment, "creepage", "between").required == mm("3.6")


def test_what_the_plan_does_not_give_is_not_checked_but_needed() -> None:
    segment = across_disconnect({})
    for place, subject in (("near", "creepage"), ("between", "clearance")):
        found = check(segment, subject, place)
        assert found.status == "not checked"
        assert found.required is not None
        assert found.reason == f"the plan gives no {subject} here"


def test_beyond_the_tables_stands_the_reason() -> None:
    long: Stack = [{"cells": 16}, {"fuse": "F"}, {"cells": 16 * 40}]
    network = pack(long, boards=[[16]] * 41, chain={"segments": {**SEGMENTS, "creepage": "40 mm"}})
    beyond = check(segments(network)[1], "creepage", "between")  # 2755.2 V
    assert (beyond.required, beyond.status) == (None, "not checked")
    assert "2000 V" in beyond.reason
    high = check(across_disconnect({"altitude": "30 km"}, clearance="100"), "clearance", "near")
    assert (high.required, high.status) == (None, "not checked")


def test_test_voltage_of_reinforced_insulation_is_twice_that_of_basic() -> None:
    # Open test forms in the style of IEC 60598-1: basic 2 U + 1000 V, reinforced 4 U + 2000 V AC; U = 403.2
    # V: 1806.4 V and 3612.8 V.
    found = segments(pack(barrier_types={"cap": {**BARRIER, "test_voltage": "3.6 kV"}}))
    head = check(found[0], "test voltage", "far")
    assert (head.required, head.status) == (volts("3612.8 V"), "missed")
    basic = {"to_chassis": "basic"}
    head = check(segments(pack(insulation=basic))[0], "test voltage", "far")
    assert (head.required, head.reason) == (volts("1806.4 V"), "the plan gives no test voltage here")
    between = check(found[3], "test voltage", "far")
    assert (between.status, between.reason) == (
        "not checked",
        "no test voltage is asked of functional insulation",
    )


def with_arc(barrier: dict[str, object], **segment: object) -> SegmentIsolation:
    """Return the segment across a fuse of 120 V: 336 V between references for good, 456 V while it opens."""
    stack: Stack = [
        {"modules": 3, "cells": 16},
        {"fuse": "F", "allowance": "120 V"},
        {"modules": 3, "cells": 16},
    ]
    return segments(
        pack(
            stack,
            string={"insulation_resistance": {"positive": "1 Mohm", "negative": "1 Mohm"}},
            insulation={**GROUP_II, "impulse": "330 V"},
            barrier_types={"cap": {**BARRIER, **barrier}},
            chain={"segments": {**SEGMENTS, **segment}},
        )
    )[3]


def test_what_is_gone_after_milliseconds_has_a_rating_of_its_own() -> None:
    # By hand: 336 V and 336 + 120 V. A part without a transient voltage may carry no more than its working
    # one.
    bare = with_arc({"working_voltage": "400 V"})
    assert check(bare, "working voltage", "near").status == "met"
    missed = check(bare, "transient voltage", "near")
    assert (missed.required, missed.provided, missed.status) == (volts("456 V"), volts("400 V"), "missed")
    assert missed.note == "no transient voltage in the plan: the working voltage counts"
    rated = with_arc({"working_voltage": "400 V", "transient_voltage": "456 V"})
    assert check(rated, "transient voltage", "far").status == "met"


def test_creepage_goes_by_what_lasts_and_clearance_and_test_by_the_peak() -> None:
    # IEC 60664-1 as above, PD2 group II: creepage for 336 V, row 400 V: 2.8 mm (456 V would ask for 3.6 mm).
    # Table F.8: a peak of 456 V, row 500 V: 0.04 mm, under the 0.2 mm of PD2; 403.2 + 120 V, row 600 V the
    # same.
    segment = with_arc({"creepage": "2.8 mm", "clearance": "0.2 mm"}, clearance="0.2 mm")
    assert check(segment, "creepage", "near").required == mm("2.8")
    assert check(segment, "creepage", "between").required == mm("3.6")  # 403.2 V
    assert [check(segment, "clearance", place).voltage for place in ("near", "between")] == [
        volts("456 V"),
        volts("523.2 V"),
    ]
    assert check(segment, "test voltage", "near").required == volts("1912 V")  # 2 x 456 V + 1000 V


def test_two_barriers_in_series_are_double_insulation() -> None:
    # 403.2 V over PD2 group IIIa: row 500 V, 5 mm. With 120 cells, 504 V: row 630 V, PD2 group II 4.5 mm, and
    # 9 mm for reinforced or double insulation (IEC 60664-1). Two barriers of 8 mm in series: each holds 4.5
    # mm as basic insulation by itself, both together have 16 mm; one alone as reinforced insulation is too
    # short.
    barrier: dict[str, object] = {**BARRIER, "working_voltage": "600 V"}
    barrier |= {"creepage": "8 mm", "clearance": "8 mm", "test_voltage": "2.1 kV"}

    def head(kind: str, **segment: object) -> SegmentIsolation:
        return segments(
            pack(
                [{"cells": 120}],
                boards=[[20]] * 6,
                insulation={**GROUP_II, "to_chassis": kind},
                barrier_types={"cap": barrier},
                chain={"segments": {**SEGMENTS, **segment}},
            )
        )[0]

    double, reinforced = head("double"), head("reinforced")
    assert double.references.voltage == volts("504 V")
    assert check(double, "creepage", "near").required == mm("4.5")
    both = check(double, "creepage", "both barriers")
    assert (both.required, both.provided, both.status) == (mm("9"), mm("16"), "met")
    assert check(double, "clearance", "both barriers").provided == mm("16")
    assert check(double, "test voltage", "far").required == volts("2008 V")  # 2 x 504 V + 1000 V, of each
    assert double.missed == ()
    assert {each.subject for each in reinforced.missed} == {"creepage", "test voltage"}
    assert check(reinforced, "creepage", "near").required == mm("9")
    # Each has to hold the whole voltage, also where the plan says that they share.
    assert check(head("double", barriers_share=True), "working voltage", "near").required == volts("504 V")
    # One barrier alone is no double insulation: it has to be reinforced.
    single = head("double", barrier=None, near_barrier="cap")
    assert check(single, "creepage", "near").required == mm("9")


def test_what_is_asked_of_a_segment() -> None:
    # With one barrier the end without one has nothing to hold; with none at all that is asked. No test
    # voltage is asked of functional insulation; of the reinforced one at the head it is, given or not.
    bare = {"cable": "pair", "length": "1 m"}
    one = segments(pack(chain={"segments": bare | {"near_barrier": "cap"}}))[3]
    assert not is_asked(one, check(one, "working voltage", "far end"))
    assert is_asked(one, check(one, "working voltage", "near barrier"))
    none = segments(pack(chain={"segments": bare}))[3]
    assert is_asked(none, check(none, "working voltage", "far end"))
    head, between = segments(pack())[0], segments(pack())[3]
    assert is_asked(head, check(head, "test voltage", "far"))
    assert not is_asked(between, check(between, "test voltage", "far"))
    assert is_asked(between, check(between, "creepage", "far"))


def test_a_distance_beyond_the_tables_is_asked_for_all_the_same() -> None:
    high = segments(pack(cell="40 V"))[3]  # 96 cells: 3840 V, more than the tables of IEC 60664-1 hold
    creepage = check(high, "creepage", "between")
    assert (creepage.status, creepage.required) == ("not checked", None)
    assert is_asked(high, creepage)


def test_the_segment_with_the_least_share_of_its_rating_to_spare_is_named() -> None:
    # The head carries 403.2 of 600 V: 196.8 V or 33 % to spare. The third segment carries 67.2 of 150 V: only
    # 82.8 V, but 55 %.
    types = {"cap": BARRIER | {"working_voltage": "600 V"}, "weak": BARRIER | {"working_voltage": "150 V"}}
    chain = {"segments": SEGMENTS, "exceptions": {3: {"barrier": "weak"}}}
    plan = pack([{"modules": 6, "cells": 16}], barrier_types=types, chain=chain).plan
    verdicts = {each.target: each for each in Evaluation(plan).verdicts}
    verdict = verdicts["barrier working voltage"]
    assert (verdict.value, verdict.limit) == (volts("403.2 V"), volts("600 V"))
    assert verdict.where.startswith("C#1, ")


def test_voltage_class_b_begins_above_60_v() -> None:
    # ISO 6469-3: over 60 V DC. Two boards of 7 cells reach 58.8 V, 16 cells of one board 67.2 V.
    low, high = (pack([{"cells": 2 * n}], boards=[[n], [n]]) for n in (7, 16))
    assert [segment.class_b for segment in segments(low)] == [False, False]
    assert [segment.class_b for segment in segments(high)] == [True, True]


def test_one_segment_that_is_met_speaks_for_no_other() -> None:
    plan = load_plan(CONFIGS / "rail-trolley.yaml", ["chains.line.head_segment.creepage=5 mm"]).plan
    target = "creepage between boards"
    first, others = (verdict for verdict in evaluate(plan).verdicts if verdict.target == target)
    assert (first.subject, first.status, first.note) == ("line", "met", "3 of 4 not checked")
    assert (others.subject, others.status) == ("line, other segments", "not checked")
    assert others.note == "the plan gives no creepage here (3 times)"
