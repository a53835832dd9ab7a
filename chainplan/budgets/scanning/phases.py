"""Rate groups: in which scan each periodic task runs, so that the busiest scan is as short as possible.

Task ``i`` with period ``m`` and phase ``p`` runs in the scans ``p, p + m, p + 2m, ...``. Two tasks ever meet
in one scan exactly when their phases agree modulo the greatest common divisor of their periods (Chinese
remainder theorem). Tasks whose periods share no factor, directly or through other tasks, therefore always
meet, whatever their phases: such groups are solved apart, and their busiest scans add up.

Within a group the loads of all scans of its cycle are kept in a list. A first solution puts each task where
it meets least; branch and bound then looks for better ones, and proves that there is none.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from functools import lru_cache
from math import gcd, lcm
from typing import NamedTuple

_SCANS_PER_STEP = 64
"""Scans looked at in about the time of one step of the search."""

_MOST_STEPS = 200_000
"""Steps after which a search ends: not after a time, so that the same plan always has the same phases."""


class PhasePlan(NamedTuple):
    """Chosen phases and the proof of their quality.

    ``phases`` are in scans, in the order of the tasks. ``busiest`` is the load, in ticks, of the busiest scan
    of the major cycle, exactly; ``busiest_scan`` is the first that has it. No choice of phases can bring the
    busiest scan below ``lower_bound`` ticks; ``proved`` says that the bound is reached. ``major_cycle`` is in
    scans.
    """

    phases: tuple[int, ...]
    busiest: int
    busiest_scan: int
    lower_bound: int
    proved: bool
    major_cycle: int

    @property
    def quality(self) -> str:
        """Return ``proved optimal`` or ``within x % of the lower bound``, x rounded up to a tenth."""
        if self.proved:
            return "proved optimal"
        tenths = -(-(self.busiest - self.lower_bound) * 1000 // self.lower_bound)
        return f"within {tenths // 10}.{tenths % 10} % of the lower bound"


def due(phases: Sequence[int], periods: Sequence[int], scan: int) -> list[int]:
    """Return the indices of the tasks that run in ``scan`` (counted from 0), in the order of the tasks."""
    runs = enumerate(zip(phases, periods, strict=True))
    return [task for task, (phase, period) in runs if scan % period == phase]


@lru_cache(maxsize=1024)
def assign_phases(
    periods: tuple[int, ...],
    costs: tuple[int, ...],
    fixed: tuple[int | None, ...],
    most_steps: int = _MOST_STEPS,
) -> PhasePlan:
    """Choose the phases that make the busiest scan as short as possible.

    ``periods`` in scans (1 or more), ``costs`` in ticks (0 or more), ``fixed`` the phase of a task that is
    not free to move (0 to period - 1) or ``None``. A first solution is finished whatever ``most_steps``.
    """
    phases = [phase or 0 for phase in fixed]
    bound = sum([cost for cost, period in zip(costs, periods, strict=True) if period == 1])
    steps = 0
    for group in _groups(periods):
        found = _Search(group, periods, costs, fixed, most_steps - steps)
        steps += found.steps
        bound += found.bound
        for task, phase in zip(group, found.phases, strict=True):
            phases[task] = phase
    cycle = lcm(*periods)
    loads = [0] * cycle
    for phase, period, cost in zip(phases, periods, costs, strict=True):
        _add(loads, phase, period, cost)
    busiest = max(loads)
    return PhasePlan(tuple(phases), busiest, loads.index(busiest), bound, bound == busiest, cycle)


@lru_cache(maxsize=256)
def _groups(periods: tuple[int, ...]) -> list[list[int]]:
    """Return the tasks in groups of which no two share a factor of their periods, small groups first.

    Those that run in every scan are in none.
    """
    groups: list[list[int]] = []
    for task, period in enumerate(periods):
        if period == 1:
            continue
        linked = [group for group in groups if any(gcd(period, periods[other]) > 1 for other in group)]
        groups = [group for group in groups if group not in linked]
        groups.append(sorted([task, *(other for group in linked for other in group)]))
    return sorted(groups, key=lambda group: (len(group), group))


def _add(loads: list[int], phase: int, period: int, cost: int) -> None:
    loads[phase::period] = [load + cost for load in loads[phase::period]]


class _Search:
    """One run over one group. ``phases`` has load ``best``; no choice has a load below ``bound``."""

    def __init__(
        self,
        group: list[int],
        periods: tuple[int, ...],
        costs: tuple[int, ...],
        fixed: tuple[int | None, ...],
        most_steps: int,
    ) -> None:
        self.periods = [periods[task] for task in group]
        self.costs = [costs[task] for task in group]
        self.unit = gcd(*self.costs) or 1  # loads are multiples of it, and so is any bound
        self.fixed = [fixed[task] for task in group]
        self.phases = [phase or 0 for phase in self.fixed]
        self.steps, self.most_steps = 0, most_steps
        cycle = lcm(*self.periods)
        self.loads = [0] * cycle
        self.runs = [cycle // period for period in self.periods]
        self.effort = [1 + runs // _SCANS_PER_STEP for runs in self.runs]
        for task, phase in enumerate(self.fixed):
            if phase is not None:
                self._place(task, phase)
        self.bound = max(*self.costs, *map(self._mean, {cycle, *self.periods}), *self.loads)
        self.best = sum(self.costs) + 1
        self._run()

    def _mean(self, modulus: int) -> int:
        """Return a load that the busiest scan reaches whatever the phases, ticks.

        Tasks whose periods divide a modulus, and any one other, all meet in one scan if their phases fall on
        one residue of it. With g = gcd(period, modulus) a task falls on modulus/g of the residues; the
        fullest carries the mean at least. With the cycle for a modulus that is the mean load of a scan.
        """
        inside = other = 0
        for period, cost in zip(self.periods, self.costs, strict=True):
            residues = cost * (modulus // gcd(period, modulus))
            if modulus % period == 0:
                inside += residues
            else:
                other = max(other, residues)
        return -(-(inside + other) // (modulus * self.unit)) * self.unit

    def _run(self) -> None:
        """Find phases and a bound; stop as soon as they are equal.

        A first solution settles most plans of a few tasks; better ones are looked for only where it does not.
        """
        free = [task for task, phase in enumerate(self.fixed) if phase is None]
        costs, runs = self.costs, self.runs
        # What is hard to place goes first: something between a long task and one that runs often.
        between = sorted(free, key=lambda task: (-(costs[task] ** 2) * runs[task], -costs[task], task))
        bulkiest = sorted(free, key=lambda task: (-costs[task] * runs[task], -costs[task], task))
        self._construct(between, 1)
        for order in (between, bulkiest):
            if self.best > self.bound:
                self._construct(order, 2)
        if self.best > self.bound and self._proves(bulkiest):
            self.bound = self.best

    def _weigh(self, task: int, phase: int) -> int:
        """Return the busiest load among the scans of a task if it were placed at a phase."""
        self.steps += self.effort[task]
        return max(self.loads[phase :: self.periods[task]]) + self.costs[task]

    def _place(self, task: int, phase: int, sign: int = 1) -> None:
        """Place a task, or take it away again with ``sign`` -1."""
        self.steps += self.effort[task]
        _add(self.loads, phase, self.periods[task], sign * self.costs[task])

    def _lightest(self, task: int) -> tuple[int, int]:
        """Return the least load that a task can bring, and the phase that does."""
        best: tuple[int, int] | None = None
        for phase in range(self.periods[task]):
            weighed = self._weigh(task, phase), phase
            if best is None or weighed < best:
                best = weighed
            if weighed[0] == self.costs[task]:
                break  # it meets nobody
        assert best is not None  # every task has a phase
        return best

    def _construct(self, order: Sequence[int], most_moved: int) -> None:
        """Place tasks in ``order``, each where it meets least; then move some out of the busiest scan.

        A move takes one task, or ``most_moved``, and puts each where it meets least.
        """
        trial = list(self.phases)
        for task in order:
            trial[task] = self._lightest(task)[1]
            self._place(task, trial[task])
        idle = 0  # moves since the load last fell: equal ones may go in circles
        load = max(self.loads)
        while True:
            if load < self.best:
                self.best, self.phases, idle = load, list(trial), 0
            idle += 1
            if load == self.bound or idle > len(order) or not self._relieve(trial, load, order, most_moved):
                break
            load = max(self.loads)
        for task in order:
            self._place(task, trial[task], -1)

    def _relieve(self, trial: list[int], load: int, order: Sequence[int], most_moved: int) -> bool:
        """Make the first move that takes tasks out of the busiest scan; say if there was one."""
        busiest = self.loads.index(load)
        together = [task for task in order if busiest % self.periods[task] == trial[task]]
        moves: list[tuple[int, ...]] = [(task,) for task in together]
        if most_moved == 2:
            moves += [(task, other) for task in together for other in order if other not in together]
        return any(self.steps < self.most_steps // 2 and self._move(trial, load, tasks) for tasks in moves)

    def _move(self, trial: list[int], load: int, tasks: Sequence[int]) -> bool:
        """Put tasks where they meet least, if all of them then run in scans of less than a load."""
        before = [trial[task] for task in tasks]
        for task in tasks:
            self._place(task, trial[task], -1)
        better = True
        for task in tasks:
            worst, trial[task] = self._lightest(task)
            better = better and worst < load
            self._place(task, trial[task])
        if not better:
            for task, phase in zip(tasks, before, strict=True):
                self._place(task, trial[task], -1)
                trial[task] = phase
                self._place(task, phase)
        return better

    def _proves(self, order: Sequence[int]) -> bool:
        """Search for better phases; return whether the search was complete, so that there are none."""
        self.order = order
        self.trail = list(self.phases)
        self.modulus, self.smallest, self.volume = [], [], []
        for depth, task in enumerate(order):
            rest = order[depth + 1 :]
            odd = (self.periods[other] for other in rest if self.periods[other] % self.periods[task])
            self.modulus.append(lcm(*odd))
            self.smallest.append(min((self.costs[other] for other in rest), default=0))
            self.volume.append(sum(self.costs[other] * self.runs[other] for other in rest))
        return self._descend(0, set())

    def _descend(self, depth: int, closed: set[int]) -> bool:
        """Try the phases of the task at ``depth``, but those in ``closed``, which lead to nothing better.

        Returns whether no load under ``best`` is left. A phase tried or skipped becomes closed. Of two equal
        tasks in a row, exchanging the phases changes nothing, so what is closed for one is for the other.
        """
        if depth == len(self.order):
            load = max(self.loads)
            if load < self.best:
                self.best, self.phases = load, list(self.trail)
            return True
        task = self.order[depth]
        ranked = sorted(
            (self._weigh(task, phase), phase) for phase in range(self.periods[task]) if phase not in closed
        )
        seen = set()
        for worst, phase in ranked:
            if worst >= self.best or self.best == self.bound:
                return True
            if self.steps > self.most_steps:
                return False
            key = self._alike(task, phase, self.modulus[depth])
            if key not in seen:
                seen.add(key)
                self.trail[task] = phase
                self._place(task, phase)
                below = set(closed) if self._twins(depth) else set()
                complete = not self._has_room(depth) or self._descend(depth + 1, below)
                self._place(task, phase, -1)
                if not complete:
                    return False
            closed.add(phase)
        return True

    def _twins(self, depth: int) -> bool:
        """Tell whether the next task is equal to this one."""
        if depth + 1 == len(self.order):
            return False
        one, other = self.order[depth : depth + 2]
        return (self.periods[one], self.costs[one]) == (self.periods[other], self.costs[other])

    def _alike(self, task: int, phase: int, modulus: int) -> Hashable:
        """Return a key that two phases share if they leave equal problems to the tasks still to be placed.

        Swapping the scans of two phases of this task maps the phases of every task whose period is a multiple
        of this one's, and changes nothing for a task whose period divides their distance.
        """
        return phase % modulus, tuple(self.loads[phase :: self.periods[task]])

    def _has_room(self, depth: int) -> bool:
        """Tell whether scans below the best load could hold the tasks still to be placed."""
        self.steps += len(self.loads) // _SCANS_PER_STEP
        limit = self.best - 1
        most = limit - self.smallest[depth]
        return sum([limit - load for load in self.loads if load <= most]) >= self.volume[depth]
