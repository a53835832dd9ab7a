"""Time until a broken chain is known: from the instant of a fault to the evaluation that has found it.

The fault falls just after the last bit of a run that needed the broken place; the next run misses an answer
there, `n` such runs are a lost chain at the latest (the plan's own `chain loss` hazard says how, otherwise
one), and the host task that judges them has just run. It is the detection time of a lost chain of
:mod:`chainplan.budgets.values.chain_loss`, taken at the one place of the fault instead of the worst place:

    known = n * task period + jitter + slot shift + (first miss - last need) + time-outs + P_h + C_h

Several tasks may show a fault; each is guaranteed, so the fastest counts. A break that no read needs, such as
the return path of a ring that is only read from its head, is never shown. A task that is sent from the back
port needs all of a ring but its first segment, places counted from there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cached_property
from typing import NamedTuple

from chainplan.budgets.faults.windows import Window, window_of
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.time_outs import Waits, waits_for
from chainplan.budgets.values.age import slot_shift
from chainplan.budgets.values.recognition import Recognition, arrival_spread, recognition
from chainplan.chain.degraded import Fault, Gap
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.layout import EvaluationPlan
from chainplan.plan.schedule import Hazard
from chainplan.quantity import TIME


class Alarm(NamedTuple):
    """What makes a controller call part of a chain lost: consecutive bad runs of any of `tasks`."""

    hazard: str
    """The plan's hazard that says so; empty where none does and one bad run is enough."""
    tasks: tuple[int, ...]
    plan: Hazard | None


class Onset(NamedTuple):
    """Where in the scans a fault falls and is known: `scans` scans later, by what task `task` misses.

    It falls `fell` after the planned start of its scan at the earliest, and is known `late` after that of the
    scan that shows it at the latest, fs.
    """

    task: int
    scans: int
    fell: int
    late: int


class Known:
    """When a fault is known at the latest, fs, and by which task; its terms are laid out when asked for.

    `onset` is None of a node that babbles, which may be known sooner than it is cut off.
    """

    def __init__(
        self,
        total: int,
        task: str,
        hazard: str,
        delays: Delays,
        lay_out: Callable[[], Sum],
        onset: Onset | None,
    ) -> None:
        self.total = total
        self.task = task
        self.hazard = hazard
        self.delays = delays
        self.onset = onset
        self._lay_out = lay_out

    @cached_property
    def time(self) -> Sum:
        """Return the same time with its terms."""
        return self._lay_out()


_Lost = tuple[str, tuple[int | None, ...]]


class Delays(NamedTuple):
    """What the time-outs of :class:`~chainplan.budgets.scanning.time_outs.Waits` come to, fs.

    `until_bad` holds a time per task.
    """

    busiest: int
    period: int
    until_bad: tuple[int, ...]


def alarms_of(scan: ControllerScan, hazards: dict[str, Hazard]) -> tuple[Alarm, ...]:
    """Return what makes a controller call a chain lost; without a `chain loss` hazard, one bad run of any."""
    reading = [(index, work.name) for index, work in enumerate(scan.works) if work.task.kind != "write"]
    found = tuple(
        Alarm(
            name,
            tuple(index for index, task in reading if hazard.task in (None, task)),
            hazard,
        )
        for name, hazard in hazards.items()
        if hazard.kind == "chain loss"
    )
    return found or (Alarm("", tuple(index for index, _ in reading), None),)


