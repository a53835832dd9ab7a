"""Quantities: the unit table against the SI, outward rounding, and how they are written."""

from __future__ import annotations

import subprocess
import sys
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import constants

from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import (
    BIT_RATE,
    BITS,
    CAPACITY,
    CURRENT,
    DIMENSIONS,
    FREQUENCY,
    LENGTH,
    LEVEL,
    RATIO,
    RESISTANCE,
    SPEED,
    TEMPERATURE,
    TIME,
    VOLTAGE,
    Dimension,
    QuantityError,
    Span,
    bit_time,
    format_span,
    format_ticks,
    to_unit,
)

MS = 10**12  # fs

# BIPM, The International System of Units (SI Brochure), 9th edition 2019, Table 7: SI prefixes. The powers of
# ten are written down from memory of that table and confirmed below against scipy.constants.
SI_PREFIXES = {"G": 9, "M": 6, "k": 3, "": 0, "c": -2, "m": -3, "u": -6, "n": -9, "p": -12}
SCIPY_PREFIXES = {
    "G": constants.giga,
    "M": constants.mega,
    "k": constants.kilo,
    "": 1.0,
    "c": constants.centi,
    "m": constants.milli,
    "u": constants.micro,
    "n": constants.nano,
    "p": constants.pico,
}


@pytest.mark.parametrize("prefix", SI_PREFIXES)
def test_prefix_table_of_this_test_agrees_with_scipy(prefix: str) -> None:
    assert float(Fraction(10) ** SI_PREFIXES[prefix]) == SCIPY_PREFIXES[prefix]


@pytest.mark.parametrize(
    ("dimension", "stem", "prefixes"),
    [
        (TIME, "s", ("p", "n", "u", "m", "")),
        (VOLTAGE, "V", ("u", "m", "", "k")),
        (LENGTH, "m", ("u", "m", "c", "", "k")),
        (CURRENT, "A", ("n", "u", "m", "")),
        (RESISTANCE, "ohm", ("m", "", "k", "M", "G")),
        (BIT_RATE, "bit/s", ("", "k", "M", "G")),
        (FREQUENCY, "Hz", ("", "k", "M", "G")),
        (SPEED, "m/s", ("", "k")),
        (LEVEL, "dB", ("m", "")),
        (CAPACITY, "Ah", ("u", "m", "")),
    ],
    ids=lambda value: value.name if isinstance(value, Dimension) else None,
)
def test_every_prefixed_unit_is_its_si_multiple(
    dimension: Dimension, stem: str, prefixes: tuple[str, ...]
) -> None:
    for prefix in prefixes:
        assert dimension.units[prefix + stem] == dimension.units[stem] * Fraction(10) ** SI_PREFIXES[prefix]
    # No unit escapes the check: the rest are the non-SI units of the next test and other spellings.
    rest = {unit for unit in dimension.units if unit.isascii()} - {prefix + stem for prefix in prefixes}
    assert rest <= {"min", "h", "d", "c", "in", "ft"}


def test_non_si_units() -> None:
    # SI Brochure, 9th edition, Table 8 (min, h, d) and section 2.2 (speed of light), by scipy.constants.
    second = TIME.units["s"]
    assert TIME.units["min"] == second * int(constants.minute)
    assert TIME.units["h"] == second * int(constants.hour)
    assert TIME.units["d"] == second * int(constants.day)
    assert SPEED.units["c"] == SPEED.units["m/s"] * int(constants.speed_of_light)
    # Inch and foot: the international yard and pound agreement of 1959, by scipy.constants (metres).
    for unit, metres in (("in", constants.inch), ("ft", constants.foot)):
        assert LENGTH.units[unit] == LENGTH.units["m"] * Fraction(str(metres)).limit_denominator(10**6)
    # A byte of 8 bits: IEC 80000-13 (from memory). Percent and ppm: SI Brochure, section 5.4.7.
    assert BITS.units["byte"] == BITS.units["bytes"] == 8 * BITS.units["bit"] == 8 * BITS.units["bits"]
    assert RATIO.units["%"] * 100 == RATIO.units["ppm"] * 10**6 == RATIO.units[""]


# One tick in the dimension's base unit, as the tick's own prefix says (SI Brochure, Table 7; femto = 1e-15).
TICKS = {
    "fs": -15, "uV": -6, "nm": -9, "nA": -9, "mohm": -3, "ubit/s": -6, "uHz": -6, "um/s": -6, "bit": 0,
    "1e-12": -12, "udB": -6, "nAh": -9, "mdegC": -3,
}  # fmt: skip


