"""Drawings to scale in plain text: lanes of intervals over time.

Pure functions from figures and a width to lines. A drawing shows whole cells; the exact figures stand beside
it, or below where the screen is narrow. No line is wider than the width asked for, and nothing is said by
colour alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from chainplan.plan.problems import display_width
from chainplan.report.drawing import Sign, check_width, clean, layout_for, right, row, scale, wrapped

_IDLE = Sign("·", ".")
_ASCII_SIGNS = "#=*+%@&$oxOX0123456789abcdefghijklmnpqrstuvwyzABCDEFGHIJKLMNPQRSTUVWYZ"


@dataclass(frozen=True)
class Bar:
    """Something under way from ``start`` to ``end``, in whole ticks from the left edge of the drawing."""

    start: int
    end: int
    kind: str


@dataclass(frozen=True)
class Lane:
    """One line of a timeline: its label and its bars, in any order; bars may overlap."""

    label: str
    bars: tuple[Bar, ...]


def draw_timeline(
    lanes: Sequence[Lane],
    total: int,
    width: int,
    glyphs: Mapping[str, str],
    ascii_only: bool,
    format_time: Callable[[int], str],
) -> list[str]:
    """Return a scale and one line per lane: label, bars to scale, start of the first bar, end of the last.

    ``total`` is the time of the whole width, in ticks; ``glyphs`` gives each kind of bar its sign. A cell
    shows what fills most of it; a bar that fills most of no cell still gets one, unless more bars than cells
    lie there. Bars without length are not drawn. On a narrow screen the times stand on a line below.

    Raises ``ValueError`` for a bar outside 0 to ``total``, a kind without a sign, a sign that is not one
    column wide, and fewer than 20 columns.
    """
    check_width(width)
    if total <= 0:
        raise ValueError(f"nothing to draw to scale in {total} ticks")
    signs = _signs(glyphs, ascii_only)
    for lane in lanes:
        _check_bars(lane, total, signs)

    def time(ticks: int) -> str:
        return clean(format_time(ticks), ascii_only)

    labels = [clean(lane.label, ascii_only) for lane in lanes]
    starts = [time(min(bar.start for bar in lane.bars)) if lane.bars else "-" for lane in lanes]
    ends = [time(max(bar.end for bar in lane.bars)) if lane.bars else "-" for lane in lanes]
    start_width = max(map(display_width, ["start", *starts]))
    end_width = max(map(display_width, ["end", *ends]))
    layout = layout_for(width, labels, start_width + 2 + end_width)

    def times(start: str, end: str) -> list[str]:
        if layout.figures:
            return [right(start, start_width), right(end, end_width)]
        return [start, f"to {end}"] if start != "-" else ["-"]

    head = times("start", "end") if layout.figures else []
    lines = row(layout, "", scale(0, total, layout.area, time), head, ascii_only)
    for lane, label, start, end in zip(lanes, labels, starts, ends, strict=True):
        bars = sorted((bar for bar in lane.bars if bar.start < bar.end), key=lambda bar: (bar.start, bar.end))
        owners = _owners(bars, total, layout.area)
        idle = _IDLE.get(ascii_only)
        cells = "".join(idle if owner is None else signs[bars[owner].kind] for owner in owners)
        lines += row(layout, label, cells, times(start, end), ascii_only)
    return lines


def draw_legend(width: int, glyphs: Mapping[str, str], ascii_only: bool) -> list[str]:
    """Return lines that say which sign stands for which kind of bar, as :func:`draw_timeline` draws them."""
    check_width(width)
    signs = _signs(glyphs, ascii_only)
    return wrapped([f"{sign} {clean(kind, ascii_only)}" for kind, sign in signs.items()], width, "   ")


def _check_bars(lane: Lane, total: int, signs: Mapping[str, str]) -> None:
    for bar in lane.bars:
        if not 0 <= bar.start <= bar.end <= total:
            raise ValueError(f"{lane.label}: {bar.start} to {bar.end} is not within 0 to {total}")
        if bar.kind not in signs:
            raise ValueError(f"{lane.label}: no sign for {bar.kind!r}")


def _signs(glyphs: Mapping[str, str], ascii_only: bool) -> dict[str, str]:
    """Return the sign of each kind; in ASCII a sign of its own for each one that is not ASCII itself."""
    taken = {_IDLE.plain, *(glyph for glyph in glyphs.values() if glyph.isascii())}
    signs = {}
    for kind, glyph in glyphs.items():
        if display_width(glyph) != 1 or not glyph.isprintable() or glyph in (" ", _IDLE.get(ascii_only)):
            raise ValueError(f"{glyph!r} for {kind!r} is not a visible sign one column wide")
        signs[kind] = glyph
        if ascii_only and not glyph.isascii():
            free = next((sign for sign in _ASCII_SIGNS if sign not in taken), None)
            if free is None:
                raise ValueError("more kinds of bar than signs in ASCII")
            signs[kind] = free
            taken.add(free)
    return signs


def _owners(bars: Sequence[Bar], total: int, area: int) -> list[int | None]:
    """Return for each cell the index of the bar that it shows, or ``None``.

    Bars come without empty ones, by start. A bar left without a cell takes one that it touches from a bar
    that has others, or makes a bar move to another cell that it touches (augmenting path of a matching), so
    that as many bars as possible are seen. Bars that do not overlap stay in their order: of two such bars no
    cell touched by the later one lies before a cell touched by the earlier one.
    """
    shares: list[dict[int, int]] = [{} for _ in range(area)]  # of each cell: bar -> its part of the cell
    idle = [total] * area  # a cell is ``total`` wide, times being multiplied by ``area``
    touched: list[list[int]] = []
    reach = 0
    for index, bar in enumerate(bars):
        start, end = bar.start * area, bar.end * area
        cells = range(start // total, -(-end // total))
        for cell in cells:
            left, right_edge = max(start, cell * total), min(end, (cell + 1) * total)
            shares[cell][index] = right_edge - left
            idle[cell] -= max(0, right_edge - max(left, reach))
        reach = max(reach, end)
        touched.append(sorted(cells, key=lambda cell: (-shares[cell][index], cell)))
    owners: list[int | None] = [None] * area
    held = [0] * len(bars)
    for cell, share in enumerate(shares):
        most = max(share, key=lambda index: (share[index], -index), default=None)
        if most is not None and share[most] >= idle[cell]:
            owners[cell] = most
            held[most] += 1
    settled: set[int] = set()
    for index in range(len(bars)):
        if not held[index]:
            _claim(index, touched, owners, held, settled)
    return owners


def _claim(
    bar: int, touched: Sequence[Sequence[int]], owners: list[int | None], held: list[int], settled: set[int]
) -> None:
    """Give ``bar`` a cell, if need be by moving bars with one cell to other cells that they touch.

    Cells seen in vain are ``settled``: the bars that hold them touch no other cells, so they stay.
    """
    wanted_by: dict[int, int] = {}
    waiting = [bar]
    for taker in waiting:
        for cell in touched[taker]:
            if cell in wanted_by or cell in settled:
                continue
            wanted_by[cell] = taker
            holder = owners[cell]
            if holder is not None and held[holder] == 1:
                waiting.append(holder)
                continue
            if holder is not None:
                held[holder] -= 1
            held[bar] += 1
            free = cell
            while (mover := wanted_by[free]) != bar:  # it leaves its own cell to the one that wanted that
                left = owners.index(mover)
                owners[free], free = mover, left
            owners[free] = bar
            return
    settled.update(wanted_by)
