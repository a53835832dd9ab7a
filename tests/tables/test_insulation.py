"""Insulation tables and rules against published figures.

"IEC 60664-1" means worked by hand from that standard's tables. The tables at hand are agreeing copies, not
the standard itself; what was written from memory says so.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chainplan.tables import insulation as ins

V = 10**6  # uV
MM = 10**6  # nm

KINDS = ("functional", "basic", "supplementary", "double", "reinforced")
GROUPS = ("I", "II", "IIIa", "IIIb")


def volts(text: str) -> int:
    return int(Fraction(text) * V)


def mm(text: str) -> int:
    return int(Fraction(text) * MM)


@pytest.mark.parametrize(
    ("voltage", "degree", "group", "kind", "interpolate", "expected"),
    [
        # IEC 60664-1 Table F.4 (2007): linear between 400 V and 500 V, or the row of 500 V
        ("403.2", 2, "II", "basic", True, "2.8256"),
        ("403.2", 2, "II", "basic", False, "3.6"),
        ("403.2", 2, "II", "reinforced", True, "5.6512"),
        ("403.2", 2, "II", "reinforced", False, "7.2"),
        ("403.2", 2, "I", "basic", True, "2.016"),
        ("403.2", 2, "IIIa", "basic", True, "4.032"),
        ("403.2", 2, "IIIb", "basic", True, "4.032"),
        ("403.2", 3, "II", "basic", True, "5.648"),
        ("336", 2, "II", "functional", True, "2.32"),
        ("67.2", 2, "II", "functional", True, "0.912353"),  # 0.912352941..., rounded up to the nm
        # a row's own voltage takes that row either way
        ("400", 2, "II", "basic", False, "2.8"),
        ("400", 2, "II", "basic", True, "2.8"),
        ("400.000001", 2, "II", "basic", False, "3.6"),
    ],
)
def test_creepage_worked_by_hand(
    *, voltage: str, degree: Any, group: Any, kind: Any, interpolate: bool, expected: str
) -> None:
    found = ins.creepage(volts(voltage), degree, group, kind, interpolate=interpolate)
    assert found.value == mm(expected)


# IEC 60950-1 Table 2N (from memory): the same distances, rounded to 0.1 mm; PD2 I, II, III, PD3 I, II, III.
TABLE_2N = {
    50: "0.6 0.9 1.2 1.5 1.7 1.9",
    100: "0.7 1.0 1.4 1.8 2.0 2.2",
    125: "0.8 1.1 1.5 1.9 2.1 2.4",
    200: "1.0 1.4 2.0 2.5 2.8 3.2",
    250: "1.3 1.8 2.5 3.2 3.6 4.0",
    400: "2.0 2.8 4.0 5.0 5.6 6.3",
    800: "4.0 5.6 8.0 10.0 11.0 12.5",
    1000: "5.0 7.1 10.0 12.5 14.0 16.0",
}


@pytest.mark.parametrize("voltage", TABLE_2N)
def test_creepage_agrees_with_a_product_standard(voltage: int) -> None:
    degrees: tuple[Any, ...] = (2, 3)
    groups: tuple[Any, ...] = ("I", "II", "IIIa")
    found = [
        ins.creepage(voltage * V, degree, group, "basic").value for degree in degrees for group in groups
    ]
    tenths = [(distance + MM // 20) * 10 // MM for distance in found]  # half up
    assert tenths == [int(Fraction(text) * 10) for text in TABLE_2N[voltage].split()]


# ISO 3, rounded series R'20 of preferred numbers.
RENARD = (
    *("1", "1.1", "1.25", "1.4", "1.6", "1.8", "2", "2.2", "2.5", "2.8"),
    *("3.2", "3.6", "4", "4.5", "5", "5.6", "6.3", "7.1", "8", "9"),
)


def preferred_number(place: int) -> Fraction:
    decades, step = divmod(place, 20)
    return Fraction(RENARD[step]) * Fraction(10**decades)


@pytest.mark.parametrize(
    ("degree", "group", "first"),
    [(2, "I", 0), (2, "II", 3), (2, "IIIa", 6), (3, "I", 8), (3, "II", 9), (3, "IIIa", 10)],
)
def test_creepage_from_200_v_walks_the_preferred_numbers(degree: Any, group: Any, first: int) -> None:
    # From 200 V voltages and distances both climb by tenths of a decade: any mistyped digit breaks the walk.
    for row in range(11):
        voltage = 100 * preferred_number(6 + 2 * row)
        found = ins.creepage(int(voltage * V), degree, group, "basic")
        assert found.value == preferred_number(first + 2 * row) * MM
        assert found.row.endswith(f"row {voltage} V")


@pytest.mark.parametrize("interpolate", [True, False])
def test_creepage_ends_of_the_table(interpolate: bool) -> None:
    first = ins.creepage(0, 2, "II", "basic", interpolate=interpolate)
    assert first == ins.creepage(10 * V, 2, "II", "basic", interpolate=interpolate)
    assert first.value == mm("0.4")
    assert ins.creepage(2000 * V, 3, "IIIa", "basic", interpolate=interpolate).value == mm("32")
    with pytest.raises(ins.OutsideTable, match=r"2000\.000001 V is above the last row, 2000 V"):
        ins.creepage(2000 * V + 1, 3, "IIIa", "basic", interpolate=interpolate)


def test_results_say_where_they_come_from() -> None:
    found = ins.creepage(volts("403.2"), 2, "II", "reinforced", interpolate=True)
    assert (
        found.row
        == "PD2 group II, interpolated between rows 400 V and 500 V, doubled for reinforced insulation"
    )
    assert "F.4" in found.source
    assert "check against the standard's own text" in found.source
    assert ins.creepage(V, 1, "II", "basic").row == "PD1, row 10 V"


def test_group_iiib_at_pollution_degree_3_is_remarked_above_630_v() -> None:
    # IEC 60664-1, footnote of the creepage table (from memory)
    assert not ins.creepage(630 * V, 3, "IIIb", "basic").note
    assert "not recommended" in ins.creepage(630 * V + 1, 3, "IIIb", "basic").note
    assert not ins.creepage(630 * V + 1, 3, "IIIa", "basic").note


kinds: Any = st.sampled_from(KINDS)
groups: Any = st.sampled_from(GROUPS)
degrees: Any = st.sampled_from((1, 2, 3))


def two(strategy: Any) -> Any:
    return st.tuples(strategy, strategy).map(sorted)


@given(two(st.integers(0, 2000 * V)), two(degrees), two(groups), two(kinds.map(KINDS.index)), st.booleans())
def test_creepage_never_falls(voltage: Any, degree: Any, group: Any, kind: Any, interpolate: bool) -> None:
    less, more = (
        ins.creepage(voltage[i], degree[i], group[i], KINDS[kind[i]], interpolate=interpolate)  # type: ignore[arg-type]
        for i in (0, 1)
    )
    assert less.value <= more.value


@given(st.integers(0, 2000 * V), degrees, groups, kinds)
def test_the_next_row_is_never_less_than_the_straight_line(
    voltage: int, degree: Any, group: Any, kind: Any
) -> None:
    line = ins.creepage(voltage, degree, group, kind, interpolate=True).value
    row = ins.creepage(voltage, degree, group, kind).value
    assert line <= row


def test_ac_test_voltage() -> None:
    # Test forms in the style of IEC 60598-1 and 61347-1: 2 U + 1000 V for basic and supplementary insulation,
    # 4 U + 2000 V for double or reinforced; 403.2 V: 1806.4 V and 3612.8 V AC. IEC 60664-1 doubles its own
    # voltage, U + 1200 V, in the same way (1603.2 V and 3206.4 V), which asks for less than that.
    volt = volts("403.2")
    weak = [ins.test_voltage_ac(volt, kind).value for kind in ("basic", "supplementary")]
    strong = [ins.test_voltage_ac(volt, kind).value for kind in ("double", "reinforced")]
    assert weak == [volts("1806.4")] * 2
    assert strong == [volts("3612.8")] * 2
    assert strong[0] >= 2 * (volt + volts("1200")) == volts("3206.4")


def test_double_insulation_asks_over_both_parts_for_what_reinforced_asks() -> None:
    # IEC 60664-1 (rule from memory): 403.2 V, PD2, group II: row 500 V, 3.6 mm for each part, 7.2 mm in all.
    one = ins.creepage(volts("403.2"), 2, "II", "supplementary")
    both = ins.creepage(volts("403.2"), 2, "II", "double")
    assert (one.value, both.value) == (3_600_000, 7_200_000)
    assert "doubled for double insulation" in both.row


def test_voltage_class_b() -> None:
    # ISO 6469-3 (from memory): over 60 V and up to 1500 V DC
    voltages = [60 * V, 60 * V + 1, 1500 * V, 1500 * V + 1]
    assert [ins.is_voltage_class_b(voltage) for voltage in voltages] == [False, True, True, False]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ins.creepage(-1, 2, "I", "basic"), r"-0\.000001 V"),
        (lambda: ins.creepage(V, 4, "I", "basic"), "pollution degree 4: expected one of 1, 2, 3"),  # type: ignore[arg-type]
        (lambda: ins.creepage(V, 2, "III", "basic"), "material group 'III'"),  # type: ignore[arg-type]
        (lambda: ins.creepage(V, 2, "I", "triple"), "insulation 'triple'"),  # type: ignore[arg-type]
        (lambda: ins.clearance_impulse(-1, 2, "basic"), r"-0\.000001 V"),
        (lambda: ins.clearance_impulse(V, 0, "basic"), "pollution degree 0"),  # type: ignore[arg-type]
        (lambda: ins.clearance_peak(-1, "basic"), r"-0\.000001 V"),
        (lambda: ins.test_voltage_ac(-1, "basic"), r"-0\.000001 V"),
    ],
)
def test_wrong_arguments_are_refused(call: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words) as error:
        call()
    assert not isinstance(error.value, ins.OutsideTable)
