"""Streaming statistics of whole numbers in constant memory, whose parts can be merged in any number."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil

_DIGITS = 11
"""Binary digits a value keeps in its bin: a percentile is exact to 1 part in 1024."""


@dataclass(slots=True)
class Tally:
    """Count, sum, extremes and a logarithmic histogram of values >= 0.

    The number of bins is bounded by the range of the values (about 1024 per doubling), not by their number.
    Minimum, maximum and mean are exact; percentiles are rounded up by less than 0.1 %.
    """

    count: int = 0
    total: int = 0
    min: int | None = None
    max: int | None = None
    bins: dict[int, int] = field(default_factory=dict)
    """How many values there are per bin, by the number of digits dropped and the digits kept."""

    def add(self, value: int) -> None:
        """Count one value; ValueError if it is negative."""
        if value < 0:
            raise ValueError(f"a tally holds values from 0 up, not {value}")
        self.count += 1
        self.total += value
        if self.max is None or value > self.max:
            self.max = value
        if self.min is None or value < self.min:
            self.min = value
        dropped = value.bit_length() - _DIGITS
        place = dropped << _DIGITS | value >> dropped if dropped > 0 else value
        self.bins[place] = self.bins.get(place, 0) + 1

    def merge(self, other: Tally) -> None:
        """Count all values of another tally as well."""
        self.count += other.count
        self.total += other.total
        self.min = min((end for end in (self.min, other.min) if end is not None), default=None)
        self.max = max((end for end in (self.max, other.max) if end is not None), default=None)
        for place, count in other.bins.items():
            self.bins[place] = self.bins.get(place, 0) + count

    @property
    def mean(self) -> float | None:
        """Return the mean, or None of no values."""
        return self.total / self.count if self.count else None

    def percentile(self, share: float) -> int | None:
        """Return the value that `share` (0 to 1) of all values do not exceed, or None of no values."""
        if not 0 <= share <= 1:
            raise ValueError("a percentile's share lies between 0 and 1")
        wanted = max(1, ceil(share * self.count))
        seen = 0
        for place in sorted(self.bins):  # more digits dropped means a larger value
            seen += self.bins[place]
            if seen >= wanted and self.max is not None:
                dropped, kept = divmod(place, 1 << _DIGITS)
                return min(((kept + 1) << dropped) - 1, self.max)
        return None
