"""Debouncing as a firmware does it: reading after reading, bad or lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple

from chainplan.plan.schedule import Hazard

_MOST = 100_000

_Row = tuple[int, int | None]
"""What a row or a counter has come to, and when its first bad reading was in memory, fs."""
_NEW: _Row = 0, None


class Seen(NamedTuple):
    """A reading after a fault: when it was in memory, or known to be lost, fs."""

    at: int
    lost: bool


@dataclass(frozen=True, slots=True)
class Debouncing:
    """What makes readings a fault, and which of them may be lost; `time` in fs."""

    goal: int = 1
    up: int = 1
    down: int | None = None
    """Of an up-and-down counter; None: readings in a row."""
    time: int | None = None
    on_lost: Literal["reset", "hold", "count as bad", "count as good"] = "reset"
    tolerated: int = 0
    within: int | None = None

    @classmethod
    def of(cls, hazard: Hazard) -> Debouncing:
        """Return that of a hazard of a plan."""
        up, down = (hazard.counter.up, hazard.counter.down) if hazard.counter else (1, None)
        time = hazard.debounce_time.max if hazard.debounce_time else None
        return cls(hazard.debounce, up, down, time, hazard.on_lost, hazard.lost_readings, hazard.lost_within)

    @property
    def fewest(self) -> int:
        """Return how many readings have to be judged at least."""
        return 1 if self.time is not None else -(-self.goal // self.up)

    def recognised(self, readings: Sequence[Seen]) -> int | None:
        """Return the place of the reading by which a fault is recognised; None where none is yet."""
        row = _NEW
        for place, reading in enumerate(readings):
            after = self._after(row, reading)
            if after is None:
                return place
            row = after
        return None

    def _after(self, row: _Row, reading: Seen) -> _Row | None:
        """Return the count and the row's begin after a reading; None where it recognises the fault."""
        count, since = row
        if reading.lost and self.on_lost == "hold":
            return row
        if reading.lost and self.on_lost == "reset":
            return _NEW
        if reading.lost and self.on_lost == "count as good":
            return 0 if self.down is None else max(0, count - self.down), None
        count += self.up
        since = reading.at if since is None else since
        found = count >= self.goal if self.time is None else reading.at - since >= self.time
        return None if found else (count, since)

    def tolerates(self, readings: Sequence[Seen]) -> bool:
        """Tell whether no more readings are lost than may be."""
        lost = [reading.lost for reading in readings]
        if self.within is None:
            return sum(lost) <= self.tolerated
        windows = range(max(1, len(lost) - self.within + 1))
        return all(sum(lost[begin : begin + self.within]) <= self.tolerated for begin in windows)

    def worst(self, period: int) -> list[bool] | None:
        """Return which readings are lost at the worst: whenever the next one would decide.

        None where that goes on for good.
        """
        row: _Row | None = _NEW
        lost: list[bool] = []
        spent = 0
        while row is not None and len(lost) < _MOST:
            at = (len(lost) + 1) * period
            heard = self._after(row, Seen(at, lost=False))
            recent = (
                spent if self.within is None else sum(lost[-self.within + 1 :] if self.within > 1 else ())
            )
            loses = heard is None and recent < self.tolerated
            row = self._after(row, Seen(at, lost=True)) if loses else heard
            lost.append(loses)
            spent += loses
            if self.within is not None and len(lost) > 4 * (self.goal + 2) * (self.tolerated + 1):
                return None
        return lost


def judged(readings: Sequence[Seen], period: int, phase: int) -> list[tuple[int, Seen]]:
    """Return what an evaluation judges that looks at the newest reading, if it is new, and when it begins."""
    begins = [reading.at + (phase - reading.at) % period for reading in readings]
    return [
        (begin, reading)
        for (begin, reading), after in zip(
            zip(begins, readings, strict=True), [*(each.at for each in readings[1:]), None], strict=True
        )
        if after is None or after > begin
    ]


def apart(readings: Sequence[Seen], period: int) -> bool:
    """Tell whether an evaluation runs between any two readings, whatever its phase."""
    return all(after.at - before.at >= period for before, after in pairwise(readings))
