"""Parts of drawings in plain text: signs, texts cut and wrapped by columns, rows and scales.

Widths are terminal columns: a wide East Asian letter takes two, a combining mark none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import count
from typing import NamedTuple

from chainplan.plan.problems import display_width, escape
from chainplan.report.figures import encodable

LEAST_WIDTH = 20
"""Columns below which nothing to scale can be drawn."""

_LEAST_AREA = 12  # cells: with fewer the figures move below the drawing
_LEAST_LABEL = 8  # columns to which labels are cut before that


class Sign(NamedTuple):
    """A sign one column wide, and what stands for it where the stream has only ASCII."""

    block: str
    plain: str

    def get(self, ascii_only: bool) -> str:
        """Return the sign to draw with."""
        return self.plain if ascii_only else self.block


_CUT = Sign("…", "~")


@dataclass(frozen=True)
class Layout:
    """Columns of the label, cells of the drawing, columns of the figures beside it (0: they stand below)."""

    label: int
    area: int
    figures: int


def check_width(width: int) -> None:
    """Raise ``ValueError`` for a screen on which nothing can be drawn."""
    if width < LEAST_WIDTH:
        raise ValueError(f"{width} columns are too few to draw in, at least {LEAST_WIDTH} are needed")


def clean(text: str, ascii_only: bool) -> str:
    """Return text safe to print: control characters escaped, signs replaced that the stream lacks."""
    text = escape(text)
    return encodable(text, "ascii") if ascii_only else text


def layout_for(width: int, labels: Iterable[str], figures: int) -> Layout:
    """Share ``width`` among labels, drawing and ``figures`` columns; narrow screens get them below."""
    widest = max(map(display_width, labels), default=0)
    for most in (width // 4, _LEAST_LABEL):
        label = min(widest, most)
        area = width - label - 1 - 2 - figures
        if area >= _LEAST_AREA:
            return Layout(label, area, figures)
    label = min(widest, width // 4)
    return Layout(label, width - label - 1, 0)


def row(layout: Layout, label: str, drawing: str, figures: Sequence[str], ascii_only: bool) -> list[str]:
    """Return a line of label, drawing and figures; more lines where the figures stand below the drawing."""
    label = cut(label, layout.label, ascii_only)
    line = label + " " * (layout.label - display_width(label)) + " " + drawing
    if layout.figures:
        return ["  ".join((line, *figures)).rstrip()]
    indent = " " * (layout.label + 1)
    below = wrapped([part.strip() for part in figures if part.strip()], layout.area, "  ")
    return [line.rstrip(), *(indent + part for part in below)]


def right(text: str, width: int) -> str:
    """Return ``text`` at the right of ``width`` columns."""
    return " " * (width - display_width(text)) + text


def cut(text: str, width: int, ascii_only: bool) -> str:
    """Return text that fits `width` columns; a sign says where some of it is cut off."""
    if display_width(text) <= width:
        return text
    while text and display_width(text) >= width:
        text = text[:-1]
    return text + _CUT.get(ascii_only) if width else ""


def wrapped(parts: Sequence[str], width: int, between: str) -> list[str]:
    """Return ``parts`` in lines of at most ``width`` columns; only a part that is wider itself is broken."""
    lines: list[str] = []
    for part in parts:
        rest = part
        if lines and display_width(lines[-1] + between + rest) <= width:
            lines[-1] += between + rest
            continue
        while display_width(rest) > width:
            fits = next(end for end in count(1) if display_width(rest[: end + 1]) > width)
            lines.append(rest[:fits])
            rest = rest[fits:]
        lines.append(rest)
    return lines


def scale(first: int, last: int, area: int, label: Callable[[int], str]) -> str:
    """Return a line with bars at round values from ``first`` (0 or less) to ``last`` (over 0), labels behind.

    Values are multiples of 1, 2 or 5 times a power of ten, the smallest step at which the labels have room.
    A bar stands in the cell that holds its value; a value at the right edge itself has none.
    """
    for exponent in count():
        for digit in (1, 2, 5):
            step = digit * 10**exponent
            if (last - first) // step > area:
                continue
            values = range(-(-first // step) * step, last, step)
            cells = [(value - first) * area // (last - first) for value in values]
            marks = ["|" + label(value) for value in values]
            ends = [*(cell - 1 for cell in cells[1:]), area]
            room = [end - cell for cell, end in zip(cells, ends, strict=True)]
            fits = [display_width(mark) <= space for mark, space in zip(marks, room, strict=True)]
            if all(fits[:-1]):
                if fits and not fits[-1]:
                    marks[-1] = "|"
                line = ""
                for cell, mark in zip(cells, marks, strict=True):
                    line += " " * (cell - display_width(line)) + mark
                return line + " " * (area - display_width(line))
    raise AssertionError("the steps grow until one value is left")
