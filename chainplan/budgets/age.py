"""Sample age and skew: how old a value in the controller's memory can be, how far apart values were sampled.

A value sampled at S arrives at A and stands until its successor arrives one task period later, so

    age = task period + scan jitter + shift of the task's slot between the two scans + (A - S)

``skew = max - min of (trigger arrival at the node + channel's place in the conversion sequence)``.

Where the task pauses balancing, a node samples its first channel only when its inputs have settled after
the trigger's arrival: every sampling instant moves by the node's settling, S at its shortest, and the wait
before the reads grows by the longest of them (:mod:`chainplan.budgets.schedule`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property, lru_cache
from math import lcm
from typing import NamedTuple

from chainplan.budgets.exchange import Exchange, channels
from chainplan.budgets.scan import MOST_SCANS, ControllerScan
from chainplan.budgets.schedule import Run, TaskWork, conversion_waits, pause_on
from chainplan.budgets.terms import Case, Sum, Term, nonzero
from chainplan.budgets.wire import frame_time
from chainplan.chain.network import Chain, Node, makes
from chainplan.plan.parts import Conversion
from chainplan.plan.readings import is_sampled
from chainplan.plan.schedule import Task
from chainplan.quantity import TIME, Span
from chainplan.remembered import remembered


class SampleTiming:
    """Age and skew of one task's values on one controller, each worked out when first asked for."""

    def __init__(self, scan: ControllerScan, index: int) -> None:
        self._scan, self._index = scan, index
        self._work = scan.works[index]
        self.controller = scan.controller.name
        self.task = self._work.name

    @property
    def where(self) -> str:
        """Return the node whose values get oldest."""
        return slowest_value(self._scan, self._index, Case.BEST, Case.WORST).where

    @cached_property
    def age(self) -> Sum:
        """Return the age that a value can reach before its successor stands in memory, fs."""
        scan = self._scan
        return Sum(
            f"sample age of {self.task}",
            TIME,
            nonzero(
                self._periods(scan.period),
                Term("scan jitter", scan.controller.plan.scan_jitter.max),
                *self._shift_and_flight(Case.BEST, Case.WORST),
                scan.reserve,
            ),
            "task period + jitter + slot shift + (arrival - sampling)",
        )

    @cached_property
    def typical_age(self) -> Sum:
        """Return the same without jitter and retries, fs."""
        terms = nonzero(
            self._periods(self._scan.controller.plan.scan_period.typical),
            *self._shift_and_flight(Case.TYPICAL, Case.TYPICAL),
        )
        return Sum(f"typical sample age of {self.task}", TIME, terms)

    @cached_property
    def skew(self) -> Sum:
        """Return the spread of one run's sampling instants, fs."""
        return _skew(self._scan, self._work, Case.BEST, Case.WORST)

    @cached_property
    def typical_skew(self) -> Sum:
        """Return the typical spread, fs."""
        return _skew(self._scan, self._work, Case.TYPICAL, Case.TYPICAL)

    @property
    def _runs(self) -> int:
        return 1 + runs_from_sample_to_memory(self._work.task)

    def _periods(self, period: int) -> Term:
        return Term("task period", period * self._work.task.every, self._runs)

    def _shift_and_flight(self, early: Case, late: Case) -> tuple[Term, Term]:
        scan, index = self._scan, self._index
        return (
            Term("shift of the slot between scans", slot_shift(scan, index, self._runs, early, late)),
            Term("from sampling to memory", slowest_value(scan, index, early, late).time),
        )


class Flight(NamedTuple):
    """From sampling to memory: the slowest value of a run, fs since the run began."""

    sampled: int
    arrived: int
    where: str

    @property
    def time(self) -> int:
        """Return how long the value was under way, fs."""
        return self.arrived - self.sampled


def sample_budget(scan: ControllerScan) -> list[SampleTiming]:
    """Return age and skew for every task of a controller that fetches samples."""
    return [
        SampleTiming(scan, index)
        for index, work in enumerate(scan.works)
        if work.task.kind != "write" and is_sampled(work.task.reads)
    ]


def runs_from_sample_to_memory(task: Task) -> int:
    """Return how many task periods pass between a conversion's start and its read: one with overlap."""
    return 1 if task.overlap and task.kind == "measure" else 0


def slot_starts(scan: ControllerScan, index: int, case: Case) -> list[int]:
    """Return the starts that a task's slot has in the scans of the major cycle, each once, fs."""
    lengths = [run.length for run in scan.runs[case]]
    pairs = slots_before(scan.phases.phases, scan.periods, index, 0)
    return [sum(lengths[task] for task in before) for before, _ in pairs]


@remembered
def slot_shift(scan: ControllerScan, index: int, runs: int, early: Case, late: Case) -> int:
    """Return how much later than planned a slot can start, `runs` task periods after an early one, fs.

    The major cycle is walked scan by scan; a very long one is bounded: no task before in the early scan,
    every task before in the late one.
    """
    short = [run.length for run in scan.runs[early]]
    long = [run.length for run in scan.runs[late]]
    if scan.phases.major_cycle > MOST_SCANS:
        return sum(long[:index])
    return max(
        [
            sum([long[task] for task in after]) - sum([short[task] for task in before])
            for before, after in slots_before(scan.phases.phases, scan.periods, index, runs)
        ]
    )


