"""The planned scans as signals: what is busy when, of every controller, port, segment, node and task.

Every scan begins with its period, or when the scan before has ended, if that is later. A conversion that a
task does not wait for runs on into the next scans. The evaluation of readings is not in step with the scan:
it is drawn from the first scan on, one of the many ways it can lie.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import gcd
from typing import NamedTuple

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.runs import Run, Step, pause_on
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.chain.build import Unit
from chainplan.chain.network import Chain
from chainplan.exports.passages import SegmentPassage, Train, exchange_train
from chainplan.figures.terms import Case
from chainplan.plan.layout import EvaluationPlan

Path = tuple[str, ...]
"""A signal's name, behind the names of what it belongs to: controller, port or chain, node."""


class Busy(NamedTuple):
    """A signal is high from `start` to `end`, fs since the first scan began."""

    signal: Path
    start: int
    end: int


class ScanBegin(NamedTuple):
    """A scan of a controller begins, fs since the first one began."""

    signal: Path
    start: int
    number: int


MOST_SPANS = 1_000_000
"""Busy spans that are drawn at most; a viewer opens such a file of some 50 MB without trouble."""


class Waveform(NamedTuple):
    """The signals of all controllers in the order of the plan, what they do, and the greatest step of time.

    Every instant is a whole multiple of `step` fs; at `end` the last scan's period is over. `counters` are
    signals that hold the number of the scan.
    """

    signals: tuple[Path, ...]
    counters: tuple[Path, ...]
    busy: tuple[Busy, ...]
    begins: tuple[ScanBegin, ...]
    step: int
    end: int


def plan_waveform(
    scans: dict[str, ControllerScan], units: dict[str, Unit], count: int, case: Case
) -> Waveform:
    """Return the first `count` scans of every controller, every duration at one end of its tolerance.

    Raises ValueError, which says how many scans would do, where they have more than `MOST_SPANS` busy spans.
    """
    signals: list[Path] = []
    counters: list[Path] = []
    busy: list[Busy] = []
    begins: list[ScanBegin] = []
    end = 0
    for name, scan in scans.items():
        drawing = _Drawing(scan, case)
        counters.append(drawing.counter)
        signals += drawing.signals()
        for number in range(count):
            begins.append(ScanBegin(drawing.counter, drawing.begin, number))
            busy += drawing.scan(number)
            if len(busy) > MOST_SPANS:
                raise ValueError(f"{number + 1} scans have more than {MOST_SPANS} busy spans: draw fewer")
        busy += drawing.evaluations(units[name].evaluation)
        end = max(end, drawing.begin)
    instants = [end, *(time for each in busy for time in (each.start, each.end))]
    step = gcd(*instants, *(each.start for each in begins)) or 10**15
    return Waveform(
        tuple(signals), tuple(counters), tuple(busy), tuple(begins), step, max(instants, default=0)
    )


