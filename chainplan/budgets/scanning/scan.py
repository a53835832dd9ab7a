"""The scan-time budget: the busiest scan of the major cycle, in the worst case, against the scan period.

``scan time = all slots of the busiest scan + retry reserve (k longest exchanges)``. Tasks of a lower rate
get the phases that make the busiest scan shortest (:mod:`chainplan.budgets.scanning.phases`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial
from typing import NamedTuple

from chainplan.budgets.scanning.phases import PhasePlan, assign_phases, due
from chainplan.budgets.scanning.runs import (
    Run,
    Step,
    TaskWork,
    Ways,
    chains_read,
    exchange_cost,
    task_work,
)
from chainplan.chain.network import Chain, Controller, Network, outlines
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind, always, share
from chainplan.figures.terms import ByCase, Case, Sum, Term, nonzero
from chainplan.figures.units import Time
from chainplan.plan.schedule import Task
from chainplan.quantity import RATIO, TIME
from chainplan.remembered import remembered_for_all


class Slot(NamedTuple):
    """A task's place in a scan: times since the scan began, worst case, fs."""

    task: str
    start: Time
    end: Time


@dataclass(frozen=True, eq=False)
class ControllerScan:
    """How one controller scans: the work of every task, its runs in every case, and its phases.

    `works` and `runs[case]` are in the plan's order of tasks and hold only tasks that do something here;
    `ways[case]` are the ways along its `chains` as they are read: rings that a task reads from the back once
    more, from there. Two scans are equal when they are one object, so that what is worked out of a scan can
    be kept by it.
    """

    controller: Controller
    works: tuple[TaskWork, ...]
    chains: tuple[Chain, ...]
    ways: ByCase[Ways]
    runs: ByCase[tuple[Run, ...]]
    phases: PhasePlan
    reserve: Term

    @cached_property
    def outlines(self) -> tuple[Chain, ...]:
        """Return `chains` without cables and times, the same ones for all scans that send the same bits."""
        return _outlines_read(self.works, outlines(self.controller.chains))

    @cached_property
    def wires(self) -> dict[str, str]:
        """Return, by the name of a chain as it is read, the chain of the network that it is."""
        return {chain.name: chain.wires for chain in self.chains}

    @cached_property
    def periods(self) -> tuple[int, ...]:
        """Return every task's period, scans."""
        return tuple(work.task.every for work in self.works)

    def due(self, scan: int) -> list[int]:
        """Return the indices of the tasks due in a scan."""
        return due(self.phases.phases, self.periods, scan)

    @cached_property
    def meetings(self) -> Counter[tuple[int, ...]]:
        """Return every set of tasks that meet in a scan, and in how many scans of the major cycle."""
        return _meetings(self.phases.phases, self.periods, self.phases.major_cycle)

    @property
    def due_together(self) -> tuple[tuple[int, ...], ...]:
        """Return every set of tasks that meet in a scan."""
        return tuple(self.meetings)

    def scan_time(self, case: Case) -> Sum:
        """Return the busiest scan's time with its terms, fs; the retry reserve in the worst case only."""
        busiest = self.due(self.phases.busiest_scan)
        terms = [
            Term(f"task {run.task}", run.length, parts=run.terms)
            for run in map(self.runs[case].__getitem__, busiest)
        ]
        if case is Case.WORST:
            terms.append(self.reserve)
        return Sum(
            f"scan time of {self.controller.name}",
            TIME,
            nonzero(*terms),
            "sum of the slots of the busiest scan, plus the retry reserve",
        )

    @cached_property
    def worst(self) -> Sum:
        """Return the worst-case scan time with its terms."""
        return self.scan_time(Case.WORST)

    @cached_property
    def typical(self) -> Sum:
        """Return the typical scan time with its terms."""
        return self.scan_time(Case.TYPICAL)

    @cached_property
    def longest(self) -> int:
        """Return the worst-case scan time, the total of `worst`, without its terms, fs."""
        return self.phases.busiest + self.reserve.total

    @cached_property
    def usual(self) -> int:
        """Return the typical time of the busiest scan, the total of `typical`, without its terms, fs."""
        runs = self.runs[Case.TYPICAL]
        return sum(runs[index].length for index in self.due(self.phases.busiest_scan))

    @property
    def period(self) -> int:
        """Return the longest time from one scan's start to the next, fs: longer than planned on overrun."""
        return self.controller.settings.pace(self.longest)

    def slots(self, scan: int, case: Case = Case.WORST) -> list[Slot]:
        """Return the slots of one scan in order."""
        slots: list[Slot] = []
        start = 0
        for index in self.due(scan):
            run = self.runs[case][index]
            slots.append(Slot(run.task, start, start + run.length))
            start += run.length
        return slots

    def port_busy(self) -> dict[str, int]:
        """Return each port's time with an exchange under way in the busiest scan, worst case, fs."""
        busy = dict.fromkeys(self.controller.ports, 0)
        for step in self._busiest_steps():
            busy[step.port] += step.end - step.start
        return busy

    def chain_busy(self) -> dict[str, int]:
        """Return each chain's time with an exchange under way in the busiest scan, worst case, fs."""
        busy = dict.fromkeys((chain.name for chain in self.controller.chains), 0)
        for step in self._busiest_steps():
            busy[self.wires[step.exchange.chain]] += step.end - step.start
        return busy

    def _busiest_steps(self) -> Iterator[Step]:
        for index in self.due(self.phases.busiest_scan):
            run = self.runs[Case.WORST][index]
            yield from (*run.triggers, *run.reads)


