"""Quantities as people write them: texts good and bad, read outward or refused with what was meant."""

from __future__ import annotations

import pickle
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import (
    BIT_RATE,
    BITS,
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
)

MS = 10**12  # fs


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("2 ms", TIME, (2 * MS, 2 * MS, 2 * MS)),
        ("2ms", TIME, (2 * MS, 2 * MS, 2 * MS)),
        ("10 in", LENGTH, (254 * 10**6,) * 3),
        ("1.5 ft", LENGTH, (4572 * 10**5,) * 3),
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
        ({"min": "1 ms", "typic": "2 ms"}, TIME, "did you mean typical", "typical"),
        ({"typ": "1 ms", "nominal": "2 ms"}, TIME, "are the same", None),
        ("10 Hz", TIME, "Hz is a unit of frequency", "100 ms"),
        ("2 kHz ± 1 %", TIME, "kHz is a unit of frequency", "500 us"),
        ("0 Hz", TIME, "Hz is a unit of frequency", None),
        ("2 foot", LENGTH, "did you mean ft", "ft"),
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


def test_error_survives_the_return_path_from_a_worker_process() -> None:
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
