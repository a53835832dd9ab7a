"""Sample age: how old a value in the controller's memory can be.

A value sampled at S arrives at A and stands until its successor arrives one task period later, so

    age = task period + scan jitter + shift of the task's slot between the two scans + (A - S)

A node that does not hear a trigger answers with what it sampled before, and the value stands a period longer.

When values are sampled is in :mod:`chainplan.budgets.values.sampling`.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property, lru_cache
from math import lcm
from typing import NamedTuple

from chainplan.budgets.scanning.runs import conversion_waits
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.values.sampling import sampling_of
from chainplan.budgets.values.skew import skew_of
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind, always
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.readings import is_sampled
from chainplan.plan.schedule import Task
from chainplan.quantity import TIME
from chainplan.remembered import remembered


class SampleTiming:
    """Age and skew of one task's values on one controller, each worked out when first asked for."""

    def __init__(self, scan: ControllerScan, index: int) -> None:
        self._scan, self._index = scan, index
        self._work = scan.works[index]
        self.controller = scan.controller.name
        self.task = self._work.name

    @property
    def triggered(self) -> bool:
        """Tell whether a trigger says when the values are sampled."""
        return self._work.task.kind == "measure"

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
                self._periods(scan.period, self._work.task.stale_runs),
                Term("scan jitter", scan.controller.settings.scan_jitter.max),
                *self._shift_and_flight(Case.BEST, Case.WORST, self._work.task.stale_runs),
                scan.reserve,
            ),
            "task period + jitter + slot shift + (arrival - sampling)",
        )

    @cached_property
    def typical_age(self) -> Sum:
        """Return the same without jitter and retries, fs."""
        terms = nonzero(
            self._periods(self._scan.controller.settings.scan_period.typical),
            *self._shift_and_flight(Case.TYPICAL, Case.TYPICAL),
        )
        return Sum(f"typical sample age of {self.task}", TIME, terms)

    @cached_property
    def skew(self) -> Sum:
        """Return the spread of one run's sampling instants, fs."""
        return skew_of(self._scan, self._index, Case.BEST, Case.WORST)

    @cached_property
    def typical_skew(self) -> Sum:
        """Return the typical spread, fs."""
        return skew_of(self._scan, self._index, Case.TYPICAL, Case.TYPICAL)

    @property
    def _runs(self) -> int:
        return 1 + runs_from_sample_to_memory(self._work.task)

    def _periods(self, period: int, stale: int = 0) -> Term:
        how = f"{stale} with old values" if stale else ""
        return Term("task period", period * self._work.task.every, self._runs + stale, how)

    def _shift_and_flight(self, early: Case, late: Case, stale: int = 0) -> tuple[Term, Term]:
        scan, index = self._scan, self._index
        shifts = [slot_shift(scan, index, self._runs + more, early, late) for more in range(stale + 1)]
        return (
            Term("shift of the slot between scans", max(shifts)),
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


@budget
def samples(scans: dict[str, ControllerScan]) -> list[SampleTiming]:
    """Age and skew of every task's values, controller by controller."""
    return [timing for scan in scans.values() for timing in sample_budget(scan)]


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
    """Return how much later than planned a slot can start, `runs` task periods after an early one, fs."""
    short = [run.length for run in scan.runs[early]]
    long = [run.length for run in scan.runs[late]]
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


NO_SAMPLES = "this task fetches no samples"

SAMPLE_AGE = Kind[SampleTiming](
    "sample age",
    TIME,
    ("controller", "task"),
    "sample age",
    lambda timing: timing.age,
    lambda timing: timing.typical_age,
    named="age/{}/{}",
    where=lambda timing: timing.where,
    target="sample_age",
    by="task",
    nobody=NO_SAMPLES,
)


@SAMPLE_AGE.of
def sample_ages(samples: list[SampleTiming]) -> Iterator[Figure]:
    """How old a value in the controller's memory can get before its successor is there."""
    for timing in samples:
        yield SAMPLE_AGE(timing.controller, timing.task, item=timing)


SKEW = Kind[SampleTiming](
    "skew",
    TIME,
    ("controller", "task"),
    "sample age",
    lambda timing: timing.skew,
    lambda timing: timing.typical_skew,
    named="skew/{}/{}",
    target="skew",
    by="task",
    nobody=NO_SAMPLES,
)


@SKEW.of
def skews(samples: list[SampleTiming]) -> Iterator[Figure]:
    """Spread of the instants at which one run samples its values."""
    for timing in samples:
        if timing.triggered:
            yield SKEW(timing.controller, timing.task, item=timing)
        else:
            note = "without a trigger every node samples when it likes"
            yield SKEW(timing.controller, timing.task, note=note)


class Overlapped(NamedTuple):
    """A conversion that overlaps the reads of the one before, and the time it has, fs."""

    scan: ControllerScan
    task: int

    @property
    def time(self) -> Sum:
        """Return how long it takes, from its task's slot on."""
        return overlapped_conversion(self.scan, self.task)

    @property
    def room(self) -> int:
        """Return the time until its task's next trigger, at the shortest."""
        settings = self.scan.controller.settings
        starts = slot_starts(self.scan, self.task, Case.WORST)
        early = min(slot_starts(self.scan, self.task, Case.BEST))
        every = self.scan.works[self.task].task.every
        return settings.scan_period.min * every - settings.scan_jitter.max - (max(starts) - early)


@remembered
def overlap_fits(scan: ControllerScan, index: int) -> bool:
    """Tell whether a task's conversion is over in time; one that is waited for always is."""
    each = Overlapped(scan, index)
    return not runs_from_sample_to_memory(scan.works[index].task) or each.time.total <= each.room


OVERLAPPED_CONVERSION = Kind[Overlapped](
    "overlapped conversion time",
    TIME,
    ("controller", "task"),
    "scan",
    lambda each: each.time,
    named="conversion/{}/{}",
    asked=always,
)


@OVERLAPPED_CONVERSION.of
def overlapped_conversions(scans: dict[str, ControllerScan]) -> Iterator[Figure]:
    """With `overlap`, a conversion must finish before its task's next trigger. Always checked."""
    for name, scan in scans.items():
        for index, work in enumerate(scan.works):
            if runs_from_sample_to_memory(work.task):
                each = Overlapped(scan, index)
                yield OVERLAPPED_CONVERSION(name, work.name, item=each, limit=each.room)
