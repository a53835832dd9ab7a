"""The course of frames that the plan lets pass a port, scan after scan, and where in it a capture begins.

A place is a pair: the number of an active scan (one in which the port carries frames, counted on without
end) and a frame in it. Frames that an idle gap cannot tell apart are joined beforehand.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.captures.frames import Stretch
from chainplan.captures.planned import PlannedFrame, PlannedScan, planned_scan, task_at_port
from chainplan.captures.ranges import Range, measured
from chainplan.figures.terms import Case

_MOST_JOINED = 64
_TENTH = 10**11
"""A tenth, in ticks of the ratio."""

Place = tuple[int, int]
"""An active scan, and which of its frames."""


class CourseError(ValueError):
    """A port whose frames cannot be followed; the text says why."""


class Expected(NamedTuple):
    """A frame as it is looked for: `time` and `gap` as measured, with what the instrument may add.

    `joins` tells that the gap before it may be too short to be seen, so that it and the frame before may
    look like one. ``spans`` holds the range of its length alone, and together with those that may join it.
    """

    frame: PlannedFrame
    time: Range
    gap: Range
    joins: bool
    spans: tuple[Range, ...]


class ScanCourse(NamedTuple):
    """A kind of scan as it is looked for."""

    planned: PlannedScan
    expected: tuple[Expected, ...]


@dataclass(frozen=True)
class Pace:
    """How scans follow each other, fs: the range from one begin to another, so many scans on."""

    period: Range
    jitter: int
    longest: int
    shortest: int

    def between(self, scans: int) -> Range:
        """Return the range of the time from a scan's begin to that of a later one.

        A scan begins on its period, late by up to the jitter. One that can outlast the period makes the next
        ones late: then they can follow each other as quickly as they are short.
        """
        low, high = scans * self.period.min - self.jitter, scans * self.period.max + self.jitter
        if self.longest > self.period.min:
            return Range(
                min(low, scans * self.shortest),
                max(high, scans * max(self.longest, self.period.max) + self.jitter),
            )
        return Range(low, high)


@dataclass(frozen=True)
class Instrument:
    """What a capture adds: the error of its clock (1e-12) and the resolution of its time stamps (fs).

    `tail` is how much earlier than its end a frame can seem to end, because its last edge is there, fs.
    """

    resolution: int = 0
    clock_error: int = 0
    tail: int = 0

    def time(self, range_: Range) -> Range:
        """Return the range in which a frame's length is seen."""
        return measured(range_.wider(self.tail, 0), self.resolution, self.clock_error)

    def gap(self, range_: Range) -> Range:
        """Return the range in which a gap is seen."""
        return measured(range_.wider(0, self.tail), self.resolution, self.clock_error)

    def period(self, range_: Range) -> Range:
        """Return the range in which the time from begin to begin is seen."""
        return measured(range_, self.resolution, self.clock_error)


