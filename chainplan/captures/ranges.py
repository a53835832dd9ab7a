"""Ranges of time: from the shortest to the longest the plan allows, fs, both ends included."""

from __future__ import annotations

from typing import NamedTuple

_WHOLE = 10**12
"""Ticks of the ratio 1."""


class Range(NamedTuple):
    """A time from `min` to `max`, fs; a gap below zero is an overlap."""

    min: int
    max: int

    def plus(self, other: Range) -> Range:
        """Return the range of the sum of two times."""
        return Range(self.min + other.min, self.max + other.max)

    def wider(self, below: int, above: int) -> Range:
        """Return the range with both ends moved outward."""
        return Range(self.min - below, self.max + above)

    def holds(self, time: int) -> bool:
        """Tell whether a time lies within."""
        return self.min <= time <= self.max

    def common(self, other: Range) -> Range:
        """Return what two sound bounds of one time leave."""
        return Range(max(self.min, other.min), min(self.max, other.max))


def measured(range_: Range, resolution: int, clock_error: int) -> Range:
    """Return where an instrument sees a time of this range: its clock off by a ratio, its instants rounded.

    `clock_error` counts in ticks of the ratio (1e-12). Both ends of a time are rounded to a whole
    `resolution`, so their distance is off by less than one of it.
    """
    stretch = max(abs(range_.min), abs(range_.max)) * clock_error
    off = -(-stretch // _WHOLE) + resolution
    return range_.wider(off, off)
