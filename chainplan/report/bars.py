"""Bars of what is used of a limit, all on one scale, in plain text."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from chainplan.report.drawing import Sign

USED = Sign("█", "#")
HALF = Sign("▌", "#")
LEFT = Sign("·", ".")
LIMIT = Sign("│", "|")
BEYOND = Sign("»", ">")

MOST = Fraction(2)
"""Shares of the limit that are drawn to scale; a bar that goes farther ends in a sign that says so."""


def draw_bars(shares: Sequence[Fraction], cells: int, ascii_only: bool) -> list[str]:
    """Return a bar of `cells` columns for each share; a line stands at the limit, 1, in all of them.

    What is left up to the limit is dotted. The scale reaches as far as the longest bar, at most to `MOST`.
    """
    top = min(max([Fraction(1), *shares]), MOST)
    limit = int((cells - 1) / top)
    return [_bar(share, limit, cells, ascii_only) for share in shares]


def _bar(share: Fraction, limit: int, cells: int, ascii_only: bool) -> str:
    halves = int(2 * share * limit)
    full, half = divmod(halves, 2)
    line = USED.get(ascii_only) * min(full, limit)
    if full < limit:
        line += (HALF.get(ascii_only) if half else LEFT.get(ascii_only)) + LEFT.get(ascii_only) * (
            limit - full - 1
        )
    line += LIMIT.get(ascii_only)
    room = cells - limit - 1
    beyond = min(max(full - limit, 1 if share > 1 else 0), room)
    line += USED.get(ascii_only) * beyond
    if share > MOST and room:
        line = line[: cells - 1] + BEYOND.get(ascii_only)
    return line.ljust(cells)
