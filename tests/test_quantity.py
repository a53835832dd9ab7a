"""Quantities: texts good and bad, outward rounding, and the unit table against the SI."""

from __future__ import annotations

import pickle
import subprocess
import sys
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import constants

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
    parse_quantity,
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
    assert rest <= {"min", "h", "d", "c"}


def test_non_si_units() -> None:
    # SI Brochure, 9th edition, Table 8 (min, h, d) and section 2.2 (speed of light), by scipy.constants.
    second = TIME.units["s"]
    assert TIME.units["min"] == second * int(constants.minute)
    assert TIME.units["h"] == second * int(constants.hour)
    assert TIME.units["d"] == second * int(constants.day)
    assert SPEED.units["c"] == SPEED.units["m/s"] * int(constants.speed_of_light)
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


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("2 ms", TIME, (2 * MS, 2 * MS, 2 * MS)),
        ("2ms", TIME, (2 * MS, 2 * MS, 2 * MS)),
        ("  2 \t ms\n", TIME, (2 * MS, 2 * MS, 2 * MS)),
        ("2\u00a0ms", TIME, (2 * MS, 2 * MS, 2 * MS)),
        ("+2 ms", TIME, (2 * MS, 2 * MS, 2 * MS)),
        ("2e-3 s", TIME, (2 * MS, 2 * MS, 2 * MS)),
        (".5 ms", TIME, (MS // 2, MS // 2, MS // 2)),
        ("0 s", TIME, (0, 0, 0)),
        ("2 \u00b5s", TIME, (2 * 10**9,) * 3),
        ("2 \u03bcs", TIME, (2 * 10**9,) * 3),
        ("5 min", TIME, (300 * 10**15,) * 3),
        ("2 k\u03a9", RESISTANCE, (2 * 10**6,) * 3),
        ("2 k\u2126", RESISTANCE, (2 * 10**6,) * 3),
        ("2e8 m/s", SPEED, (2 * 10**14,) * 3),
        ("0.66 c", SPEED, (197_863_022_280_000,) * 3),
        ("0.66", RATIO, (66 * 10**10,) * 3),
        ("66 %", RATIO, (66 * 10**10,) * 3),
        ("4 bytes", BITS, (32, 32, 32)),
        ("-3 dB", LEVEL, (-3_000_000,) * 3),
        ("\u221240 °C", TEMPERATURE, (-40_000,) * 3),
        ("2 Mbit/s ± 1 %", BIT_RATE, (198 * 10**10, 200 * 10**10, 202 * 10**10)),
        ("2 Mbit/s +/- 1 %", BIT_RATE, (198 * 10**10, 200 * 10**10, 202 * 10**10)),
        ("2Mbit/s±1%", BIT_RATE, (198 * 10**10, 200 * 10**10, 202 * 10**10)),
        ("2 V ± 500 ppm", VOLTAGE, (1_999_000, 2_000_000, 2_001_000)),
        ("2 ms ± 0.1 ms", TIME, (19 * MS // 10, 2 * MS, 21 * MS // 10)),
        ("2 ms ± 100 us", TIME, (19 * MS // 10, 2 * MS, 21 * MS // 10)),
        ("2 ms ± 100 %", TIME, (0, 2 * MS, 4 * MS)),
        ("-10 dB ± 10 %", LEVEL, (-11_000_000, -10_000_000, -9_000_000)),
        ("0.66 ± 0.02", RATIO, (64 * 10**10, 66 * 10**10, 68 * 10**10)),
        ("0.5 ± 1 %", RATIO, (495 * 10**9, 500 * 10**9, 505 * 10**9)),
        ("1.8 ms .. 2.3 ms", TIME, (18 * MS // 10, 205 * MS // 100, 23 * MS // 10)),
        ("900 us..1.1 ms", TIME, (9 * MS // 10, MS, 11 * MS // 10)),
        ("-40 degC .. 85 degC", TEMPERATURE, (-40_000, 22_500, 85_000)),
        # Below one tick: the minimum goes down, the maximum up, the typical to the nearest.
        ("0.3 uV", VOLTAGE, (0, 0, 1)),
        ("0.7 uV", VOLTAGE, (0, 1, 1)),
        ("-0.3 mdB .. 0.0001 mdB", LEVEL, (-300, -150, 1)),
        ("-0.0001 mdB", LEVEL, (-1, 0, 0)),
        ("1e-60 s", TIME, (0, 0, 1)),
    ],
)  # fmt: skip
def test_good_texts(text: str, dimension: Dimension, expected: tuple[int, int, int]) -> None:
    assert parse_quantity(text, dimension) == Span(*expected)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ({"min": "1 ms", "typical": "2 ms", "max": "4 ms"}, (MS, 2 * MS, 4 * MS)),
        ({"max": "4 ms", "nominal": "2 ms", "min": "1000 us"}, (MS, 2 * MS, 4 * MS)),
        ({"min": "1 ms", "max": "4 ms"}, (MS, 25 * MS // 10, 4 * MS)),
        ({"typical": "2 ms", "max": "4 ms"}, (2 * MS, 2 * MS, 4 * MS)),
        ({"min": "1 ms", "nominal": "2 ms"}, (MS, 2 * MS, 2 * MS)),
        ({"min": "2 ms", "max": "2 ms"}, (2 * MS, 2 * MS, 2 * MS)),
    ],
)
def test_good_mappings(value: dict[str, str], expected: tuple[int, int, int]) -> None:
    assert parse_quantity(value, TIME) == Span(*expected)


def test_plain_numbers_are_ratios_only() -> None:
    assert parse_quantity(0.66, RATIO) == Span.exact(66 * 10**10)  # the decimal number, not its binary float
    assert parse_quantity(1, RATIO) == Span.exact(10**12)
    assert parse_quantity({"min": 0.6, "max": 0.7}, RATIO) == Span(6 * 10**11, 65 * 10**10, 7 * 10**11)


@pytest.mark.parametrize(
    ("value", "dimension", "words", "nearest"),
    [
        ("3 V", TIME, "V is a unit of voltage", None),
        ("5 mm", TIME, "mm is a unit of length", None),
        ("2 mbit/s", BIT_RATE, "Mbit/s or kbit/s", "Mbit/s or kbit/s"),
        ("2 MS", TIME, "did you mean ms", "ms"),
        ("2 mv", VOLTAGE, r"did you mean mV\?", "mV"),
        ("2 Khz", FREQUENCY, "did you mean kHz", "kHz"),
        ("2 Mbps", BIT_RATE, "did you mean Mbit/s", "Mbit/s"),
        ("2 seconds", TIME, "not a unit of time", None),
        ("2 byt", BITS, "did you mean byte", "byte"),
        ("3 furlong", LENGTH, "not a unit of length", None),
        ("2", TIME, "has no unit", None),
        ("0", TIME, "has no unit", None),
        (2, TIME, "2 has no unit", None),
        (0.0, VOLTAGE, "has no unit", None),
        ("ms", TIME, "not a number and a unit", None),
        ("", TIME, "not a number and a unit", None),
        ("", RATIO, "not a number and a unit", None),
        (". ms", TIME, "not a number and a unit", None),
        ("1_000 ms", TIME, "not a number and a unit", None),
        ("1 000 ms", TIME, "not a number and a unit", None),
        ("1/2 ms", TIME, "not a number and a unit", None),
        ("0x10 ms", TIME, "not a number and a unit", None),
        ("\u0663 ms", TIME, "not a number and a unit", None),  # a digit, though not one of 0 to 9
        ("2 ms\x1b[2J", TIME, r"2 ms\?\[2J", None),  # nothing that a terminal would obey
        ("1,5 ms", TIME, "decimal sign as a point", None),
        ("nan ms", TIME, "not a finite number", None),
        ("-inf s", TIME, "not a finite number", None),
        (".inf s", TIME, "not a finite number", None),
        (float("nan"), RATIO, "not finite", None),
        (float("inf"), RATIO, "not finite", None),
        (True, RATIO, "true or false", None),
        (False, TIME, "true or false", None),
        (None, TIME, "nothing", None),
        (["2 ms"], TIME, "a list", None),
        (b"2 ms", TIME, "bytes", None),
        ("-2 ms", TIME, "no negative time", None),
        ("1 ms ± 2 ms", TIME, "reaches below zero", None),
        ("-1 ms .. 2 ms", TIME, "reaches below zero", None),
        ("3 ms .. 2 ms", TIME, "rise in this order", None),
        ("1.8 .. 2.3 ms", TIME, "at both ends", "1.8 ms .. 2.3 ms"),
        ("15-25 ms", TIME, "two points", "15 ms .. 25 ms"),
        ("15 ms to 2 s", TIME, "two points", "15 ms .. 2 s"),
        ("2 ms +- 1 %", TIME, "±", "2 ms ± 1 %"),
        ("2 MOhm", RESISTANCE, "mohm or Mohm", "mohm or Mohm"),
        ("1 .. 2 %", RATIO, "at both ends", None),
        ("1...2", RATIO, "one range", None),
        ("1 ms .. 2 ms .. 3 ms", TIME, "one range", None),
        ("1 ms .. 2 ms ± 1 %", TIME, "not a number and a unit|one range", None),
        (".. 2 ms", TIME, "one range", None),
        ("2 ms ±", TIME, "one tolerance", None),
        ("± 1 %", TIME, "one tolerance", None),
        ("2 ms ± 1 % ± 1 %", TIME, "one tolerance", None),
        ("2 ms ± 5", TIME, "tolerance has no unit", None),
        ("2 ms ± 5 V", TIME, "V is a unit of voltage", None),
        ("2 ms ± -1 %", TIME, "no sign of its own", None),
        ("2 ± 1 % ms", TIME, "has no unit|not a number", None),
        ("10 % ± 1 %", RATIO, "two ways", None),
        ("100 ppm ± 0.1", RATIO, "two ways", None),
        ("1e999999999 s", TIME, "exponent", None),
        ("1e-999999999 s", TIME, "exponent", None),
        ("1e16 s", TIME, "far too large", None),
        ("-1e40 dB", LEVEL, "far too large", None),
        ("1 s ± 1e40 %", TIME, "far too large", None),
        ({}, TIME, "two or three", None),
        ({"max": "2 ms"}, TIME, "two or three", None),
        ({"min": "1 ms", "typ": "2 ms"}, TIME, "did you mean typical", "typical"),
        ({"min": "1 ms", "zzz": "2 ms"}, TIME, '"zzz" is not a key', None),
        ({1: "1 ms", "max": "2 ms"}, TIME, "not a key", None),
        ({"typical": "1 ms", "nominal": "1 ms"}, TIME, "the same", None),
        ({"min": "3 ms", "max": "2 ms"}, TIME, "rise in this order", None),
        ({"min": "1 ms", "typical": "3 ms", "max": "2 ms"}, TIME, "rise in this order", None),
        ({"min": "1 ms ± 1 %", "max": "2 ms"}, TIME, "min: .*no tolerance of its own", None),
        ({"min": "1 ms", "max": "2 Ms"}, TIME, "max: .*did you mean ms", "ms"),
        ({"min": "1 ms", "max": 2}, TIME, "max: 2 has no unit", None),
        ({"min": "1 ms", "max": {"min": "1 ms", "max": "2 ms"}}, TIME, "max: dict is not", None),
    ],
    ids=lambda value: repr(value)[:40] if isinstance(value, str) else None,
)  # fmt: skip
def test_bad_values(value: object, dimension: Dimension, words: str, nearest: str | None) -> None:
    with pytest.raises(QuantityError, match=words) as caught:
        parse_quantity(value, dimension)
    assert caught.value.nearest == nearest
    assert dimension.example in caught.value.expected
    assert dimension.accepted() in caught.value.expected
    assert len(str(caught.value)) < 200
    assert str(caught.value).isprintable()


def test_huge_values_are_refused_before_work_is_done_on_them() -> None:
    # Too long to be printed (Python refuses whole numbers of more than 4300 digits) or to be a test's name.
    for value in ("9" * 5000 + " s", "2 " + "m" * 10_000_000, " " * 10_000_000 + "2 ms"):
        with pytest.raises(QuantityError, match="too long") as caught:
            parse_quantity(value, TIME)
        assert len(str(caught.value)) < 200
    for dimension in (RATIO, TIME):
        with pytest.raises(QuantityError, match="far too large"):
            parse_quantity(10**5000, dimension)
        with pytest.raises(QuantityError, match="not a key"):
            parse_quantity({10**5000: "1 ms", "max": "2 ms"}, dimension)


def test_error_survives_the_way_back_from_a_worker_process() -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity("2 mbit/s", BIT_RATE)
    copy = pickle.loads(pickle.dumps(caught.value))
    assert (str(copy), copy.expected, copy.nearest) == (
        str(caught.value),
        caught.value.expected,
        caught.value.nearest,
    )


def test_equal_dimensions_read_alike_and_different_ones_do_not_share_memory() -> None:
    assert parse_quantity("2 ms", pickle.loads(pickle.dumps(TIME))) == parse_quantity("2 ms", TIME)
    assert parse_quantity("5 m", LENGTH) == Span.exact(5 * 10**9)
    minutes = Dimension("time", "fs", {"m": Fraction(60 * 10**15)}, ("m",), "m", "5 m")
    assert parse_quantity("5 m", minutes) == Span.exact(300 * 10**15)
    with pytest.raises(QuantityError):
        parse_quantity("5 m", TIME)


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

_DECIMALS = st.decimals(0, 10**9, places=9, allow_nan=False, allow_infinity=False)


@given(_DECIMALS, st.decimals(0, 100, places=6))
def test_percent_tolerance_contains_the_exact_values(value: Decimal, percent: Decimal) -> None:
    span = parse_quantity(f"{value:f} V ± {percent:f} %", VOLTAGE)
    exact = Context(80)
    microvolts = exact.multiply(value, Decimal(10**6))
    share = exact.divide(percent, Decimal(100))
    low = exact.multiply(microvolts, exact.subtract(Decimal(1), share))
    high = exact.multiply(microvolts, exact.add(Decimal(1), share))
    assert span.min == int(low.to_integral_value(ROUND_FLOOR))
    assert span.max == int(high.to_integral_value(ROUND_CEILING))
    assert abs(2 * (span.typical - microvolts)) <= 1
    assert span.min <= span.typical <= span.max


@given(_DECIMALS, _DECIMALS, st.sampled_from(("uV", "mV", "V", "kV")))
def test_range_is_the_mapping_of_its_ends(one: Decimal, other: Decimal, unit: str) -> None:
    low, high = (f"{value:f} {unit}" for value in sorted((one, other)))
    span = parse_quantity(f"{low} .. {high}", VOLTAGE)
    assert span == parse_quantity({"min": low, "max": high}, VOLTAGE)
    assert span.min <= span.typical <= span.max
    assert span.min == parse_quantity(low, VOLTAGE).min
    assert span.max == parse_quantity(high, VOLTAGE).max


@given(st.text(max_size=30) | st.from_regex(r"\A[-+]?[0-9.eE±% +/.]{0,20}(ms|V|%|)\Z"))
@example("1e60 s ± 1e60 %")
def test_any_text_is_read_in_order_or_refused(text: str) -> None:
    for dimension in (TIME, RATIO, TEMPERATURE):
        try:
            span = parse_quantity(text, dimension)
        except QuantityError:
            continue
        assert span.min <= span.typical <= span.max
        assert dimension.signed or span.min >= 0


# Writing


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
    with pytest.raises(QuantityError, match="V is a unit of voltage"):
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
