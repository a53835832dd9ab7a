"""Insulation tables and rules against published figures.

"IEC 60664-1" means worked by hand from that standard's tables. The tables at hand are agreeing copies, not
the standard itself; what was written from memory says so.
"""

from __future__ import annotations

from fractions import Fraction
from math import isclose
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chainplan.tables import insulation as ins

V = 10**6  # uV
MM = 10**6  # nm
M = 10**9  # nm
OHM = 1000  # mohm

KINDS = ("functional", "basic", "supplementary", "reinforced")
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


@pytest.mark.parametrize(
    ("voltage", "degree", "expected"),
    # IEC 60664-1 Table F.4 (2007), printed wiring columns; at 320 V and above PD1 joins the general column
    [
        ("10", 1, "0.025"),
        ("50", 2, "0.04"),
        ("63", 1, "0.04"),
        ("100", 2, "0.16"),
        ("300", 2, "1.6"),
        ("400", 1, "1"),
        ("403.2", 2, "2.5"),
        ("1000", 1, "3.2"),
        ("1000", 2, "5"),
    ],
)
def test_printed_wiring(voltage: str, degree: Any, expected: str) -> None:
    assert ins.creepage(volts(voltage), degree, "IIIa", "basic", printed_wiring=True).value == mm(expected)


@pytest.mark.parametrize(
    ("voltage", "degree", "group", "words"),
    [
        ("100", 3, "I", "no printed wiring column for PD3"),
        ("100", 2, "IIIb", "no printed wiring column for PD2 group IIIb"),
        ("1000.000001", 2, "I", "1000.000001 V is above the last row, 1000 V"),
        ("1000.000001", 1, "I", "1000.000001 V is above the last row, 1000 V"),
    ],
)
def test_printed_wiring_ends(voltage: str, degree: Any, group: Any, words: str) -> None:
    with pytest.raises(ins.OutsideTable, match=words):
        ins.creepage(volts(voltage), degree, group, "functional", printed_wiring=True)
    assert ins.creepage(volts(voltage), degree, group, "functional").value > 0


def test_printed_wiring_at_pollution_degree_1_takes_any_group() -> None:
    assert ins.creepage(100 * V, 1, "IIIb", "basic", printed_wiring=True).value == mm("0.1")


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


@pytest.mark.parametrize(
    ("cti", "group"),
    # IEC 60664-1: I from 600, II 400 to 599, IIIa 175 to 399, IIIb 100 to 174
    [(600, "I"), (599, "II"), (400, "II"), (399, "IIIa"), (175, "IIIa"), (174, "IIIb"), (100, "IIIb")],
)
def test_material_group(cti: int, group: str) -> None:
    assert ins.material_group(cti) == group


def test_no_material_group_under_100() -> None:
    with pytest.raises(ins.OutsideTable, match="99"):
        ins.material_group(99)


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


@given(two(st.integers(0, 1000 * V)), two(st.sampled_from((1, 2))), st.booleans())
def test_printed_wiring_creepage_never_falls(voltage: Any, degree: Any, interpolate: bool) -> None:
    less, more = (
        ins.creepage(voltage[i], degree[i], "II", "basic", printed_wiring=True, interpolate=interpolate)
        for i in (0, 1)
    )
    general = ins.creepage(voltage[0], degree[0], "II", "basic", interpolate=interpolate)
    assert less.value <= more.value
    assert less.value <= general.value  # the columns for printed wiring are a relief


@given(st.integers(0, 2000 * V), degrees, groups, kinds)
def test_the_next_row_is_never_less_than_the_straight_line(
    voltage: int, degree: Any, group: Any, kind: Any
) -> None:
    line = ins.creepage(voltage, degree, group, kind, interpolate=True).value
    row = ins.creepage(voltage, degree, group, kind).value
    assert line <= row


@given(two(st.integers(0, 1500 * V)), two(st.integers(0, 3)))
def test_rated_impulse_never_falls(voltage: Any, category: Any) -> None:
    categories: tuple[Any, ...] = ("I", "II", "III", "IV")
    less, more = (ins.rated_impulse(voltage[i], categories[category[i]]) for i in (0, 1))
    assert less.value <= more.value


@pytest.mark.parametrize(
    ("voltage", "expected"),
    [
        # IEC 60664-1 Table F.1, categories I to IV
        ("50", "330 500 800 1500"),
        ("100", "500 800 1500 2500"),
        ("150", "800 1500 2500 4000"),
        ("230", "1500 2500 4000 6000"),
        ("300", "1500 2500 4000 6000"),
        ("403.2", "2500 4000 6000 8000"),
        ("1000", "4000 6000 8000 12000"),
        ("1500", "6000 8000 10000 15000"),
    ],
)
def test_rated_impulse(voltage: str, expected: str) -> None:
    categories: tuple[Any, ...] = ("I", "II", "III", "IV")
    found = [ins.rated_impulse(volts(voltage), category).value for category in categories]
    assert found == [int(text) * V for text in expected.split()]