class Detection:
    """How one controller finds out that a chain is broken."""

    def __init__(self, scan: ControllerScan, evaluation: EvaluationPlan, hazards: dict[str, Hazard]) -> None:
        self.scan = scan
        self.evaluation = evaluation
        self.alarms = alarms_of(scan, hazards)
        self.chains = {chain.name: chain for chain in scan.controller.chains}
        self._shifts: dict[tuple[int, int], int] = {}
        self._delays: dict[tuple[_Lost, ...], Delays] = {}
        self._recognised: dict[tuple[str, int, Delays], Recognition | None] = {}

    @cached_property
    def windows(self) -> tuple[dict[str, Window], ...]:
        """Return every task's reads of every chain."""
        return tuple(
            {
                name: window
                for name, chain in self.chains.items()
                if (window := window_of(self.scan, index, chain)) is not None
            }
            for index in range(len(self.scan.works))
        )

    def known(self, fault: Fault, gaps: Sequence[Gap], jammed: bool) -> Known | None:
        """Return when a fault is known; None where nothing the controller reads shows it.

        `jammed` says that a babbling node makes every read of its chain fail for good. It fell just after its
        own place was needed: had it been earlier, it would have made that run a bad one too.
        """
        best: tuple[int, Alarm, int, int, int | None, Recognition] | None = None
        delays = self.delays(fault, gaps)
        for alarm in self.alarms:
            for index in alarm.tasks:
                runs = self._runs(alarm, index, delays)
                for gap in gaps if runs else ():
                    miss = self._miss(index, gap, fault.place if jammed else None)
                    if miss is None or runs is None:
                        continue
                    total = runs.total + self._shift(index, runs.readings) + miss + delays.until_bad[index]
                    if best is None or total < best[0]:
                        need = None if fault.kind == "node babbling" else self._need(index, gap)
                        best = total, alarm, index, miss, need, runs
        if best is None:
            return None
        total, alarm, index, miss, need, runs = best
        return Known(
            total + self._always,
            self.scan.works[index].name,
            alarm.hazard,
            delays,
            lambda: self._sum(fault, runs, index, miss, delays),
            None if need is None else self._onset(runs, index, need, miss + delays.until_bad[index]),
        )

    def unheeded(self, fault: Fault, gaps: Sequence[Gap], jammed: bool) -> list[str]:
        """Return the tasks that miss answers after a fault and that no `chain loss` hazard counts."""
        counted = {index for alarm in self.alarms for index in alarm.tasks}
        jamming = fault.place if jammed else None
        return [
            work.name
            for index, work in enumerate(self.scan.works)
            if index not in counted and any(self._miss(index, gap, jamming) is not None for gap in gaps)
        ]

    def _need(self, index: int, gap: Gap) -> int | None:
        window = self.windows[index][gap.chain]
        return window.needs[window.place(gap)]

    def _onset(self, runs: Recognition, index: int, need: int, until_bad: int) -> Onset | None:
        """Return the onset; `until_bad` is the time from the need to the run's being bad, each in its run."""
        if runs.step != runs.period:  # how many scans pass is not known where an evaluation passes runs by
            return None
        earliest, latest = self._slots[index]
        late = latest + need + until_bad + self._always
        return Onset(index, runs.readings * self.scan.works[index].task.every, earliest + need, late)

    def _runs(self, alarm: Alarm, index: int, delays: Delays) -> Recognition | None:
        """Return the bad runs of a task until the chain is called lost; None where that may be never."""
        key = alarm.hazard, index, delays
        if key not in self._recognised:
            spread = arrival_spread(self.scan, index) + delays.until_bad[index]
            self._recognised[key] = recognition(
                alarm.plan, self.scan, index, self.evaluation, Case.WORST, delays.period, spread
            )
        return self._recognised[key]

    @cached_property
    def _slots(self) -> list[tuple[int, int]]:
        """Return the earliest and the latest start that every task's slot has, since its scan began, fs."""
        early, late = ([run.length for run in self.scan.runs[case]] for case in (Case.BEST, Case.WORST))
        meetings = self.scan.due_together
        return [
            (
                min(sum(early[task] for task in due if task < index) for due in meetings if index in due),
                max(sum(late[task] for task in due if task < index) for due in meetings if index in due),
            )
            for index in range(len(self.scan.works))
        ]

    @cached_property
    def _always(self) -> int:
        """Return what the time until any fault is known holds, fs."""
        plan = self.scan.controller.settings
        evaluation = self.evaluation.period.max + self.evaluation.run_time.max
        return plan.scan_jitter.max + self.scan.reserve.total + evaluation

    def waits(self, fault: Fault, gaps: Iterable[Gap]) -> Waits:
        """Return what the time-outs of missing answers add to the controller's scans.

        While a node babbles every read of its chain is waited for, also where it is cut off later.
        """
        everything = fault.kind == "node babbling"
        return waits_for(self.scan, self._of_chains(self._lost(gap, everything) for gap in gaps))

    def delays(self, fault: Fault, gaps: Iterable[Gap]) -> Delays:
        """Return what those time-outs come to; many faults make a controller wait for the same."""
        everything = fault.kind == "node babbling"
        lost = tuple([self._lost(gap, everything) for gap in gaps])
        if lost not in self._delays:
            waits = waits_for(self.scan, self._of_chains(lost))
            tasks = range(len(self.scan.works))
            self._delays[lost] = Delays(waits.busiest, waits.period, tuple(map(waits.until_bad, tasks)))
        return self._delays[lost]

    def _lost(self, gap: Gap, everything: bool) -> _Lost:
        """Return a chain and, by task, how many reads of it miss answers; None where a task has none."""
        windows = self._windows_of[gap.chain]
        if everything:
            return gap.chain, tuple([window and window.reads for window in windows])
        return gap.chain, tuple([window and window.lost[window.place(gap)] for window in windows])

    @cached_property
    def _windows_of(self) -> dict[str, list[Window | None]]:
        return {name: [windows.get(name) for windows in self.windows] for name in self.chains}

    def _of_chains(self, lost: Iterable[_Lost]) -> list[dict[str, int]]:
        """Return by task how many reads of each chain miss answers."""
        found: list[dict[str, int]] = [{} for _ in self.windows]
        for chain, numbers in lost:
            for reads, number in zip(found, numbers, strict=True):
                if number is not None:
                    reads[chain] = number
        return found

    def _miss(self, index: int, gap: Gap, jamming: int | None) -> int | None:
        """Return the time from the last need to the first miss; of a node's number that is `jamming`, too."""
        window = self.windows[index].get(gap.chain)
        if window is None:
            return None
        if jamming is not None:
            return window.jams[window.place_of_node(jamming)]
        return window.misses[window.place(gap)]

    def _shift(self, index: int, runs: int) -> int:
        key = index, runs
        if key not in self._shifts:
            self._shifts[key] = slot_shift(self.scan, index, runs, Case.BEST, Case.WORST)
        return self._shifts[key]

    def _sum(self, fault: Fault, runs: Recognition, index: int, miss: int, delays: Delays) -> Sum:
        plan = self.scan.controller.settings
        work = self.scan.works[index]
        return Sum(
            f"time until known: {fault.name}",
            TIME,
            nonzero(
                *runs.terms("task period per bad run"),
                Term("scan jitter", plan.scan_jitter.max),
                Term("shift of the slot between scans", self._shift(index, runs.readings)),
                Term("from the last answer to the first one missed", miss),
                Term("time-outs", delays.until_bad[index], how="of the scan until the run is bad"),
                self.scan.reserve,
                Term("wait for the next evaluation", self.evaluation.period.max),
                Term("evaluation run time", self.evaluation.run_time.max),
            ),
            f"(bad runs of {work.name}) * task period + jitter + slot shift + (first miss - last need) "
            "+ time-outs + P_h + C_h",
            "ISO 26262-1:2018, 3.55 (fault detection time interval)",
        )
