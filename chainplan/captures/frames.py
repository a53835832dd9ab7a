"""Frames out of levels or edges: what is closer together than the idle gap is one stretch.

Works along a capture, holds one stretch at a time. A stretch that the capture begins or ends in is cut off
and not passed on: nobody knows how long it was.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple


class Stretch(NamedTuple):
    """The wire is busy from `start` to `end`, fs of the capture's clock; `sure` if all levels were known."""

    start: int
    end: int
    sure: bool = True


class Counts:
    """What was left out on the way: glitches, stretches cut off by the capture's ends, unknown levels."""

    def __init__(self) -> None:
        self.glitches = 0
        self.cut_off = 0
        self.unknown = 0


Level = int | None
"""0 idle, 1 busy, None unknown."""

Sink = Callable[[Stretch], None]


class BusyLevels:
    """Stretches of a signal that is high while the wire is busy.

    Pulses shorter than `glitch` (fs) are dropped; pauses up to `idle` (fs) belong to the stretch.
    """

    def __init__(self, idle: int, glitch: int, sink: Sink) -> None:
        self.counts = Counts()
        self._idle, self._glitch, self._sink = idle, glitch, sink
        self._level: Level = None
        self._quiet_from: int | None = None
        """When the capture was first seen idle; None where it begins busy."""
        self._started = False
        self._partial = False
        self._rise: int | None = None
        self._pending: Stretch | None = None
        self._sure = True

    def feed(self, time: int, level: Level) -> None:
        """Take in a level from `time` on; times never go back."""
        if level == self._level:
            return
        if level is None:
            self.counts.unknown += 1
            self._sure = False
        elif level:
            self._rises(time)
        elif self._level is None and self._rise is None and not self._started:
            self._quiet_from, self._sure = time, True
        else:
            self._falls(time)
        if level is not None:
            self._level = level

    def _rises(self, time: int) -> None:
        pending = self._pending
        if pending is None:
            if not self._started:
                self._partial = self._quiet_from is None or time - self._quiet_from <= self._idle
        elif time - pending.end > self._idle:
            self._pass_on(pending)
        self._rise = time

    def _falls(self, time: int) -> None:
        rise, pending = self._rise, self._pending
        self._rise = None
        if rise is None:
            return
        if time - rise < self._glitch:
            self.counts.glitches += 1
            if self._quiet_from is None:
                self._quiet_from = time
            return
        start, sure = (pending.start, pending.sure) if pending else (rise, True)
        self._pending = Stretch(start, time, sure and self._sure)
        self._started = self._sure = True

    def _pass_on(self, stretch: Stretch) -> None:
        if self._partial:
            self.counts.cut_off += 1
        else:
            self._sink(stretch)
        self._pending, self._partial = None, False

    def end(self, time: int) -> None:
        """Take in the end of the capture."""
        if self._rise is not None or (self._pending and time - self._pending.end <= self._idle):
            self.counts.cut_off += 1
        elif self._pending:
            self._pass_on(self._pending)
        self._pending = self._rise = None


class Edges:
    """Stretches of a raw trace: from the first edge to the last before the wire is quiet for `idle` fs.

    Stretches shorter than `glitch` (fs) are dropped, lone edges too.
    """

    def __init__(self, idle: int, glitch: int, sink: Sink) -> None:
        self.counts = Counts()
        self._idle, self._glitch, self._sink = idle, glitch, sink
        self._level: Level = None
        self._first: int | None = None
        """First edge of the stretch under way; None where that is not known."""
        self._last: int | None = None
        """Last edge; before there is one, when the capture begins."""
        self._busy = False
        self._sure = True

    def feed(self, time: int, level: Level) -> None:
        """Take in a level from `time` on; times never go back."""
        if level == self._level:
            return
        if level is None:
            self.counts.unknown += 1
            self._sure = False
            return
        begins = self._level is None
        self._level = level
        if begins or self._last is None:
            self._last, self._sure = time, True
            return
        if time - self._last > self._idle:
            self._close()
            self._first = time
        self._busy, self._last = True, time

    def _close(self) -> None:
        """Pass on the stretch that has ended with the last edge."""
        if not self._busy or self._last is None:
            return
        if self._first is None:
            self.counts.cut_off += 1
        elif self._last - self._first < self._glitch:
            self.counts.glitches += 1
        else:
            self._sink(Stretch(self._first, self._last, self._sure))
        self._busy, self._sure = False, True

    def end(self, time: int) -> None:
        """Take in the end of the capture."""
        if self._last is not None and time - self._last > self._idle:
            self._close()
        else:
            self.counts.cut_off += self._busy