class _Drawing:
    """One controller's scans, drawn one after another."""

    def __init__(self, scan: ControllerScan, case: Case) -> None:
        self._scan, self._case = scan, case
        self._own = (f"controller {scan.controller.name}",)
        self._chains = {chain.name: chain for chain in scan.chains}
        self._trains: dict[Exchange, Train] = {}
        self.counter = (*self._own, "scan")
        # The worst case of a scan is the one with the least time: the shortest period.
        self._period = scan.controller.settings.scan_period[0 if case is Case.WORST else case]
        self.begin = 0

    def signals(self) -> Iterator[Path]:
        """Yield the names of the controller's signals."""
        own = self._own
        yield from ((*own, name) for name in ("scan under way", "retry reserve", "evaluation"))
        yield from ((*own, f"task {work.name}") for work in self._scan.works)
        for port in self._scan.controller.ports:
            yield from self._port(port)
        for chain in self._scan.controller.chains:
            for segment in chain.segments:
                yield self._segment(chain, segment.number - 1)
            for node in range(len(chain.nodes)):
                yield self._node(chain, node)

    def _port(self, port: str) -> tuple[Path, Path, Path]:
        """Return a port's signals: exchange under way, set-up, and the wire as a probe there sees it."""
        own = (*self._own, f"port {port.rpartition(':')[2]}")
        return (*own, "busy"), (*own, "set-up"), (*own, "wire")

    def _segment(self, chain: Chain, segment: int) -> Path:
        """Return the signal of a segment; in a ring read from the back they are counted from there."""
        place = len(chain.nodes) - segment if chain.ring else segment
        return (*self._own, f"chain {chain.wires}", f"segment {place + 1} busy")

    def _node(self, chain: Chain, node: int) -> Path:
        return (*self._own, f"chain {chain.wires}", f"node {chain.nodes[node].name}", "converting")

    def scan(self, number: int) -> Iterator[Busy]:
        """Yield what is busy in a scan, and move on to the next."""
        scan, case, begin = self._scan, self._case, self.begin
        end = begin
        for index in scan.due(number):
            run, start = scan.runs[case][index], end
            end = start + run.length
            yield Busy((*self._own, f"task {run.task}"), start, end)
            yield from self._run(index, run, start)
        yield Busy((*self._own, "scan under way"), begin, end)
        if case is Case.WORST:
            yield Busy((*self._own, "retry reserve"), end, end + scan.reserve.total)
            end += scan.reserve.total
        self.begin = max(begin + self._period, end)

    def _run(self, index: int, run: Run, start: int) -> Iterator[Busy]:
        for step in run.drawn:
            busy, set_up, _ = self._port(step.port)
            yield Busy(busy, start + step.start, start + step.end)
            yield Busy(set_up, start + step.start, start + step.wire)
            chain = self._chains[step.exchange.chain]
            for passage in self._train(chain, step).passages:
                sent = start + step.wire + passage.sent
                yield Busy(self._segment(chain, passage.segment), sent, start + step.wire + passage.end)
                yield from self._at_ports(chain, step.port, passage, start + step.wire)
        for step in run.drawn[: len(run.triggers)]:
            yield from self._conversions(index, step, start + step.wire)

    def _at_ports(self, chain: Chain, head: str, passage: SegmentPassage, begin: int) -> Iterator[Busy]:
        """Yield when a frame is at a port: leaving the head, back home, or at a ring's back port."""
        arrives = begin + passage.sent + passage.delay
        if passage.way == "home" and passage.segment == 0:
            yield Busy(self._port(head)[2], arrives, arrives + passage.time)
        elif passage.way == "out" and passage.segment == 0:
            yield Busy(self._port(head)[2], begin + passage.sent, begin + passage.sent + passage.time)
        if passage.way == "out" and passage.segment == len(chain.nodes) and chain.back is not None:
            yield Busy(self._port(chain.back)[2], arrives, arrives + passage.time)

    def _train(self, chain: Chain, step: Step) -> Train:
        found = self._trains.get(step.exchange)
        if found is None:
            found = self._trains[step.exchange] = exchange_train(chain, step.exchange, self._case)
        return found

    def _conversions(self, index: int, step: Step, sent: int) -> Iterator[Busy]:
        """Yield how the nodes of a chain convert after a trigger whose first bit is sent at `sent`."""
        task, case = self._scan.works[index].task, self._case
        chain = self._chains[step.exchange.chain]
        heard = self._train(chain, step).heard
        for number, node in enumerate(chain.nodes):
            conversion = node.type.conversions.get(task.conversion or task.reads)
            if conversion is not None:
                begin = sent + heard[number]
                end = begin + pause_on(task, node)[case] + conversion.time[case]
                yield Busy(self._node(chain, number), begin, end)

    def evaluations(self, evaluation: EvaluationPlan) -> Iterator[Busy]:
        """Yield the runs of the task that judges readings, until the last scan's period is over."""
        period, run_time = evaluation.period[self._case], evaluation.run_time[self._case]
        for start in range(0, self.begin, period) if period and run_time else ():
            yield Busy((*self._own, "evaluation"), start, start + min(run_time, period))
