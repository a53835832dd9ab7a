"""A capture followed along the plan: frame by frame, through missing, extra and stretched ones.

First the place in the major cycle is looked for at which a window of frames fits best; where none fits, once
more with everything a tenth off. From there each frame is checked against the next one of the plan. One that
does not fit is looked at together with those that come after: have frames been left out, slipped in, or is
only this one wrong? The reading that lets the next frames fit best is taken. If none does, the place is
looked for anew.
"""

from __future__ import annotations

from collections import deque
from itertools import islice

from chainplan.captures.course import Course, Place, find_place, joined_frames, loosened, walk
from chainplan.captures.frames import Stretch
from chainplan.captures.ranges import Range
from chainplan.captures.reading import AHEAD, read_on
from chainplan.captures.tally import Deviation, Measured

_FIT = 0.25
"""Share of misfits up to which a place in the plan is taken."""
_WINDOW = 400
_LEAST = 3
_BEGIN = 16
"""Frames at whose place the rest of a window, with frames missing between, has no say."""
_SHIFTS = sorted(range(-12, 13), key=abs)
_MOST_SEARCHES = 200


class Follower:
    """Follows one channel; `measured` holds what was found. Memory is that of two windows of frames."""

    def __init__(self, course: Course) -> None:
        self.measured = Measured()
        self.first_scan: int | None = None
        """Scan of the major cycle in which the capture begins; None where no place in the plan was found."""
        self.ambiguous = 0
        """How many other scans it could as well be."""
        self.unclear = any(each.joins for kind in course.kinds for each in kind.expected)
        self._course = self._reading = course
        self._loose = loosened(course)
        frames = max(len(kind.expected) for kind in course.kinds)
        self._window_size = min(_WINDOW, max(2 * frames + 2, AHEAD + 8))
        self._window: deque[Stretch] = deque()
        self._history: deque[tuple[Stretch, int]] = deque(maxlen=self._window_size)
        """Frames lately accepted, each with the scans counted until then."""
        self._place: Place | None = None
        self._last: Stretch | None = None
        self._scan_begin: tuple[int, int, int] | None = None
        """Active scan, count of scans and instant of the last begin of a scan that was seen."""
        self._last_period: tuple[int, Range] | None = None
        self._scans = 0
        """Scans since the first place."""
        self._searches = 0

    def feed(self, stretch: Stretch) -> None:
        """Take in the next stretch."""
        self._window.append(stretch)
        while len(self._window) >= self._window_size:
            self._go_on()

    def end(self) -> None:
        """Work off what is left; the capture has ended."""
        while self._window:
            self._go_on()

    def _go_on(self) -> None:
        if self._place is None:
            self._look_for_place()
        else:
            self._step(self._place)

    # Finding the place.

    def _look_for_place(self) -> None:
        window = list(self._window)
        if len(window) >= _LEAST and self._searches < _MOST_SEARCHES:
            self._searches += 1
            for reading in (self._course, self._loose):
                misfits, places = find_place(reading, window)
                if misfits <= _FIT * 2 * len(window):
                    self._reading = reading
                    self._take([self._begin(place, window[:_BEGIN]) for place in places], [])
                    return
        # A share of the window at a time, lest a long capture that fits nowhere be searched without end.
        for _ in range(max(1, len(window) // 4) if self._searches < _MOST_SEARCHES else len(window)):
            self._leave_out(self._window.popleft())

    def _begin(self, place: Place, window: list[Stretch]) -> Place:
        """Return where the first frames of a window fit best, near the place at which all of it does."""
        near = [self._course.after(place, shift) for shift in _SHIFTS]
        return min(near, key=lambda each: walk(self._reading, each, window).misfits)

    def _take(self, places: list[Place], history: list[Stretch]) -> None:
        """Go on behind the frames of the history, which begin at the first of the places."""
        place = places[0]
        counted = self._history[0][1] if history else self._scans
        self.first_scan = (self._course.number(place[0]) - counted) % self._course.major_cycle
        self.ambiguous = len(places) - 1
        after = walk(self._reading, place, history).place
        self._scans = counted + self._course.scans_between(place[0], after[0])
        self._place, self._scan_begin, self._last_period = after, None, None
        if not history:
            self._last = None

    def _leave_out(self, stretch: Stretch) -> None:
        measured = self.measured
        measured.frames += 1
        measured.extra += 1
        measured.find(Deviation(stretch.start, "no place in the plan", None, stretch.end - stretch.start))
        self._history.clear()

    # Following.

    def _step(self, place: Place) -> None:
        stretch = self._window[0]
        joined = self._joined(place)
        if joined and self._gap_fits(place, stretch):
            self._accept(place, joined)
        else:
            self._read_anew(place)

    def _joined(self, place: Place) -> int:
        """Return how many frames of the plan the next stretch is, 0 if no number fits."""
        after = self._window[1] if len(self._window) > 1 else None
        return joined_frames(self._reading, place, self._window[0], after)

    def _gap_fits(self, place: Place, stretch: Stretch) -> bool:
        if self._last is None:
            return True
        low, high = self._reading.gap(place)
        return low <= stretch.start - self._last.end <= high

    def _read_anew(self, place: Place) -> None:
        """Decide what a frame that does not fit means, by the frames that follow."""
        if self.ambiguous and self._is_elsewhere(place):
            return
        ahead = list(islice(self._window, AHEAD))
        reading = read_on(self._reading, place, self._last, ahead)
        if reading is None:
            self._lose()
            return
        extra, missing = reading
        for _ in range(extra):
            self._slipped_in(self._window.popleft(), place)
        if missing:
            place = self._left_out(place, missing)
        if extra or missing:
            self._last = None
        self._accept(place, self._joined(place) or 1)

    def _is_elsewhere(self, place: Place) -> bool:
        """Go over to another place in the major cycle, if it fits better what was and what will be seen."""
        if self._searches >= _MOST_SEARCHES:
            return False
        self._searches += 1
        ahead = list(self._window)
        here = walk(self._reading, place, ahead).misfits + (not self._gap_fits(place, ahead[0]))
        history = [stretch for stretch, _ in self._history]
        misfits, places = find_place(self._reading, [*history, *ahead])
        if misfits >= here:
            return False
        self._take(places, history)
        return True

    def _lose(self) -> None:
        self.measured.breaks += 1
        self.measured.find(Deviation(self._window[0].start, "the course of the plan is left here", None))
        self._place = None
        self._history.clear()

    def _slipped_in(self, stretch: Stretch, place: Place) -> None:
        measured = self.measured
        measured.frames += 1
        measured.extra += 1
        number = self._course.number(place[0])
        measured.find(Deviation(stretch.start, "extra frame", number, stretch.end - stretch.start))
        self._history.clear()

    def _left_out(self, place: Place, count: int) -> Place:
        """Note frames that are missing before the next one, and go on behind them."""
        time = self._window[0].start
        for _ in range(count):
            frame = self._course.expected(place).frame
            self.measured.missing += 1
            what = f"missing before this: {name_of(frame.what, frame.node, frame.task)}"
            self.measured.find(Deviation(time, what, self._course.number(place[0])))
            place = self._move(place, 1)
        self._history.clear()
        return place

    def _move(self, place: Place, count: int) -> Place:
        course = self._course
        after = course.after(place, count)
        self._scans += course.scans_between(place[0], after[0])
        return after

    def _accept(self, place: Place, count: int) -> None:
        """Measure the frame at a place; `count` frames of the plan are in it."""
        course, measured = self._course, self.measured
        stretch = self._window.popleft()
        self._history.append((stretch, self._scans))
        expected = course.expected(place)
        frame, number = expected.frame, course.number(place[0])
        measured.frames += 1
        if stretch.sure:
            name = frame.what if count == 1 else f"{frame.what} and {count - 1} more without a gap"
            time, allowed = stretch.end - stretch.start, expected.spans[count - 1]
            if not measured.add(("frame length", f"{frame.task}: {name}"), time, allowed):
                what = f"length: {name_of(name, frame.node, frame.task)}"
                measured.find(Deviation(stretch.start, what, number, time, allowed))
            self._measure_gap(place, stretch, number)
            if place[1] == 0:
                self._measure_period(place[0], stretch.start, number)
        else:
            measured.not_judged += 1
        self._last = stretch if stretch.sure else None
        self._place = self._move(place, count)

    def _measure_gap(self, place: Place, stretch: Stretch, number: int) -> None:
        """Measure the gap before a frame; that between scans is the scan period's affair."""
        if self._last is None or place[1] == 0:
            return
        frame, time = self._course.expected(place).frame, stretch.start - self._last.end
        allowed = self._course.gap(place)
        if not self.measured.add(("gap", f"{frame.task}: before {frame.what}"), time, allowed):
            what = f"gap: before {name_of(frame.what, frame.node, frame.task)}"
            self.measured.find(Deviation(self._last.end, what, number, time, allowed))

    def _measure_period(self, active: int, start: int, number: int) -> None:
        before, self._scan_begin = self._scan_begin, (active, self._scans, start)
        last, self._last_period = self._last_period, None
        if before is None:
            return
        scans, time = self._scans - before[1], start - before[2]
        allowed = self._course.scan_period(before[0], active, scans)
        subject = "" if scans == 1 else f"over {scans} scans"
        if not self.measured.add(("scan period", subject), time, allowed):
            self.measured.find(Deviation(start, "scan period", number, time, allowed))
        if scans != 1:
            return
        self._last_period = time, allowed
        if last is not None:
            most = max(allowed.max - last[1].min, last[1].max - allowed.min)
            jitter = abs(time - last[0])
            if not self.measured.add(("scan jitter", "one period against the next"), jitter, Range(0, most)):
                self.measured.find(Deviation(start, "scan jitter", number, jitter, Range(0, most)))


def name_of(what: str, node: str, task: str) -> str:
    """Return a frame's name for a reader."""
    return f"{what}{f' of {node}' if node else ''}, task {task}"