def test_no_rated_impulse_above_1500_v() -> None:
    with pytest.raises(ins.OutsideTable, match=r"1500\.000001 V is above the last row, 1500 V"):
        ins.rated_impulse(1500 * V + 1, "II")


def test_test_voltages() -> None:
    # convention from memory: 2 U + 1000 V AC, DC sqrt(2) times; 403.2 V: 1806.4 V and 2554.6 V
    assert ins.test_voltage_ac(volts("403.2")).value == volts("1806.4")
    direct = ins.test_voltage_dc(volts("403.2")).value
    assert isclose(direct / V, 2554.6, abs_tol=0.05)


@given(st.integers(0, 10**10))
def test_dc_test_voltage_is_the_least_that_covers_the_ac_peak(voltage: int) -> None:
    alternating = ins.test_voltage_ac(voltage).value
    direct = ins.test_voltage_dc(voltage).value
    assert (direct - 1) ** 2 < 2 * alternating**2 <= direct**2


def test_voltage_class_b() -> None:
    # ISO 6469-3 (from memory): over 60 V and up to 1500 V DC
    voltages = [60 * V, 60 * V + 1, 1500 * V, 1500 * V + 1]
    assert [ins.is_voltage_class_b(voltage) for voltage in voltages] == [False, True, True, False]


def test_isolation_resistance_required() -> None:
    # UN R100 (from memory): 100 ohm/V DC, 500 ohm/V AC
    assert ins.isolation_resistance_required(400 * V, 100).value == 40_000 * OHM
    assert ins.isolation_resistance_required(400 * V, 500).value == 200_000 * OHM
    assert ins.isolation_resistance_required(1, 100).value == 1  # rounded up
    with pytest.raises(ValueError, match="100 or 500"):
        ins.isolation_resistance_required(400 * V, 250)  # type: ignore[arg-type]


def test_isolation_resistance_measured() -> None:
    # UN R100 Rev. 2: Vb 400 V, R+ 1 Mohm, R- 250 kohm, Ro 200 kohm: V1 80 V, V2 320 V, V2' 160 V; Ri 250 kohm
    found = ins.isolation_resistance_measured(200_000 * OHM, 400 * V, 320 * V, 160 * V)
    assert found == 250_000 * OHM
    assert found / OHM / 400 == 625  # ohm per volt


@given(st.integers(1, 10**7), st.integers(1, 10**7), st.integers(1, 10**7), st.integers(1, 1500))
def test_measurement_finds_the_smaller_leakage(one: int, other: int, inserted: int, battery: int) -> None:
    # The two leakages divide the battery's voltage (Ohm's law); Ro goes beside the larger one.
    small, large = sorted((one, other))
    before = Fraction(battery * large, small + large)
    beside = Fraction(large * inserted, large + inserted)
    after = battery * beside / (small + beside)
    assert ins.isolation_resistance_measured(inserted, battery, before, after) == small


@pytest.mark.parametrize(("before", "after"), [(500, 100), (100, 200), (100, 0)])
def test_impossible_measurements_are_refused(before: int, after: int) -> None:
    with pytest.raises(ValueError, match="0 < V' <= V <= Vb"):
        ins.isolation_resistance_measured(1, 400, before, after)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ins.creepage(-1, 2, "I", "basic"), r"-0\.000001 V"),
        (lambda: ins.creepage(V, 4, "I", "basic"), "pollution degree 4: expected one of 1, 2, 3"),  # type: ignore[arg-type]
        (lambda: ins.creepage(V, 2, "III", "basic"), "material group 'III'"),  # type: ignore[arg-type]
        (lambda: ins.creepage(V, 2, "I", "double"), "insulation 'double'"),  # type: ignore[arg-type]
        (lambda: ins.clearance_impulse(-1, 2, "basic"), r"-0\.000001 V"),
        (lambda: ins.clearance_impulse(V, 0, "basic"), "pollution degree 0"),  # type: ignore[arg-type]
        (lambda: ins.clearance_peak(V, "uniform"), "field 'uniform'"),  # type: ignore[arg-type]
        (lambda: ins.clearance_peak(-1), r"-0\.000001 V"),
        (lambda: ins.rated_impulse(V, "V"), "overvoltage category 'V'"),  # type: ignore[arg-type]
        (lambda: ins.test_voltage_dc(-1), r"-0\.000001 V"),
        (lambda: ins.isolation_resistance_required(-1, 100), r"-0\.000001 V"),
    ],
)
def test_wrong_arguments_are_refused(call: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words) as error:
        call()
    assert not isinstance(error.value, ins.OutsideTable)
