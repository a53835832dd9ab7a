"""Insulation coordination: distances and test voltages that standards ask for.

Everything is a whole number of ticks: voltage in uV, length and altitude in nm. Every result is a
:class:`Requirement` that also names the row and the rule it came from, so that a report can show them.
Results are rounded to the demanding side.

The tables are a transcription of IEC 60664-1 in which two or three independent copies agree; none of them is
the standard. Clause and rule texts were written from memory. So each source says: transcription, check
against the standard's own text. Nothing is extrapolated: beyond a table stands :class:`OutsideTable`.

Voltages whose frequency exceeds 30 kHz are out of scope (IEC 60664-4 treats them).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import Literal, NamedTuple, TypeAlias, get_args

from chainplan.tables.insulation_data import (
    ALTITUDE,
    CREEPAGE,
    GROUP_OFFSET,
    IMPULSE,
    PEAK,
    PREFERRED_IMPULSE,
    SOURCE_ALTITUDE,
    SOURCE_CREEPAGE,
    SOURCE_IMPULSE,
    SOURCE_PEAK,
    SOURCE_TEST_VOLTAGE,
)

PollutionDegree: TypeAlias = Literal[1, 2, 3]
MaterialGroup: TypeAlias = Literal["I", "II", "IIIa", "IIIb"]
Insulation: TypeAlias = Literal["functional", "basic", "supplementary", "double", "reinforced"]
"""Double insulation needs, over its two parts together, the distances and the test voltage of reinforced."""

_STRONG = ("double", "reinforced")

_MV, _V = 10**3, 10**6  # in uV
_UM, _M = 10**3, 10**9  # in nm


class OutsideTable(ValueError):  # noqa: N818 - the name says what happened
    """A value for which the table has no row or column: nothing is extrapolated."""


class Requirement(NamedTuple):
    """What a standard asks for.

    ``value`` is in ticks of the quantity (nm or uV), ``row`` names the row and rule that gave it,
    ``source`` the table, and ``note`` what a reader should know besides.
    """

    value: int
    row: str
    source: str
    note: str = ""


def creepage(
    working_voltage_uv: int,
    pollution_degree: PollutionDegree,
    material_group: MaterialGroup,
    insulation: Insulation,
    *,
    interpolate: bool = False,
) -> Requirement:
    """Return the creepage distance in nm against tracking.

    The working voltage is an rms value in uV; a DC voltage enters as it is. Between two rows the higher row
    counts (cautious), or with ``interpolate`` the straight line between them, rounded up. Below the first row
    the first row counts. Reinforced insulation takes twice the basic distance. The altitude has no influence.
    The columns for printed wiring ask for less; they are not used.

    Raises :class:`OutsideTable` above the last row, ValueError for a negative voltage or an unknown word.
    Source: IEC 60664-1 Table F.4 (2007) = F.5 (2020).
    """
    _one_of("pollution degree", pollution_degree, PollutionDegree)
    _one_of("material group", material_group, MaterialGroup)
    _one_of("insulation", insulation, Insulation)
    column, name = 1, "PD1"
    if pollution_degree > 1:
        column = 2 + 3 * (pollution_degree - 2) + GROUP_OFFSET[material_group]
        name = f"PD{pollution_degree} group {material_group}"
    rows = [(row[0] * _MV, row[column] * _UM) for row in CREEPAGE]
    voltages = [voltage for voltage, _ in rows]
    index = _next_row(voltages, working_voltage_uv, f"the creepage column {name}", SOURCE_CREEPAGE)
    upper_voltage, upper = rows[index]
    distance = Fraction(upper)
    rule = f"row {_volts(upper_voltage)}"
    if interpolate and index > 0 and working_voltage_uv < upper_voltage:
        lower_voltage, lower = rows[index - 1]
        share = Fraction(working_voltage_uv - lower_voltage, upper_voltage - lower_voltage)
        distance = lower + (upper - lower) * share
        rule = f"interpolated between rows {_volts(lower_voltage)} and {_volts(upper_voltage)}"
    if insulation in _STRONG:
        distance *= 2
        rule += f", doubled for {insulation} insulation"
    note = ""
    if material_group == "IIIb" and pollution_degree == 3 and working_voltage_uv > 630 * _V:
        note = "group IIIb is not recommended at PD3 above 630 V (footnote of the table, from memory)"
    return Requirement(ceil(distance), f"{name}, {rule}", SOURCE_CREEPAGE, note)


def clearance_impulse(
    impulse_uv: int,
    pollution_degree: PollutionDegree,
    insulation: Insulation,
) -> Requirement:
    """Return the clearance in nm, up to 2000 m, that withstands an impulse voltage in uV.

    The field counts as inhomogeneous, the higher of two rows is taken. Reinforced insulation is dimensioned
    one step higher in the series of preferred impulse voltages, an impulse between two of them first being
    raised to the next. The least values of pollution degrees 2 and 3 (0.2 mm, 0.8 mm) are in the rows.

    For an impulse that is not a preferred value the standard has a second wording, 160 % of it (from memory).
    Just under a preferred value that would ask for more than at the value itself; the note says where.

    Raises :class:`OutsideTable` above the last row or step. Source: IEC 60664-1 Table F.2.
    """
    _one_of("pollution degree", pollution_degree, PollutionDegree)
    _one_of("insulation", insulation, Insulation)
    wanted, step, note = impulse_uv, "", ""
    if insulation in _STRONG:
        preferred = [volts * _V for volts in PREFERRED_IMPULSE]
        index = _next_row(preferred[:-1], impulse_uv, "the steps for reinforced insulation", SOURCE_IMPULSE)
        wanted = preferred[index + 1]
        step = f", one step above {_volts(preferred[index])} for {insulation} insulation"
        if impulse_uv != preferred[index] and 8 * impulse_uv > 5 * wanted:
            note = f"160 % of {_volts(impulse_uv)} would be {_volts(ceil(Fraction(8, 5) * impulse_uv))}"
    voltages = [row[0] * _V for row in IMPULSE]
    index = _next_row(voltages, wanted, "the impulse clearance", SOURCE_IMPULSE)
    distance = IMPULSE[index][pollution_degree] * _UM
    return Requirement(
        distance, f"PD{pollution_degree}, row {_volts(voltages[index])}{step}", SOURCE_IMPULSE, note
    )


def clearance_peak(peak_uv: int, insulation: Insulation) -> Requirement:
    """Return the clearance in nm, up to 2000 m, for a steady, temporary or recurring peak voltage in uV.

    The field counts as inhomogeneous, the higher of two rows is taken; reinforced insulation enters with
    160 % of the peak (from memory). The least values of the pollution degrees are not in this table:
    :func:`required_clearance` adds them.

    Raises :class:`OutsideTable` above the last row. Source: IEC 60664-1 Table F.8 (2020).
    """
    _one_of("insulation", insulation, Insulation)
    wanted = Fraction(peak_uv)
    rule = ""
    if insulation in _STRONG:
        wanted = peak_uv * Fraction(8, 5)
        rule = f", 160 % of the peak for {insulation} insulation"
    voltages = [row[0] * _V for row in PEAK]
    index = _next_row(voltages, ceil(wanted), "the peak voltage clearance", SOURCE_PEAK)
    row = f"inhomogeneous field, row {_volts(voltages[index])}{rule}"
    return Requirement(PEAK[index][1] * _UM, row, SOURCE_PEAK)


def altitude_factor(altitude_nm: int) -> Fraction:
    """Return the factor on a clearance for an altitude in nm: 1 up to 2000 m, then the table.

    Between rows the straight line is taken. It is cautious enough: the factor is one over the air pressure, a
    convex function of the altitude, so the line between two of its points never lies under it.

    Raises :class:`OutsideTable` above 20000 m. Source: IEC 60664-1 Table A.2.
    """
    if altitude_nm <= ALTITUDE[0][0] * _M:
        return Fraction(1)
    altitudes = [metres * _M for metres, _ in ALTITUDE]
    if altitude_nm > altitudes[-1]:
        raise OutsideTable(
            f"{_decimal(altitude_nm, 9)} m is above the last row, 20000 m, of {SOURCE_ALTITUDE}"
        )
    index = bisect_left(altitudes, altitude_nm)
    (_, lower), (_, upper) = ALTITUDE[index - 1], ALTITUDE[index]
    share = Fraction(altitude_nm - altitudes[index - 1], altitudes[index] - altitudes[index - 1])
    return lower + (upper - lower) * share


def required_clearance(
    impulse_uv: int,
    peak_uv: int,
    pollution_degree: PollutionDegree,
    insulation: Insulation,
    *,
    altitude_nm: int = 0,
) -> Requirement:
    """Return the clearance in nm: the larger of impulse and peak, times the altitude factor, rounded up.

    An impulse of 0 still brings the least value of the pollution degree. Raises what the three functions it
    joins raise.
    """
    impulse = clearance_impulse(impulse_uv, pollution_degree, insulation)
    peak = clearance_peak(peak_uv, insulation)
    factor = altitude_factor(altitude_nm)
    kind, larger = ("peak", peak) if peak.value > impulse.value else ("impulse", impulse)
    row, source = f"{kind}: {larger.row}", larger.source
    if factor > 1:
        row += f", x {float(factor):.4g} for {_decimal(altitude_nm, 9)} m"
        source += f"; {SOURCE_ALTITUDE}"
    return Requirement(ceil(larger.value * factor), row, source, larger.note)


def required_creepage(creepage: Requirement, clearance: Requirement) -> Requirement:
    """Return the larger of a creepage distance and the clearance beside it, both in nm.

    A path over the surface is never shorter than the path through the air (IEC 60664-1, from memory), so a
    larger clearance, its altitude factor included, becomes the creepage distance as well.
    """
    if clearance.value <= creepage.value:
        return creepage
    return Requirement(
        clearance.value, f"not less than the clearance ({clearance.row})", clearance.source, clearance.note
    )


def test_voltage_ac(working_voltage_uv: int, insulation: Insulation) -> Requirement:
    """Return the AC test voltage in uV, rms: 2 U + 1000 V, twice that for double or reinforced insulation.

    Open test forms in the style of IEC 60598-1 ask for 2 U + 1000 V (basic, supplementary) and 4 U + 2000 V
    (double, reinforced); IEC 60664-1 doubles its temporary overvoltage, U + 1200 V, in the same way, and IEC
    60664-3 5.8.4 tests reinforced insulation at twice the basic voltage.
    """
    _not_negative(working_voltage_uv)
    _one_of("insulation", insulation, Insulation)
    volts = _volts(working_voltage_uv)
    if insulation in _STRONG:
        row = f"2 x (2 x {volts} + 1000 V) for {insulation} insulation"
        return Requirement(4 * working_voltage_uv + 2000 * _V, row, SOURCE_TEST_VOLTAGE)
    return Requirement(2 * working_voltage_uv + 1000 * _V, f"2 x {volts} + 1000 V", SOURCE_TEST_VOLTAGE)


# Its name begins like a test: pytest must not collect it where it is imported.
test_voltage_ac.__test__ = False  # type: ignore[attr-defined]


def is_voltage_class_b(voltage_uv: int) -> bool:
    """Return whether a DC voltage in uV is of class B: over 60 V, up to 1500 V (ISO 6469-3, from memory)."""
    return 60 * _V < voltage_uv <= 1500 * _V


def _next_row(voltages: Sequence[int], voltage: int, table: str, source: str) -> int:
    """Return the place of the first row that is not under the voltage."""
    _not_negative(voltage)
    if voltage > voltages[-1]:
        raise OutsideTable(
            f"{_volts(voltage)} is above the last row, {_volts(voltages[-1])}, of {table}; "
            f"nothing is extrapolated. {source}"
        )
    return bisect_left(voltages, voltage)


def _not_negative(voltage: int) -> None:
    if voltage < 0:
        raise ValueError(f"a voltage of {_volts(voltage)}: give its magnitude")


def _one_of(what: str, value: object, allowed: object) -> None:
    words = get_args(allowed)
    if value not in words:
        raise ValueError(f"{what} {value!r}: expected one of {', '.join(map(str, words))}")


def _volts(voltage: int) -> str:
    return f"{_decimal(voltage, 6)} V"


def _decimal(ticks: int, places: int) -> str:
    """Return ticks as a plain decimal number of the unit that holds 10**places of them, exactly."""
    text = f"{Decimal(ticks).scaleb(-places):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