@dataclass
class Course:
    """The frames at a port.

    ``scans[a]`` is the kind of active scan a of the major cycle, ``numbers[a]`` its number there,
    ``steps[a]`` how many scans it comes after the active one before.
    """

    port: str
    pace: Pace
    instrument: Instrument
    kinds: list[ScanCourse]
    scans: list[int]
    numbers: list[int]
    steps: list[int]
    gaps: dict[tuple[int, int, int], Range] = field(default_factory=dict)

    @property
    def major_cycle(self) -> int:
        """Return the length of the major cycle, scans."""
        return sum(self.steps)

    def kind(self, active: int) -> ScanCourse:
        """Return the kind of an active scan."""
        return self.kinds[self.scans[active % len(self.scans)]]

    def expected(self, place: Place) -> Expected:
        """Return the frame at a place."""
        return self.kind(place[0]).expected[place[1]]

    def number(self, active: int) -> int:
        """Return the number of an active scan in the major cycle."""
        return self.numbers[active % len(self.numbers)]

    def after(self, place: Place, frames: int = 1) -> Place:
        """Return the place so many frames on, or back if less than none."""
        active, index = place[0], place[1] + frames
        while index < 0:
            active -= 1
            index += len(self.kind(active).expected)
        while index >= (size := len(self.kind(active).expected)):
            index -= size
            active += 1
        return active, index

    def scans_between(self, active: int, later: int) -> int:
        """Return how many scans an active scan comes before a later one."""
        return sum(self.steps[each % len(self.steps)] for each in range(active + 1, later + 1))

    def gap(self, place: Place) -> Range:
        """Return the range of the gap before the frame at a place, as measured."""
        active, index = place
        return self.kind(active).expected[index].gap if index else self.scan_gap(active)

    def scan_gap(self, active: int) -> Range:
        """Return the range of the gap between an active scan and the one before, as measured."""
        count = len(self.scans)
        key = self.scans[(active - 1) % count], self.scans[active % count], self.steps[active % count]
        found = self.gaps.get(key)
        if found is None:
            before, this = self.kind(active - 1).planned, self.kind(active).planned
            first = this.frames[0].gap
            between = self.pace.between(key[2])
            low = between.min + first.min - before.last_end.max
            gap = Range(max(low, before.rest.min + first.min), between.max + first.max - before.last_end.min)
            found = self.gaps[key] = self.instrument.gap(gap)
        return found

    def scan_period(self, before: int, active: int, scans: int) -> Range:
        """Return the range from the first frame of an active scan to that of a later one, as measured."""
        first, later = self.kind(before).planned.frames[0].gap, self.kind(active).planned.frames[0].gap
        between = self.pace.between(scans)
        return self.instrument.period(
            Range(between.min + later.min - first.max, between.max + later.max - first.min)
        )


def plan_course(scan: ControllerScan, port: str, instrument: Instrument, idle: int) -> Course:
    """Return the course of a port where pauses longer than `idle` fs part frames.

    Raises :class:`CourseError` where no frame passes the port, or none can be told in which order.
    """
    kinds: list[ScanCourse] = []
    scans: list[int] = []
    numbers: list[int] = []
    steps: list[int] = []
    places: dict[tuple[int, ...], int] = {}
    due_of, planned = planned_scans(scan, port)
    last = 0
    for number, due in enumerate(due_of):
        if not planned[due].frames:
            continue
        if due not in places:
            places[due] = len(kinds)
            kinds.append(_looked_for(planned[due], instrument, idle))
        scans.append(places[due])
        numbers.append(number)
        steps.append(number - last)
        last = number
    if not scans:
        raise CourseError(f"no frame of the plan passes port {port}")
    steps[0] = numbers[0] - last + scan.phases.major_cycle
    plan = scan.controller.settings
    shortest = min(sum(scan.runs[Case.BEST][index].length for index in due) for due in planned)
    pace = Pace(
        Range(plan.scan_period.min, plan.scan_period.max), plan.scan_jitter.max, scan.longest, shortest
    )
    return Course(port, pace, instrument, kinds, scans, numbers, steps)


def planned_scans(
    scan: ControllerScan, port: str
) -> tuple[list[tuple[int, ...]], dict[tuple[int, ...], PlannedScan]]:
    """Return which tasks are due in every scan of the major cycle, and what each kind of scan shows."""
    chains = scan.chains
    heads = {chain.head for chain in chains if port == chain.back and chain.plan.read_from == "across"}
    if len(heads) > 1 or (heads and any(chain.head == port for chain in chains)):
        raise CourseError(f"frames from several ports meet at port {port}, in no order that the plan sets")
    tasks = {index: task_at_port(scan, index, port) for index in range(len(scan.works))}
    due_of = [tuple(scan.due(number)) for number in range(scan.phases.major_cycle)]
    return due_of, {due: planned_scan(tasks, due) for due in dict.fromkeys(due_of)}


def _looked_for(planned: PlannedScan, instrument: Instrument, idle: int) -> ScanCourse:
    """Join the frames of a scan that are never told apart, and note which sometimes are not."""
    frames: list[tuple[PlannedFrame, Range, Range]] = []
    for frame in planned.frames:
        gap = instrument.gap(frame.gap)
        if frames and gap.max <= idle:
            first, time, before = frames[-1]
            joined = first._replace(what=_joined(first.what, frame.what), node="")
            frames[-1] = joined, time.plus(frame.gap).plus(frame.time), before
        else:
            frames.append((frame, frame.time, gap))
    joins = [place > 0 and gap.min <= idle for place, (_, _, gap) in enumerate(frames)]
    expected = [
        Expected(
            frame._replace(time=time),
            instrument.time(time),
            gap,
            joins[place],
            tuple(_spans(frames, joins, place, instrument)),
        )
        for place, (frame, time, gap) in enumerate(frames)
    ]
    return ScanCourse(planned, tuple(expected))


