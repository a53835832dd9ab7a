"""What was measured beside what the plan allows, and what lay outside, as far as it is kept."""

from __future__ import annotations

from typing import NamedTuple

from chainplan.captures.ranges import Range

MOST_FINDINGS = 1000
"""Findings that are kept with their time stamp; all are counted."""


class Deviation(NamedTuple):
    """Something outside the plan at `time` of the capture's own clock, fs.

    `measured` and `allowed` are times; None where a frame is missing or not in the plan.
    """

    time: int
    what: str
    scan: int | None
    """Number of the scan in the major cycle, where the place in the plan is known."""
    measured: int | None = None
    allowed: Range | None = None


class CaptureRow(NamedTuple):
    """One measured quantity: how often, its least and largest, the widest range allowed, how many outside.

    Each value is checked against the range of its own frame; `allowed` is the hull of these.
    """

    quantity: str
    subject: str
    times: int
    least: int
    largest: int
    allowed: Range
    outside: int


class _TallyRow:
    __slots__ = ("allowed", "count", "largest", "least", "outside")

    def __init__(self, time: int, allowed: Range) -> None:
        self.count = self.outside = 0
        self.least = self.largest = time
        self.allowed = allowed


class Measured:
    """The rows and findings of one channel."""

    def __init__(self) -> None:
        self._rows: dict[tuple[str, str], _TallyRow] = {}
        self.findings: list[Deviation] = []
        self.found = 0
        self.frames = 0
        self.missing = 0
        self.extra = 0
        self.breaks = 0
        """How often the capture left the course of the plan, and took it up again elsewhere."""
        self.not_judged = 0

    def add(self, key: tuple[str, str], time: int, allowed: Range) -> bool:
        """Take in a measured time; tell whether it is inside."""
        row = self._rows.get(key)
        if row is None:
            row = self._rows[key] = _TallyRow(time, allowed)
        row.count += 1
        row.least = min(row.least, time)
        row.largest = max(row.largest, time)
        low, high = allowed
        if low < row.allowed[0] or high > row.allowed[1]:
            row.allowed = Range(min(low, row.allowed[0]), max(high, row.allowed[1]))
        if low <= time <= high:
            return True
        row.outside += 1
        return False

    def find(self, finding: Deviation) -> None:
        """Note something outside."""
        self.found += 1
        if len(self.findings) < MOST_FINDINGS:
            self.findings.append(finding)

    @property
    def rows(self) -> list[CaptureRow]:
        """Return all rows: those of scans, then frames and gaps in the order they were first measured."""
        return [
            CaptureRow(*key, row.count, row.least, row.largest, row.allowed, row.outside)
            for key, row in sorted(self._rows.items(), key=lambda each: not each[0][0].startswith("scan"))
        ]
