"""Timelines to scale: exact pictures of small cases, and what must hold for any."""

from __future__ import annotations

from fractions import Fraction

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from chainplan.quantity import TIME, format_ticks
from chainplan.report.timeline import (
    Bar,
    Lane,
    draw_legend,
    draw_timeline,
)

US, MS = 10**9, 10**12
GLYPHS = {"request": "█", "conversion": "▒", "answers": "▓", "reserve": "░"}
LANES = [
    Lane("trigger", (Bar(0, 120 * US, "request"),)),
    Lane("convert", (Bar(120 * US, 2420 * US, "conversion"),)),
    Lane("read", (Bar(2420 * US, 2500 * US, "request"), Bar(2500 * US, 5803 * US, "answers"))),
    Lane("電池", ()),
]
LETTERS = {kind: kind for kind in "abcdefghijklmnopqrst"}


def time(ticks: int) -> str:
    return format_ticks(ticks, TIME, rounding="up")


def picture(lines: list[str]) -> str:
    return "\n".join(("", *lines, ""))


def cells(bars: list[Bar], total: int, width: int) -> str:
    """Return the ``width`` cells of one lane without a label, times too long to stand beside it."""
    lines = draw_timeline([Lane("", tuple(bars))], total, width + 1, LETTERS, True, lambda _: "x" * 50)
    assert len(lines[1]) == width + 1
    return lines[1][1:]


def test_times_beside_the_lanes() -> None:
    assert (
        picture(draw_timeline(LANES, 10 * MS, 64, GLYPHS, False, time))
        == """
        |0 s   |2 ms  |4 ms   |6 ms  |8 ms       start       end
trigger █····································      0 s    120 us
convert ▒▒▒▒▒▒▒▒▒····························   120 us   2.42 ms
read    ·········█▓▓▓▓▓▓▓▓▓▓▓················  2.42 ms  5.803 ms
電池    ·····································        -         -
"""
    )


def test_times_below_on_a_narrow_screen() -> None:
    assert (
        picture(draw_timeline(LANES[:3], 10 * MS, 36, GLYPHS, False, time))
        == """
        |0 s          |5 ms
trigger █···························
        0 s  to 120 us
convert ▒▒▒▒▒▒▒·····················
        120 us  to 2.42 ms
read    ······█▓▓▓▓▓▓▓▓▓············
        2.42 ms  to 5.803 ms
"""
    )


def test_ascii() -> None:
    lines = draw_timeline(LANES, 10 * MS, 64, GLYPHS, True, lambda ticks: time(ticks).replace("us", "µs"))
    assert (
        picture([*lines, *draw_legend(40, GLYPHS, True)])
        == r"""
             |0 s  |2 ms |4 ms  |6 ms |8 ms      start       end
trigger      #...............................      0 s    120 us
convert      ========........................   120 us   2.42 ms
read         .......#***********.............  2.42 ms  5.803 ms
\u96fb\u6c60 ................................        -         -
# request   = conversion   * answers
+ reserve
"""
    )


def test_ascii_signs_stay_apart() -> None:
    glyphs = {"own": "#", "one": "█", "two": "▒"}
    assert draw_legend(60, glyphs, True) == ["# own   = one   * two"]
    assert draw_legend(60, glyphs, False) == ["# own   █ one   ▒ two"]


def test_labels_are_cut_and_made_safe() -> None:
    lanes = [Lane("a label that is far too long for it", ()), Lane("\x1b[31mred", ())]
    lines = draw_timeline(lanes, 10, 40, {}, False, str)
    assert lines[1].startswith("a label t… ·")
    assert lines[2].startswith("\\x1b[31mred ·") or lines[2].startswith("\\x1b[31mr… ·")
    assert draw_timeline(lanes, 10, 40, {}, True, str)[1].startswith("a label t~ .")


@pytest.mark.parametrize(
    ("bars", "drawn"),
    [
        # Cells of ten ticks. The longest part of a cell wins, the empty part too.
        ([Bar(0, 16, "a"), Bar(16, 30, "b")], "aab"),
        ([Bar(0, 14, "a"), Bar(14, 30, "b")], "abb"),
        ([Bar(4, 96, "a")], "aaaaaaaaaa"),
        ([Bar(6, 94, "a")], ".aaaaaaaa"),
        ([Bar(0, 3, "a"), Bar(3, 7, "b"), Bar(7, 10, "c")], "b"),
        ([Bar(0, 30, "a"), Bar(10, 22, "b"), Bar(20, 29, "c")], "abc"),
        ([Bar(0, 34, "a"), Bar(0, 34, "b")], "baa"),  # side by side they leave the fourth cell mostly empty
        # No bar is lost while a cell that it touches can be had.
        ([Bar(44, 45, "a")], "....a"),
        ([Bar(0, 100, "a"), Bar(50, 51, "b")], "aaaaabaaaa"),
        ([Bar(0, 19, "a"), Bar(19, 20, "b")], "ab"),
        ([Bar(8, 19, "a"), Bar(19, 20, "b")], "ab"),
        ([Bar(9, 18, "a"), Bar(18, 28, "b"), Bar(28, 29, "c")], "abc"),
        ([Bar(99, 100, "a"), Bar(0, 1, "b")], "b........a"),
        # What takes no time is not drawn.
        ([Bar(50, 50, "a")], ""),
    ],
)
def test_cells(bars: list[Bar], drawn: str) -> None:
    assert cells(bars, 200, 20) == drawn.ljust(20, ".")


@st.composite
def bars_of_a_lane(draw: st.DrawFn) -> tuple[int, list[Bar]]:
    total = draw(st.integers(1, 10**6) | st.integers(1, 60))
    pairs = draw(st.lists(st.tuples(st.integers(0, total), st.integers(0, total)), max_size=len(LETTERS)))
    return total, [Bar(min(p), max(p), kind) for p, kind in zip(pairs, LETTERS, strict=False)]