@lru_cache(maxsize=64)
def _meetings(phases: tuple[int, ...], periods: tuple[int, ...], cycle: int) -> Counter[tuple[int, ...]]:
    return Counter(tuple(due(phases, periods, number)) for number in range(cycle))


@budget
def scans(network: Network, tasks: dict[str, Task]) -> dict[str, ControllerScan]:
    """How every controller scans, by its name."""
    return {name: controller_scan(tasks, controller) for name, controller in network.controllers.items()}


def controller_scan(tasks: dict[str, Task], controller: Controller) -> ControllerScan:
    """Work out one controller's runs in every case, its phases and its retry reserve."""
    works = works_on(tasks, outlines(controller.chains))
    chains = chains_read(works, controller.chains)
    ways = ByCase(partial(Ways, controller, chains))
    runs = ByCase(lambda case: tuple([Run(work, ways[case]) for work in works]))
    phases = assign_phases(
        tuple(work.task.every for work in works),
        tuple(run.length for run in runs[Case.WORST]),
        tuple(work.task.phase for work in works),
    )
    reserve = _reserve(works, controller, ways[Case.WORST])
    return ControllerScan(controller, works, chains, ways, runs, phases, reserve)


def phases_of(scan: ControllerScan) -> dict[str, int]:
    """Return the slot table of a controller: the phase of every task that does something there."""
    return {work.name: phase for work, phase in zip(scan.works, scan.phases.phases, strict=True)}


def with_phases(tasks: dict[str, Task], phases: dict[str, int]) -> dict[str, Task]:
    """Return tasks that keep the phases of a slot table."""
    return {
        name: task.model_copy(update={"phase": phases[name]}) if name in phases else task
        for name, task in tasks.items()
    }


_outlines_read = remembered_for_all(chains_read)


@remembered_for_all
def works_on(tasks: dict[str, Task], chains: tuple[Chain, ...]) -> tuple[TaskWork, ...]:
    """Return the work of all tasks that do something on a controller with chains of these outlines."""
    return tuple(work for name, task in tasks.items() if (work := task_work(name, task, chains)).reads)


def _reserve(works: tuple[TaskWork, ...], controller: Controller, ways: Ways) -> Term:
    """Return the retry reserve: the longest read of the controller, once per retry, its time-out added.

    Retries run when a task's lists are done, one after another, so each adds one exchange at most.
    """
    retries = controller.settings.retry_reserve
    longest = 0
    for work in works if retries else ():
        apart = ways.host.apart(work.reads)
        for exchange in {each for each in work.requests if each.answers}:
            time_out = ways.missed(ways.chains[exchange.chain], apart=apart)
            longest = max(longest, exchange_cost(exchange, ways) + time_out)
    return Term("retry reserve", longest, retries, how="longest exchange and its time-out, per retry")


SCAN_FITS = Kind[ControllerScan](
    "scan fits its period",
    TIME,
    ("controller",),
    "scan",
    lambda scan: scan.longest,
    lambda scan: scan.usual,
    named=lambda scan: f"scan/{scan.controller.name}",
    note=lambda scan: scan.phases.quality,
    asked=always,
)


@SCAN_FITS.of
def scans_that_fit(scans: dict[str, ControllerScan]) -> Iterator[Figure]:
    """Busiest scan, retry reserve included, in the shortest period less a start's jitter. Always checked."""
    for name, scan in scans.items():
        settings = scan.controller.settings
        jitter = settings.scan_jitter.max if settings.overrun == "drop" else 0
        yield SCAN_FITS(name, item=scan, limit=settings.scan_period.min - jitter)


SCAN_TIME = Kind[ControllerScan](
    "scan time",
    TIME,
    ("controller",),
    "scan",
    lambda scan: scan.longest,
    lambda scan: scan.usual,
    sums=lambda scan: (scan.worst, scan.typical),
    named="scan/{}",
    target="scan_time",
)


@SCAN_TIME.of
def scan_times(scans: dict[str, ControllerScan]) -> Iterator[Figure]:
    """All slots of a controller's busiest scan, retry reserve included."""
    for name, scan in scans.items():
        yield SCAN_TIME(name, item=scan)


UTILISATION = Kind[ControllerScan](
    "utilisation",
    RATIO,
    ("controller",),
    "scan",
    lambda scan: share(scan.longest, scan.controller.settings.scan_period.min),
    lambda scan: share(scan.usual, scan.controller.settings.scan_period.typical),
    named=lambda scan: f"scan/{scan.controller.name}",
    target="utilisation",
)


@UTILISATION.of
def utilisations(scans: dict[str, ControllerScan]) -> Iterator[Figure]:
    """Scan time as a share of the scan period."""
    for name, scan in scans.items():
        yield UTILISATION(name, item=scan)