def _joined(first: str, second: str) -> str:
    if second in first:
        return first if first.endswith("s") or first == second + "s" else f"{first}s"
    return f"{first} and {second}"


def _spans(
    frames: Sequence[tuple[PlannedFrame, Range, Range]],
    joins: Sequence[bool],
    place: int,
    instrument: Instrument,
) -> Iterator[Range]:
    time = frames[place][1]
    yield instrument.time(time)
    for later in range(place + 1, min(len(frames), place + _MOST_JOINED)):
        if not joins[later]:
            return
        time = time.plus(frames[later][0].gap).plus(frames[later][1])
        yield instrument.time(time)


def loosened(course: Course) -> Course:
    """Return the course of a wire on which everything may be a tenth off: to find one's place on it, too."""
    instrument = replace(course.instrument, clock_error=course.instrument.clock_error + _TENTH)
    kinds = [
        kind._replace(
            expected=tuple(
                each._replace(gap=_looser(each.gap), spans=tuple(map(_looser, each.spans)))
                for each in kind.expected
            )
        )
        for kind in course.kinds
    ]
    return replace(course, instrument=instrument, kinds=kinds, gaps={})


def _looser(range_: Range) -> Range:
    return measured(range_, 0, _TENTH)


class Walk(NamedTuple):
    """How stretches fit the course: misfits, one for each length and each gap, and the place behind them."""

    misfits: int
    place: Place


def walk(course: Course, place: Place, stretches: Sequence[Stretch], limit: float = inf) -> Walk:
    """Check stretches against the course from a place on; given up where `limit` misfits are reached."""
    active, index = place
    expected, misfits, last = course.kind(active).expected, 0, None
    for number, stretch in enumerate(stretches, start=1):
        each = expected[index]
        if len(each.spans) == 1:
            joined = fitting(each.spans, stretch)
        else:
            after = stretches[number] if number < len(stretches) else None
            joined = joined_frames(course, (active, index), stretch, after)
        misfits += not joined
        if last is not None:
            low, high = each.gap if index else course.scan_gap(active)
            misfits += not low <= stretch.start - last <= high
        if misfits >= limit:
            break
        last = stretch.end
        index += joined or 1
        if index >= len(expected):
            index, active = 0, active + 1
            expected = course.kind(active).expected
    return Walk(misfits, (active, index))


def joined_frames(course: Course, place: Place, stretch: Stretch, after: Stretch | None) -> int:
    """Return how many frames from a place on a stretch is, 0 if no number fits.

    Where several do, the one behind which the next stretch fits, with the gap before it.
    """
    spans = course.expected(place).spans
    first = fitting(spans, stretch)
    if len(spans) == 1 or not first or after is None or not stretch.sure:
        return first
    time, pause = stretch.end - stretch.start, after.start - stretch.end
    for count in range(first, len(spans) + 1):
        if spans[count - 1].holds(time):
            there = course.after(place, count)
            if course.gap(there).holds(pause) and fitting(course.expected(there).spans, after):
                return count
    return first


def fitting(spans: tuple[Range, ...], stretch: Stretch) -> int:
    """Return how many frames a stretch is, one if its levels were not sure; 0 if no number fits."""
    if not stretch.sure:
        return 1
    time = stretch.end - stretch.start
    for number, span in enumerate(spans, start=1):
        if span[0] <= time <= span[1]:
            return number
    return 0


def find_place(course: Course, stretches: Sequence[Stretch]) -> tuple[int, list[Place]]:
    """Return the least number of misfits anywhere in the major cycle, and all places that have it."""
    best = 2 * len(stretches)
    places: list[Place] = []
    for active in range(len(course.scans)):
        for index in range(len(course.kind(active).expected)):
            found = walk(course, (active, index), stretches, best + 1).misfits
            if found < best:
                best, places = found, []
            if found == best:
                places.append((active, index))
    return best, places