@given(drawing=bars_of_a_lane(), width=st.integers(19, 60))
@settings(deadline=None)
def test_as_many_bars_are_seen_as_cells_allow(drawing: tuple[int, list[Bar]], width: int) -> None:
    # Oracle: networkx.bipartite.hopcroft_karp_matching of bars with the cells that they touch.
    total, bars = drawing
    drawn = cells(bars, total, width)
    graph: nx.Graph[str | int] = nx.Graph()
    for bar in bars:
        touched = [
            cell
            for cell in range(width)
            if bar.start * width < (cell + 1) * total and cell * total < bar.end * width
        ]
        if bar.start < bar.end:
            graph.add_edges_from((bar.kind, cell) for cell in touched)
            assert all(cell in touched for cell, sign in enumerate(drawn) if sign == bar.kind)
    kinds = [bar.kind for bar in bars if bar.start < bar.end]
    seen = sum(kind in drawn for kind in kinds)
    assert seen == len(nx.bipartite.hopcroft_karp_matching(graph, kinds)) // 2


@given(
    edges=st.lists(st.integers(0, 10**6), min_size=2, max_size=2 * len(LETTERS)).map(sorted),
    width=st.integers(19, 60),
)
@settings(deadline=None)
def test_bars_in_turn_keep_their_order_and_their_place(edges: list[int], width: int) -> None:
    """Bars that do not overlap are drawn in order; long ones to the half cell where they belong."""
    pairs = list(zip(edges[::2], edges[1::2], strict=False))
    bars = [Bar(start, end, kind) for (start, end), kind in zip(pairs, LETTERS, strict=False)]
    drawn = cells(bars, 10**6, width)
    signs = [sign for sign in drawn if sign != "."]
    assert signs == sorted(signs)
    cell = Fraction(10**6, width)
    for before, bar, after in zip([None, *bars], bars, [*bars[1:], None], strict=False):
        apart = (before is None or bar.start - before.end > 2 * cell) and (
            after is None or after.start - bar.end > 2 * cell
        )
        if apart and bar.end - bar.start >= 2 * cell:
            first, last = drawn.index(bar.kind), drawn.rindex(bar.kind) + 1
            assert abs(first * cell - bar.start) <= cell / 2
            assert abs(last * cell - bar.end) <= cell / 2
            assert set(drawn[first:last]) == {bar.kind}


@given(total=st.integers(1, 10**16), width=st.integers(20, 200))
@settings(deadline=None)
def test_scale_marks_stand_at_round_values(total: int, width: int) -> None:
    line = draw_timeline([], total, width, {}, False, str)[0]
    drawing = line.removesuffix("start  end").rstrip()
    area = width - 1 - (2 + len("start  end") if line.endswith("end") else 0)
    marks = [at - 1 for at, sign in enumerate(drawing) if sign == "|"]
    values = [int(text) for text in drawing.split("|")[1:] if text.strip()]
    assert values[0] == 0
    step = values[1] if len(values) > 1 else None
    for number, (mark, value) in enumerate(zip(marks, values, strict=False)):
        assert mark == value * area // total
        assert step is None or value == number * step
    assert step is None or str(step).rstrip("0") in {"1", "2", "5"}
    assert len(marks) - len(values) in {0, 1}  # the last one may have no room for its label


texts = st.text(st.sampled_from("ab1 -µΩ電池モジ한é\n\x1b"), max_size=40)


@given(
    lanes=st.lists(
        st.tuples(texts, st.lists(st.tuples(st.integers(0, 999), st.integers(0, 999)), max_size=6))
    ),
    width=st.integers(20, 200),
    ascii_only=st.booleans(),
    unit=texts,
)
@settings(deadline=None)
def test_no_line_of_a_timeline_is_too_wide(
    lanes: list[tuple[str, list[tuple[int, int]]]], width: int, ascii_only: bool, unit: str
) -> None:
    # Oracle of widths: rich.cells.cell_len.
    drawn = [
        Lane(label, tuple(Bar(min(pair), max(pair), "request") for pair in pairs)) for label, pairs in lanes
    ]
    lines = draw_timeline(drawn, 999, width, GLYPHS, ascii_only, lambda ticks: f"{ticks} {unit}")
    lines += draw_legend(width, {**GLYPHS, unit: "x"}, ascii_only)
    for line in lines:
        assert cell_len(line) <= width
        assert line.isprintable()
        assert line.isascii() or not ascii_only


@pytest.mark.parametrize(
    ("bar", "total", "width", "glyph", "message"),
    [
        (Bar(5, 4, "a"), 10, 40, "x", "5 to 4 is not within 0 to 10"),
        (Bar(5, 11, "a"), 10, 40, "x", "5 to 11 is not within 0 to 10"),
        (Bar(-1, 4, "a"), 10, 40, "x", "-1 to 4 is not within 0 to 10"),
        (Bar(1, 4, "b"), 10, 40, "x", "no sign for 'b'"),
        (Bar(1, 4, "a"), 10, 40, "電", "not a visible sign one column wide"),
        (Bar(1, 4, "a"), 10, 40, " ", "not a visible sign one column wide"),
        (Bar(1, 4, "a"), 10, 40, "\n", "not a visible sign one column wide"),
        (Bar(0, 0, "a"), 0, 40, "x", "nothing to draw to scale in 0 ticks"),
        (Bar(1, 4, "a"), 10, 19, "x", "19 columns are too few"),
    ],
)
def test_refused_timeline(bar: Bar, total: int, width: int, glyph: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        draw_timeline([Lane("lane", (bar,))], total, width, {"a": glyph}, False, str)