@lru_cache(maxsize=1024)
def slots_before(
    phases: tuple[int, ...], periods: tuple[int, ...], index: int, runs: int
) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]:
    """Return which tasks have their slots before a task's own, in a scan and in the one `runs` later.

    Every pair that occurs in the major cycle, once.
    """
    if index == 0:
        return (((), ()),)
    cycle = lcm(*periods)
    seen = [
        tuple(task for task in range(index) if number % periods[task] == phases[task])
        for number in range(phases[index], phases[index] + cycle, periods[index])
    ]
    return tuple({(before, seen[(number + runs) % len(seen)]) for number, before in enumerate(seen)})


@remembered
def slowest_value(scan: ControllerScan, index: int, early: Case, late: Case) -> Flight:
    """Return the value with the longest way from (earliest) sampling to (latest) memory in one run.

    With retries in reserve every read may arrive only at the end of its run.
    """
    work = scan.works[index]
    sampling = sampling_of(scan, index, early)
    run = scan.runs[late][index]
    retried = scan.reserve.total > 0 and late is Case.WORST
    slowest: Flight | None = None
    for step in run.reads:
        arrived = run.length if retried else step.end
        sampled, node = sampling.earliest(step.exchange)
        if slowest is None or arrived - sampled > slowest.time:
            slowest = Flight(sampled, arrived, node.name)
    assert slowest is not None, work.name  # a scan holds only tasks that read
    return slowest


class Sampling:
    """When each value of a run is sampled, fs since the run began, in one case."""

    def __init__(self, scan: ControllerScan, index: int, case: Case) -> None:
        self.work = scan.works[index]
        self.case = case
        self.run: Run = scan.runs[case][index]
        self.chains = scan.ways[case].chains
        self.ways = scan.ways[case].ways
        self.triggers = {step.exchange.chain: step for step in self.run.triggers}
        self._frames = {
            name: frame_time(self.chains[name].protocol, step.exchange.request, case)
            for name, step in self.triggers.items()
        }
        self._reads = {step.exchange: step for step in self.run.reads}

    def arrival(self, chain: Chain, node: int) -> int:
        """Return when the trigger has reached a node whole."""
        frame = self._frames[chain.name]
        return self.triggers[chain.name].wire + frame + self.ways[chain.name].reach(node, frame)

    def earliest(self, exchange: Exchange) -> tuple[int, Node]:
        """Return when the oldest value of a read was sampled, and its node.

        Without a trigger a node converts on its own: a value may be one whole conversion old. Of equal nodes
        the nearest to the head has the trigger first.
        """
        chain = self.chains[exchange.chain]
        found: tuple[int, Node] | None = None
        for index, node in self._earliest_nodes(chain, exchange):
            conversion = conversion_on(self.work.task, node)
            if chain.name in self.triggers:
                step = conversion.step[self.case] if conversion else 0
                settled = self.arrival(chain, index) + pause_on(self.work.task, node)[self.case]
                sampled = settled + exchange.first_channel * step
            else:
                age = conversion.time.max if conversion else 0
                sampled = self._reads[exchange].wire - age
            if found is None or sampled < found[0]:
                found = sampled, node
        assert found is not None  # a read without samples is never laid out
        return found

    def _earliest_nodes(self, chain: Chain, exchange: Exchange) -> Iterator[tuple[int, Node]]:
        if exchange.node is not None:
            yield exchange.node, chain.nodes[exchange.node]
            return
        for make in makes(chain.nodes):
            if channels(self.work.task, make.node) > exchange.first_channel:
                yield make.first, make.node


sampling_of = remembered(Sampling)
"""The samplings of a scan's tasks, each laid out once."""


def conversion_on(task: Task, node: Node) -> Conversion | None:
    """Return the conversion a task starts on a node, if the node has it."""
    return node.type.conversions.get(task.conversion or task.reads)


def _skew(scan: ControllerScan, work: TaskWork, early: Case, late: Case) -> Sum:
    """Return the spread of one run's sampling instants, over all chains of a controller.

    On one chain the trigger is the same frame, so only the way from the first sampled node on counts.
    Over several chains the trigger frames leave at different times, after the set-up that all share.
    """
    chains = [chain for chain in scan.chains if _samples(work, chain)]
    if work.task.kind != "measure" or not chains:
        return Sum(f"skew of {work.name}", TIME, ())
    if len(chains) == 1:
        label = "way from the first node to the last one"
        spread = _chain_spread(scan, work.task, chains[0], early, late)
    else:
        label = "between the first and the last trigger's arrival"
        spread = _controller_spread(scan, work, chains, early, late)
    way, settling, last = spread
    terms = (
        Term(label, way),
        Term("paused balancing settles later", settling),
        Term("place in the conversion sequence", last),
    )
    return Sum(f"skew of {work.name}", TIME, nonzero(*terms))


