"""Which frames pass a port in a scan, and in which bounds their lengths and the gaps between them lie.

Every instant of a run is a sum and maximum of durations, so the runs with all durations at their best and
at their worst bound each instant; differences of such bounds bound every gap. Where two frames follow each
other directly, a closer bound holds, in which all that both have waited for cancels out. The measuring point
may lie anywhere on the segment at the port: towards the far end what goes out comes later, what comes home
earlier, by the segment's delay at most.
"""

from __future__ import annotations

from typing import NamedTuple

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.host_bus import bits_of, legs_of
from chainplan.budgets.scanning.ports import Legs
from chainplan.budgets.scanning.runs import Run, Step, TaskWork, exchange_cost
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.captures.ranges import Range
from chainplan.captures.trains import PortFrame, gap_within, port_frames
from chainplan.figures.terms import Case
from chainplan.quantity import Span

BEST, WORST = Case.BEST, Case.WORST


class PlannedFrame(NamedTuple):
    """A frame at a port: whose it is, how long it takes, and the gap before it.

    The gap begins where the frame before it in the scan ends; for a scan's first frame, with the scan.
    """

    task: str
    what: str
    chain: str
    node: str
    time: Range
    gap: Range


class PlannedScan(NamedTuple):
    """The frames of one kind of scan at a port; `last_end` is when the last one ends, since the scan began.

    `rest` is from there to the end of the scan's slots.
    """

    frames: tuple[PlannedFrame, ...]
    last_end: Range
    rest: Range


class TaskAtPort(NamedTuple):
    """What one run of a task shows at a port: `first` and `end` count from the begin of the run.

    `rest` is from the end of its last frame to the end of the run, `length` the run as a whole.
    """

    frames: tuple[PlannedFrame, ...]
    end: Range
    rest: Range
    length: Range


def task_at_port(scan: ControllerScan, index: int, port: str) -> TaskAtPort:
    """Return what a task of a controller shows at one of its ports."""
    work = scan.works[index]
    best, worst = scan.runs[BEST][index], scan.runs[WORST][index]
    length = Range(best.length, worst.length)
    seen = _Run(scan, work, best, worst, port).frames()
    if not seen:
        return TaskAtPort((), Range(0, 0), length, length)
    planned = []
    for place, each in enumerate(seen):
        gap = each.start if place == 0 else each.gap
        planned.append(PlannedFrame(work.name, each.what, each.chain, each.node, each.time, gap))
    last = seen[-1]
    rest = Range(max(0, length.min - last.end.max), length.max - last.end.min)
    return TaskAtPort(tuple(planned), last.end, rest.common(last.rest), length)


def planned_scan(tasks: dict[int, TaskAtPort], due: tuple[int, ...]) -> PlannedScan:
    """Return what a scan shows in which these tasks run, one after another."""
    frames: list[PlannedFrame] = []
    begin = rest = last_end = Range(0, 0)
    for index in due:
        task = tasks[index]
        if task.frames:
            first, *others = task.frames
            frames += [first._replace(gap=first.gap.plus(rest)), *others]
            last_end = begin.plus(task.end)
            rest = task.rest
        else:
            rest = rest.plus(task.length)
        begin = begin.plus(task.length)
    return PlannedScan(tuple(frames), last_end, rest)


class _SeenFrame(NamedTuple):
    """A frame of a run at the port: instants since the run began, the gap before it, the time to the end."""

    what: str
    chain: str
    node: str
    time: Range
    start: Range
    end: Range
    gap: Range
    rest: Range