@pytest.mark.parametrize("dimension", DIMENSIONS, ids=lambda dimension: dimension.name)
def test_dimension_table_is_consistent(dimension: Dimension) -> None:
    unprefixed = "" if dimension is RATIO else dimension.base
    assert dimension.units[unprefixed] * Fraction(10) ** TICKS[dimension.tick] == 1
    assert dimension.base in dimension.display
    sizes = [dimension.units[unit] for unit in dimension.display]
    assert sizes == sorted(set(sizes))
    assert all(ticks.denominator == 1 and ticks >= 1 for ticks in dimension.units.values())
    parse_quantity(dimension.example, dimension)


def test_no_unit_belongs_to_two_dimensions() -> None:
    units = [unit for dimension in DIMENSIONS for unit in dimension.units]
    assert len(units) == len(set(units))


def test_sums_of_cells_are_exact() -> None:
    # Worked example of the trade: 96 cells at 4.2 V stand at 403.2 V, 16 at 67.2 V (by hand).
    cell = parse_quantity("4.2 V", VOLTAGE)
    assert 96 * cell.max == parse_quantity("403.2 V", VOLTAGE).max
    assert 16 * cell.max == parse_quantity("67.2 V", VOLTAGE).max
    assert 96 * 4.2 != 403.2  # why floats will not do


# Bit times


def test_bit_time_of_a_rate_with_tolerance() -> None:
    # tau = 1 / (2 Mbit/s * (1 -+ 0.01)) by hand: 495.0495049504..., 500, 505.0505050505... ns.
    tau = bit_time(parse_quantity("2 Mbit/s ± 1 %", BIT_RATE))
    assert tau == Span(495_049_504, 500_000_000, 505_050_506)


def test_lin_frame_times() -> None:
    # LIN 2.2 specification, 2.3.2, equations 6 to 8: a frame is 34 + 10 * (N + 1) bits, at 19.2 kbit/s.
    # Figures computed from the equations, in ms, to the digits given.
    tau = bit_time(parse_quantity("19.2 kbit/s", BIT_RATE))
    for count, milliseconds in ((1, "2.8125"), (2, "3.33333"), (4, "4.375"), (8, "6.45833")):
        ticks = (34 + 10 * (count + 1)) * tau.typical
        assert format_ticks(ticks, TIME, digits=6) == f"{milliseconds} ms"


def test_modbus_silence() -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits; at 9600 and 19200 bit/s.
    for rate, printed in (("9600 bit/s", "4.01 ms"), ("19200 bit/s", "2.005 ms")):
        tau = bit_time(parse_quantity(rate, BIT_RATE))
        assert format_ticks(Fraction(77, 2) * tau.typical, TIME) == printed


@pytest.mark.parametrize("rate", ["0 bit/s", "1 kbit/s ± 100 %", "0 bit/s .. 1 Mbit/s"])
def test_no_bit_time_without_a_rate(rate: str) -> None:
    with pytest.raises(QuantityError, match="zero") as caught:
        bit_time(parse_quantity(rate, BIT_RATE))
    assert caught.value.expected == "a bit rate above zero"


@given(st.integers(1, 10**16), st.integers(0, 99))
def test_bit_time_encloses_the_exact_one(rate: int, percent: int) -> None:
    span = parse_quantity(f"{rate} bit/s ± {percent} %", BIT_RATE)
    tau = bit_time(span)
    # Independent arithmetic: decimal, 60 digits, rounded towards the claim's unfavourable side.
    one = Decimal(10**15)
    low = Decimal(rate) * (100 + percent) / 100
    high = Decimal(rate) * (100 - percent) / 100
    assert tau.min <= Context(60, ROUND_FLOOR).divide(one, low)
    assert tau.max >= Context(60, ROUND_CEILING).divide(one, high)
    assert tau.min <= tau.typical <= tau.max
    assert tau.max - Context(60).divide(one, high) < 1  # and no looser than a tick


