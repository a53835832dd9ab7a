"""Printed figures: rounded to the unfavourable side, signs said, text safe for any stream."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_up_figures import made_up

from chainplan.figures.figure import Figure, Sense
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import BITS, LENGTH, RATIO, TIME, VOLTAGE, Dimension
from chainplan.report.figures import (
    Look,
    byte_number,
    limit,
    margin,
    margin_share,
    runs_of,
    worst,
)

TICKS = st.integers(0, 10**17)
PRINTED = st.sampled_from([TIME, VOLTAGE, LENGTH, RATIO])


def verdict(
    value: int | None, bound: int | None, sense: Sense = "at most", dimension: Dimension = TIME
) -> Figure:
    return made_up("a target", "a part", value, sense, bound, dimension, "figure")


def read(text: str, dimension: Dimension) -> int:
    """Read a printed figure back with the reader of plan files, which shares no code with the printing."""
    return parse_quantity(text, dimension).typical


@given(TICKS, TICKS, PRINTED)
def test_no_figure_looks_better_than_it_is_at_most(value: int, bound: int, dimension: Dimension) -> None:
    each = verdict(value, bound, dimension=dimension)
    assert read(worst(each), dimension) >= value
    assert read(limit(each).removeprefix("≤ "), dimension) <= bound


@given(TICKS, TICKS, PRINTED)
def test_no_figure_looks_better_than_it_is_at_least(value: int, bound: int, dimension: Dimension) -> None:
    each = verdict(value, bound, "at least", dimension)
    assert read(worst(each), dimension) <= value
    assert read(limit(each).removeprefix("≥ "), dimension) >= bound


@given(TICKS, TICKS, st.sampled_from(["at most", "below", "at least"]))
def test_margin_is_rounded_down_and_signed_as_the_verdict(value: int, bound: int, sense: Sense) -> None:
    each = verdict(value, bound, sense)
    text = margin(each)
    assert each.margin is not None
    if each.margin == 0:
        assert text == "0 exactly"
        return
    size = read(text.lstrip("+-"), TIME)
    if text.startswith("+"):
        assert each.status == "met"
        assert 0 < size <= each.margin
    else:
        assert text.startswith("-")
        assert each.status == "missed"
        assert size >= -each.margin > 0


@given(TICKS, st.integers(1, 10**17))
def test_margin_share_never_says_more_than_there_is(value: int, bound: int) -> None:
    each = verdict(value, bound)
    share, text = each.margin_share, margin_share(each)
    assert share is not None
    if text == "+<0.1 %":
        assert 0 < share * 1000 < 1
    elif share == 0:
        assert text == "equality is met"
    else:
        assert text[0] == ("+" if share > 0 else "-")
        assert read(text.lstrip("+-"), RATIO) <= abs(share) * 10**12 if share > 0 else True
        assert read(text.lstrip("+-"), RATIO) >= abs(share) * 10**12 if share < 0 else True


def test_margin_of_zero_says_what_equality_means() -> None:
    # ISO 26262-1:2018: FHTI must be lower than FTTI, so equality is a miss there.
    assert margin(verdict(10**12, 10**12, "below")) == "0 exactly"
    assert margin_share(verdict(10**12, 10**12, "below")) == "equality is a miss"
    assert margin_share(verdict(10**12, 10**12, "at most")) == "equality is met"


def test_one_tick_too_much_is_seen() -> None:
    late = verdict(10**12 + 1, 10**12)
    assert worst(late) == "1.001 ms"
    assert limit(late) == "≤ 1 ms"
    assert margin(late) == "-0.001 ps"
    assert margin_share(late) == "-0.1 %"


def test_unknown_figures_say_so() -> None:
    unknown = verdict(None, 10**12)
    assert (worst(unknown), margin(unknown), margin_share(unknown)) == ("unknown", "-", "-")
    assert limit(verdict(1, None)) == "unknown"


def test_ratios_have_margins_in_points_and_data_counts_in_bytes() -> None:
    assert margin(verdict(75 * 10**10, 80 * 10**10, dimension=RATIO)) == "+5 points"
    assert worst(verdict(25, 40, dimension=BITS)) == "3.125 byte"
    assert worst(verdict(16_000, 40, dimension=BITS)) == "2 kB"


@pytest.mark.parametrize(("bits", "text"), [(0, "0"), (8, "1"), (9, "1.125"), (12_345_678, "1543209.75")])
def test_byte_numbers(bits: int, text: str) -> None:
    assert byte_number(bits) == text


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([], ""),
        ([3], "3"),
        ([1, 2, 3, 7], "1..3, 7"),
        (list(range(0, 40, 2)), "0, 2, 4, 6, 8, 10, 12, 14 and 12 more"),
    ],
)
def test_runs_of_numbers(numbers: list[int], text: str) -> None:
    assert runs_of(numbers) == text


@given(st.text(max_size=30), st.sampled_from(["utf-8", "ascii", "latin-1", "cp437", "no-such-code"]))
def test_any_text_fits_any_stream_and_moves_no_cursor(text: str, encoding: str) -> None:
    shown = Look(80, encoding).text(text)
    shown.encode("ascii" if encoding == "no-such-code" else encoding)
    assert shown.isprintable() or encoding == "utf-8"


def test_ascii_has_a_sign_for_what_reports_draw_with() -> None:
    plain = Look(80, "ascii")
    assert not plain.unicode
    assert plain.text("≤ 2 ms ± 1 %, 5 µs, ✓ met") == "<= 2 ms +/- 1 %, 5 us, + met"
    assert plain.text("Fähre \x1b[31m") == "F\\xe4hre \\x1b[31m"