class _Run:
    """One run of a task, seen from a port: the run with all at best beside that with all at worst."""

    def __init__(self, scan: ControllerScan, work: TaskWork, best: Run, worst: Run, port: str) -> None:
        self._scan, self._work, self._best, self._worst, self._port = scan, work, best, worst, port
        self._plan = scan.controller.settings
        self._chains = {chain.name: chain for chain in scan.chains}
        self._kept: dict[tuple[object, ...], tuple[PortFrame, ...]] = {}

    def frames(self) -> list[_SeenFrame]:
        """Return all frames of the run at the port, in order."""
        found: list[_SeenFrame] = []
        before: _Before | None = None
        stages = (
            (self._work.triggers, self._best.triggers, self._worst.triggers),
            (self._work.reads, self._best.reads, self._worst.reads),
        )
        for lists, best, worst in stages:
            for best_step, worst_step in zip(best, worst, strict=True):
                early, late = self._on_wire(best_step, BEST), self._on_wire(worst_step, WORST)
                frames = self._at_port(early.exchange)
                for place, frame in enumerate(frames):
                    seen = self._seen(frame, early, late, found[-1] if found else None)
                    if place:
                        seen = seen._replace(gap=seen.gap.common(gap_within(frames[place - 1], frame)))
                    elif before is not None and early.port == self._port:
                        seen = seen._replace(gap=seen.gap.common(self._between(before, lists, early, late)))
                    found.append(seen)
                if early.port == self._port:
                    before = _Before(frames[-1], early, late, lists) if frames else None
        if found and before is not None:
            found[-1] = found[-1]._replace(rest=self._to_the_end(before))
        return found

    def _at_port(self, exchange: Exchange) -> tuple[PortFrame, ...]:
        chain = self._chains[exchange.chain]
        key = exchange.chain, exchange.style, exchange.request, exchange.answers, exchange.node
        if key not in self._kept:
            trigger = exchange.style == "write" and exchange in [
                each for lists in self._work.triggers.values() for each in lists
            ]
            self._kept[key] = port_frames(chain, exchange, self._port, trigger=trigger)
        return self._kept[key]

    def _seen(self, frame: PortFrame, early: Step, late: Step, before: _SeenFrame | None) -> _SeenFrame:
        start = Range(early.wire + frame.start.min, late.wire + frame.start.max)
        end = Range(early.wire + frame.end.min, late.wire + frame.end.max)
        gap = Range(start.min - before.end.max, start.max - before.end.min) if before else start
        # Until a closer bound is found: the run may end at once, or a whole run later.
        rest = Range(0, self._worst.length)
        return _SeenFrame(frame.what, frame.chain, frame.node, frame.time, start, end, gap, rest)

    def _between(self, before: _Before, lists: dict[str, list[Exchange]], early: Step, late: Step) -> Range:
        """Bound the gap between two exchanges that follow each other at their head port."""
        after = self._after(before)
        set_up = self._plan.set_up
        to_wire = Range(
            set_up[BEST] + self._legs(early.exchange, BEST).first,
            set_up[WORST] + self._legs(late.exchange, WORST).first + self._bus_wait(lists),
        )
        if before.lists is lists:
            gap = after.plus(Range(0, self._core_wait(lists, before.early.exchange))).plus(to_wire)
        else:  # the triggers are out on all ports, then comes the conversion, then the first read's turn
            others = Range(0, self._lag(before))
            wait = Range(self._work.wait, self._work.wait)
            begins = [
                max((step.end for step in run.triggers), default=0) + self._work.wait
                for run in (self._best, self._worst)
            ]
            first = Range(early.wire - begins[0], late.wire - begins[1])
            gap = after.plus(others).plus(wait).plus(first)
        segment = self._chains[early.exchange.chain].segments[0].hop.delay.max
        # At the far end what goes out comes later.
        return gap.wider(before.frame.delay, before.frame.delay + segment)

    def _after(self, before: _Before) -> Range:
        """Bound the time from the end of an exchange's last frame until the port is free."""
        soonest, latest = (self._legs(before.early.exchange, case) for case in (BEST, WORST))
        return Range(
            soonest.total - soonest.first - before.frame.at_port.min,
            latest.total - latest.first - before.frame.at_port.max + self._bus_wait(before.lists),
        )

    def _legs(self, exchange: Exchange, case: Case) -> Legs:
        """Return the parts of an exchange where a slow bus that streams holds it up most, or least.

        It holds the shortest frames up most: they take the other case's time here.
        """
        ways = self._scan.ways[case]
        chain = self._chains[exchange.chain]
        bits = bits_of(chain.protocol, exchange, WORST if case is BEST else BEST)
        bus = self._plan.host_bus
        return legs_of(bus, bits, ways.time(exchange), case, shared=ways.shared)

    def _on_wire(self, step: Step, case: Case) -> Step:
        shift = self._legs(step.exchange, case).first - self._scan.ways[case].legs(step.exchange).first
        return step._replace(wire=step.wire + shift)

    def _bus_wait(self, lists: dict[str, list[Exchange]]) -> int:
        """Return how long a transfer can wait for a bus that serves other ports, fs.

        In whatever order it serves them, each is ahead with its exchange of this turn and of the next.
        """
        if not self._scan.ways[WORST].shared:
            return 0
        others = (exchanges for port, exchanges in lists.items() if port != self._port)
        ways = self._scan.ways[WORST]
        return 2 * sum(max(exchange_cost(each, ways) for each in exchanges) for exchanges in others)

    def _lag(self, before: _Before) -> int:
        """Return how much longer than this port, at most, another is busy with its list of this stage."""
        if len(before.lists) == 1:
            return 0
        steps = self._worst.triggers if before.lists is self._work.triggers else self._worst.reads
        return max(0, max(step.end for step in steps) - before.early.end)

    def _core_wait(self, lists: dict[str, list[Exchange]], exchange: Exchange) -> int:
        """Return how long the port can wait for the one core that sets up, after its own exchange, fs.

        After this port's set-up the core serves every other port once. By then each has begun the exchange
        before, so it is free at the latest when that one, set-up apart, has taken its longest.
        """
        if len(lists) == 1 or self._plan.set_up_by != "one core":
            return 0
        set_up: Span = self._plan.set_up
        own = self._cost(exchange, BEST)
        core = set_up[WORST]
        for port, exchanges in lists.items():
            if port != self._port:
                longest = max((self._cost(each, WORST) for each in exchanges), default=0)
                core = max(core, longest) + set_up[WORST]
        return max(0, core - set_up[BEST] - own)

    def _cost(self, exchange: Exchange, case: Case) -> int:
        """Return the time of an exchange on port and chain, its set-up apart, fs."""
        return self._scan.ways[case].legs(exchange).total

    def _to_the_end(self, before: _Before) -> Range:
        turn = Range(self._work.reversal[BEST], self._work.reversal[WORST])
        after = self._after(before).plus(turn)
        return after.plus(Range(0, self._lag(before))).wider(before.frame.delay, before.frame.delay)


class _Before(NamedTuple):
    """The last exchange at the port and its last frame there."""

    frame: PortFrame
    early: Step
    late: Step
    lists: dict[str, list[Exchange]]