# Properties of reading
@pytest.mark.parametrize(
    ("ticks", "dimension", "text"),
    [
        (2_302 * MS // 1000, TIME, "2.302 ms"),
        (403_200_000, VOLTAGE, "403.2 V"),
        (0, TIME, "0 s"),
        (0, RATIO, "0 %"),
        (0, CAPACITY, "0 Ah"),
        (1, TIME, "0.001 ps"),
        (Fraction(1, 3), TIME, "0.0003333 ps"),
        (999_960 * 10**6, TIME, "1 ms"),  # rounding carries into the next unit
        (999_940 * 10**6, TIME, "999.9 us"),
        (-1_500 * 10**9, TIME, "-1.5 ms"),  # a margin may be negative though a time in a plan may not
        (1_234_567_000_000, VOLTAGE, "1234567 V"),  # digits before the point are kept
        (7_200 * 10**15, TIME, "2 h"),
        (10**6, RESISTANCE, "1 kohm"),
        (10**9, RESISTANCE, "1 Mohm"),
        (10**3, CURRENT, "1 uA"),
        (1, RATIO, "0.0000000001 %"),
        (10**11, RATIO, "10 %"),
        (-40_000, TEMPERATURE, "-40 degC"),
        (2 * 10**14, SPEED, "200000000 m/s"),
        (10**30, TIME, "277777777778 h"),
    ],
)
def test_format_ticks(ticks: int | Fraction, dimension: Dimension, text: str) -> None:
    assert format_ticks(ticks, dimension) == text


def test_format_digits_and_rounding() -> None:
    ticks = 2_302_650_000_000
    assert format_ticks(ticks, TIME, digits=2) == "2.3 ms"
    assert format_ticks(ticks, TIME, digits=6) == "2.30265 ms"
    assert format_ticks(ticks, TIME, rounding="down") == "2.302 ms"
    assert format_ticks(ticks, TIME, rounding="up") == "2.303 ms"
    assert format_ticks(-ticks, TIME, rounding="down") == "-2.303 ms"
    with pytest.raises(ValueError, match="digits"):
        format_ticks(ticks, TIME, digits=0)


@pytest.mark.parametrize(
    ("span", "dimension", "text"),
    [
        (Span.exact(2 * MS), TIME, "2 ms"),
        (Span(18 * MS // 10, 2 * MS, 23 * MS // 10), TIME, "1.8 to 2.3 ms (typical 2 ms)"),
        (Span(9 * MS // 10, MS, 11 * MS // 10), TIME, "900 us to 1.1 ms (typical 1 ms)"),
        (Span(0, MS, 2 * MS), TIME, "0 to 2 ms (typical 1 ms)"),
        (Span(-3_000_000, 0, 3_000_000), LEVEL, "-3 to 3 dB (typical 0 dB)"),
        # The printed ends enclose the true ones: 495.0495... and 505.0505... ns.
        (Span(495_049_504, 500_000_000, 505_050_506), TIME, "495 to 505.1 ns (typical 500 ns)"),
    ],
)
def test_format_span(span: Span, dimension: Dimension, text: str) -> None:
    assert format_span(span, dimension) == text


_ANY = st.sampled_from(DIMENSIONS)


@given(st.integers(1, 10**28), _ANY, st.integers(1, 12))
@example(1, TIME, 1)
@example(10**28, RATIO, 1)
def test_what_is_written_reads_back_within_its_digits(ticks: int, dimension: Dimension, digits: int) -> None:
    text = format_ticks(ticks, dimension, digits)
    number, unit = text.split(" ")
    assert unit.isascii()
    assert "e" not in number.lower()
    value = Fraction(number) * dimension.units[unit]
    assert value != 0
    assert not ("." in number and number.endswith(("0", ".")))
    # Half a unit of the last significant digit, which is at most 10**(1 - digits) of the value.
    assert abs(value - ticks) * 2 <= Fraction(10) ** (1 - digits) * max(value, Fraction(ticks))
    span = parse_quantity(text, dimension)
    assert span.min <= value <= span.max
    assert format_ticks(-ticks, dimension, digits) == f"-{text}"


@given(st.integers(1, 10**28), st.integers(-15, 25), _ANY, st.integers(1, 6))
def test_directed_rounding_encloses(ticks: int, power: int, dimension: Dimension, digits: int) -> None:
    exact = Fraction(ticks, 10 ** max(power, 0))

    def read(text: str) -> Fraction:
        number, unit = text.split(" ")
        return Fraction(number) * dimension.units[unit]

    low = read(format_ticks(exact, dimension, digits, "down"))
    high = read(format_ticks(exact, dimension, digits, "up"))
    assert 0 < low <= exact <= high
    assert -high == read(format_ticks(-exact, dimension, digits, "down"))


def test_to_unit() -> None:
    assert to_unit(403_200_000, VOLTAGE, "V") == 403.2
    assert to_unit(Fraction(1, 2), TIME, "ps") == 0.0005
    assert to_unit(0, TIME, "s") == 0.0
    assert to_unit(66 * 10**10, RATIO, "") == 0.66
    with pytest.raises(KeyError):
        to_unit(1, TIME, "V")


@given(st.integers(-(10**15), 10**15))
def test_to_unit_is_the_float_nearest_to_the_exact_value(ticks: int) -> None:
    # Python's float() of a decimal text is correctly rounded: an independent way to the same number.
    assert to_unit(ticks, VOLTAGE, "V") == float(f"{ticks}e-6")


def test_import_is_light() -> None:
    code = (
        "import sys, chainplan.quantity\n"
        "print(*sorted({'difflib', 'pydantic', 'networkx', 'yaml', 'rich'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""