def _samples(work: TaskWork, chain: Chain) -> bool:
    return any(exchange.chain == chain.name for reads in work.reads.values() for exchange in reads)


def _sampled(task: Task, chain: Chain) -> list[int]:
    """Return the places of the nodes that sample for a task."""
    return sorted(place for make in makes(chain.nodes) if channels(task, make.node) for place in make.places)


def _ends(task: Task, chain: Chain) -> list[int]:
    """Return the nearest and the farthest sampling node of each make: nothing between them is at an end."""
    return sorted(
        {
            place
            for make in makes(chain.nodes)
            if channels(task, make.node)
            for place in make.places[:: max(len(make.places) - 1, 1)]
        }
    )


def _shared(scan: ControllerScan) -> Span:
    """Return the part of every trigger's start that is one and the same event: the first set-up."""
    plan = scan.controller.plan
    return plan.set_up if plan.set_up_by == "one core" else Span(0, 0, 0)


def _last_channel(task: Task, node: Node, case: Case) -> int:
    conversion = conversion_on(task, node)
    return (channels(task, node) - 1) * conversion.step[case] if conversion else 0


class Spread(NamedTuple):
    """The spread between two sampling instants, fs: what the way, the settling and the sequence add."""

    way: int
    settling: int
    last: int


def _controller_spread(
    scan: ControllerScan, work: TaskWork, chains: list[Chain], early: Case, late: Case
) -> Spread:
    """Return the largest spread over several chains: the earliest sample early, the latest one late."""
    index = scan.works.index(work)
    task = work.task
    first, final = sampling_of(scan, index, early), sampling_of(scan, index, late)
    shared = _shared(scan)
    soonest, unsettled = min(
        (
            (first.arrival(chain, node) - shared[early], pause_on(task, chain.nodes[node])[early])
            for chain in chains
            for node in _sampled(task, chain)
        ),
        key=sum,
    )
    arrival, settled, last = max(
        (
            (
                final.arrival(chain, node) - shared[late],
                pause_on(task, chain.nodes[node])[late],
                _last_channel(task, chain.nodes[node], late),
            )
            for chain in chains
            for node in _sampled(task, chain)
        ),
        key=sum,
    )
    return Spread(arrival - soonest, settled - unsettled, last)


def _chain_spread(scan: ControllerScan, task: Task, chain: Chain, early: Case, late: Case) -> Spread:
    """Return the largest spread between two nodes of one chain, or between the channels of one.

    The later sample may be the farther node's, by a way at its longest. Where settling differs it may be
    the nearer node's too, in spite of a way at its shortest.
    """
    places = _ends(task, chain)
    if any(pause_on(task, chain.nodes[place])[late] for place in places):
        places = _sampled(task, chain)
    nodes = [chain.nodes[place] for place in places]
    lasts = [_last_channel(task, node, late) for node in nodes]
    pauses = [pause_on(task, node) for node in nodes]
    spreads = [Spread(0, 0, last) for last in lasts]
    soon, settled = [pause[early] for pause in pauses], [pause[late] for pause in pauses]
    spreads += _after_the_earliest(_reach(scan, places, chain, late), soon, settled, lasts)
    if any(settled):
        near = _reach(scan, places, chain, early)
        columns = (column[::-1] for column in (near, soon, settled, lasts))
        spreads += _after_the_earliest(*columns)
    return max(spreads, key=sum)


def _reach(scan: ControllerScan, places: list[int], chain: Chain, case: Case) -> list[int]:
    """Return when a trigger that leaves the head at 0 has reached nodes of a chain, fs."""
    protocol, way = chain.protocol, scan.ways[case].ways[chain.name]
    frame = frame_time(protocol, protocol.write.max + protocol.check.width.max, case)
    return [way.reach(place, frame) for place in places]


def _after_the_earliest(
    reach: Sequence[int], soon: Sequence[int], settled: Sequence[int], lasts: Sequence[int]
) -> Iterator[Spread]:
    """Yield for each node but the first its spread from the earliest sample of any node before it."""
    earliest = reach[0], soon[0]
    for node in range(1, len(reach)):
        yield Spread(reach[node] - earliest[0], settled[node] - earliest[1], lasts[node])
        earliest = min(earliest, (reach[node], soon[node]), key=sum)


def overlapped_conversion(scan: ControllerScan, index: int) -> Sum:
    """Return the time from a task's slot until its conversion is over on every node, with its terms, fs."""
    run = scan.runs[Case.WORST][index]
    work = scan.works[index]
    chains = {step.exchange.chain for step in run.triggers}
    settling, longest = max(
        (
            waits
            for chain in scan.chains
            if chain.name in chains
            for waits in conversion_waits(work.task, chain)
        ),
        key=sum,
        default=(0, 0),
    )
    sent = max((step.end for step in run.triggers), default=0)
    return Sum(
        f"overlapped conversion of {work.name}",
        TIME,
        nonzero(
            Term("until the last trigger is sent", sent),
            Term("paused balancing settles", settling),
            Term("longest conversion", longest),
        ),
        "last trigger + longest settling and conversion of any node",
    )
