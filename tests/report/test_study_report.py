"""What a study shows: plots that place every candidate, round ticks, marks told apart without colour."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from chainplan.quantity import COUNT, LENGTH, RATIO, TIME, Dimension
from chainplan.report.figures import Look
from chainplan.report.study_plot import HEIGHT, MOST_POINTS, Axis, Point, scatter_lines, scatter_svg, ticks

SVG = {"svg": "http://www.w3.org/2000/svg"}


def axis(low: int, high: int, dimension: Dimension = TIME, name: str = "scan time") -> Axis:
    return Axis(name, "minimise", dimension, Fraction(low), Fraction(high))


MS = 10**12
ACROSS, UP = axis(0, 10 * MS), axis(0, 5 * 10**9, LENGTH, "cable length")
THREE = [Point("met", 0, 0), Point("front", 10 * MS, 5 * 10**9), Point("missed", 5 * MS, 5 * 10**9)]


def test_a_plot_in_the_terminal_places_every_kind() -> None:
    lines = scatter_lines(THREE, ACROSS, UP, Look(60))
    assert lines[0] == "cable length, minimise"
    top, bottom = lines[1], lines[HEIGHT]
    assert top.startswith(" 5 m│")
    assert top.endswith("●")
    assert top.index("·") == pytest.approx((top.index("│") + 1 + top.index("●")) / 2, abs=1)
    assert bottom.startswith(" 0 m│○")
    assert max(map(len, lines[:-1])) <= 60  # the legend below needs 63; no screen is taken for so narrow


def test_candidates_beyond_the_plot_are_counted() -> None:
    assert scatter_lines(THREE, ACROSS, UP, Look(80), 3)[-1].startswith("● on")
    assert scatter_lines(THREE, ACROSS, UP, Look(80), 10)[-1].startswith("7 candidates beyond these axes")
    root = etree.fromstring(scatter_svg("T", THREE, ACROSS, UP, 4).encode())
    assert "1 candidate beyond these axes" in root.findtext("svg:desc", namespaces=SVG)


def test_a_plot_without_block_signs() -> None:
    lines = scatter_lines(THREE, ACROSS, UP, Look(60, "ascii"))
    assert all(line.isascii() for line in lines)
    assert lines[1].endswith("#")
    assert lines[-1] == "# on the Pareto front   o meets its targets   . misses a target"


def test_what_matters_more_is_drawn_over_the_rest() -> None:
    points = [Point("front", 5, 5), Point("met", 5, 5), Point("missed", 5, 5)]
    lines = scatter_lines(points, axis(5, 5), axis(5, 5), Look(60))
    assert sum(line.count("●") for line in lines[:-1]) == 1
    assert "○" not in "".join(lines)


@given(st.integers(-(10**15), 10**15), st.integers(1, 10**15), st.sampled_from([TIME, LENGTH, RATIO, COUNT]))
def test_ticks_are_round_and_lie_on_the_axis(low: int, reach: int, dimension: Dimension) -> None:
    found = ticks(axis(low, low + reach, dimension))
    values = [value for value, _ in found]
    assert 2 <= len(found) <= 8
    assert all(low <= value <= low + reach for value in values)
    assert len({b - a for a, b in pairwise(values)}) == 1
    unit = found[-1][1].partition(" ")[2]
    for value, text in found:
        assert Fraction(text.removesuffix(unit).strip()) * dimension.units[unit] == value


def test_a_drawing_keeps_its_front_however_many_candidates_there_are() -> None:
    many = [Point("met", step, step) for step in range(3 * MOST_POINTS)]
    front = [Point("front", 0, 0), Point("front", 7, 3)]
    root = etree.fromstring(scatter_svg("A & <B>", [*many, *front], axis(0, 10**5), axis(0, 10**5)).encode())
    filled = [each for each in root.iterfind(".//svg:circle", SVG) if each.get("fill") != "none"]
    rings = [each for each in root.iterfind(".//svg:circle", SVG) if each.get("fill") == "none"]
    assert len(filled) == len(front) + 1  # and one in the legend
    assert MOST_POINTS / 2 <= len(rings) <= MOST_POINTS + 2
    assert root.findtext("svg:title", namespaces=SVG) == "A & <B>"
    assert "15000 candidates: meets its targets" in root.findtext("svg:desc", namespaces=SVG)


def test_marks_stay_within_the_frame() -> None:
    root = etree.fromstring(scatter_svg("T", THREE, ACROSS, UP).encode())
    frame = next(each for each in root.iterfind("svg:rect", SVG) if each.get("fill") == "none")
    left, top = float(frame.get("x")), float(frame.get("y"))
    right, bottom = left + float(frame.get("width")), top + float(frame.get("height"))
    marks = [each for each in root.iterfind("svg:circle", SVG) if float(each.get("cy")) < bottom]
    assert len(marks) == 2
    for mark in marks:
        assert left < float(mark.get("cx")) < right
        assert top < float(mark.get("cy")) < bottom
    texts = [each.text for each in root.iterfind("svg:text", SVG)]
    assert "2 ms" in texts
    assert "4 m" in texts
