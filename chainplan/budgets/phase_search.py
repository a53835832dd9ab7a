"""The search behind :mod:`chainplan.budgets.phases`: a first solution, then branch and bound, for one group.

A partial choice is weighed by the busiest scan among those placed so far, which only grows. Two ways of
weighing give the same figures: the loads of all scans in a list, where the group's cycle is short, and the
heaviest set of tasks that meet pairwise, where it is long.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import gcd, lcm
from typing import NamedTuple, Protocol

from chainplan.budgets.phase_groups import PathTrees, TaskGroup, bound_by_meeting, heaviest_clique

__all__ = ["GroupSolution", "solve_group"]

_SHORT_CYCLE = 10_000  # scans: up to here the loads of all scans are kept in a list
_SCANS_PER_NODE = 64  # scans read or written in about the time of weighing one placement otherwise
_TASKS_PER_NODE = 8  # placed tasks compared in that time
_CLIQUE_EFFORT = 100  # nodes at most to weigh one placement
_MOST_CHOICES = 512  # phases weighed for one task at one place; where there are more, nothing is proved
_FEW_CHOICES = 16  # the same once the nodes are used up
_SHORT_SEARCH = 10_000  # nodes spent before better first solutions are looked for
_DEEPEST = 400  # free tasks: with more no proof is in reach of a search, but the end of Python's stack is


class GroupSolution(NamedTuple):
    """Phases of one group (modulo its reduced periods) with their busiest scan and its lower bound in ticks.

    ``together`` are the group's tasks that meet in the busiest scan, ``nodes`` the effort of the search.
    """

    phases: tuple[int, ...]
    busiest: int
    together: tuple[int, ...]
    bound: int
    nodes: int


class _Weigher(Protocol):
    """Loads of the tasks placed so far; ``nodes`` counts the effort."""

    nodes: int

    def worst_with(self, task: int, phase: int) -> int:
        """Return the busiest load among the scans of ``task`` if it were placed at ``phase``, or less.

        Less, where the exact figure takes long: a choice is never refused wrongly.
        """

    def place(self, task: int, phase: int, sign: int = 1) -> None:
        """Place a task, or take it away again with ``sign`` -1."""

    def busiest(self) -> tuple[int, tuple[int, ...]]:
        """Return the busiest load, exactly, and the tasks that make it."""

    def alike(self, task: int, phase: int, modulus: int) -> object:
        """Return a key that two phases share if they leave equal problems to the tasks still to be placed."""

    def has_room(self, limit: int, smallest: int, volume: int) -> bool:
        """Say whether scans up to ``limit`` could hold ``volume`` more in pieces from ``smallest`` up."""


class _ScanList:
    """Weighs by the loads of all scans of a short cycle."""

    def __init__(self, group: TaskGroup, costs: Sequence[int]) -> None:
        self.nodes = 0
        self._periods = group.periods
        self._costs = costs
        self._loads = [0] * group.cycle
        self._placed: dict[int, int] = {}
        self._effort = [1 + group.cycle // period // _SCANS_PER_NODE for period in group.periods]

    def worst_with(self, task: int, phase: int) -> int:
        self.nodes += self._effort[task]
        return max(self._loads[phase :: self._periods[task]]) + self._costs[task]

    def place(self, task: int, phase: int, sign: int = 1) -> None:
        self.nodes += self._effort[task]
        cost = sign * self._costs[task]
        runs = slice(phase, None, self._periods[task])
        self._loads[runs] = [load + cost for load in self._loads[runs]]
        if sign > 0:
            self._placed[task] = phase
        else:
            del self._placed[task]

    def busiest(self) -> tuple[int, tuple[int, ...]]:
        load = max(self._loads)
        scan = self._loads.index(load)
        return load, tuple(
            task for task, phase in sorted(self._placed.items()) if scan % self._periods[task] == phase
        )

    def alike(self, task: int, phase: int, modulus: int) -> object:
        # Swapping the scans of two phases of this task maps the phases of every task whose period is a
        # multiple of this one's, and changes nothing for a task whose period divides their distance.
        return phase % modulus, tuple(self._loads[phase :: self._periods[task]])

    def has_room(self, limit: int, smallest: int, volume: int) -> bool:
        self.nodes += len(self._loads) // _SCANS_PER_NODE
        most = limit - smallest
        return sum([limit - load for load in self._loads if load <= most]) >= volume


class _Meetings:
    """Weighs by the heaviest set of tasks that meet pairwise, whatever the length of the cycle."""

    def __init__(self, group: TaskGroup, costs: Sequence[int]) -> None:
        self.nodes = 0
        self._shared = group.shared
        self._costs = costs
        self._placed: dict[int, int] = {}
        self._meets = [0] * len(costs)  # bit masks of placed tasks

    def _met_by(self, task: int, phase: int) -> int:
        row = self._shared[task]
        return sum([1 << other for other, at in self._placed.items() if (phase - at) % row[other] == 0])

    def worst_with(self, task: int, phase: int) -> int:
        met = self._met_by(task, phase)
        weight, _, effort = heaviest_clique(self._meets, self._costs, met, _CLIQUE_EFFORT)
        self.nodes += effort + len(self._placed) // _TASKS_PER_NODE
        return weight + self._costs[task]

    def place(self, task: int, phase: int, sign: int = 1) -> None:
        self.nodes += 1 + len(self._placed) // _TASKS_PER_NODE
        if sign < 0:
            del self._placed[task]
            self._meets = [mask & ~(1 << task) for mask in self._meets]
            return
        met = self._met_by(task, phase)
        self._meets[task] = met
        for other in self._placed:
            if met >> other & 1:
                self._meets[other] |= 1 << task
        self._placed[task] = phase

    def busiest(self) -> tuple[int, tuple[int, ...]]:
        placed = sum(1 << task for task in self._placed)
        weight, members, effort = heaviest_clique(self._meets, self._costs, placed)
        self.nodes += effort
        return weight, tuple(task for task in sorted(self._placed) if members >> task & 1)

    def alike(self, task: int, phase: int, modulus: int) -> object:
        return phase

    def has_room(self, limit: int, smallest: int, volume: int) -> bool:
        return True


def solve_group(group: TaskGroup, costs: Sequence[int], max_nodes: int) -> GroupSolution:
    """Return the best phases found for one group and a lower bound; equal figures are a proof.

    ``costs`` in ticks, all above 0. The search ends after about ``max_nodes`` nodes.
    """
    unit = gcd(*costs)  # loads are multiples of it, and so may be every bound
    search = _Search(group, [cost // unit for cost in costs], max_nodes)
    search.run()
    weigher = search.weigher
    for task, phase in enumerate(search.phases):
        if group.fixed[task] is None:
            weigher.place(task, phase)
    busiest, together = weigher.busiest()
    return GroupSolution(tuple(search.phases), busiest * unit, together, search.bound * unit, weigher.nodes)


class _Search:
    """One run over one group. ``phases`` has load ``best``; no choice has a load below ``bound``."""

    def __init__(self, group: TaskGroup, costs: Sequence[int], max_nodes: int) -> None:
        self.group = group
        self.costs = costs
        self.max_nodes = max_nodes
        short = group.cycle <= _SHORT_CYCLE
        self.weigher: _Weigher = _ScanList(group, costs) if short else _Meetings(group, costs)
        self.trees = PathTrees(group)
        self.complete = False
        self.phases = [phase or 0 for phase in group.fixed]
        for task, phase in enumerate(group.fixed):
            if phase is not None:
                self._place(task, phase)
        self.runs = [group.cycle // period for period in group.periods]
        volume = sum(cost * runs for cost, runs in zip(costs, self.runs, strict=True))
        self.bound = max(*costs, -(-volume // group.cycle), self.weigher.busiest()[0])
        self.best = sum(costs) + 1

    def run(self) -> None:
        """Find phases and a bound; stop as soon as they are equal.

        A short search settles most plans of a few tasks; better first solutions pay only where it does not.
        The first solution is always finished, whatever ``max_nodes``.
        """
        runs, costs = self.runs, self.costs
        free = [task for task, phase in enumerate(self.group.fixed) if phase is None]
        # What is hard to place goes first: a long task, one that runs often, or something between the two.
        between = sorted(free, key=lambda task: (-(costs[task] ** 2) * runs[task], -costs[task], task))
        longest = sorted(free, key=lambda task: (-costs[task], -runs[task], task))
        bulkiest = sorted(free, key=lambda task: (-costs[task] * runs[task], -costs[task], task))
        self._construct(between, 1)
        if self.best > self.bound:
            self.bound = max(self.bound, bound_by_meeting(self.group, self.costs))
        self._search(between, min(self.max_nodes, _SHORT_SEARCH))
        for other in (between, longest, bulkiest):
            if not self.complete and self.bound < self.best and self.weigher.nodes < self.max_nodes:
                self._construct(other, 2)
        if not self.complete:
            self._search(bulkiest, self.max_nodes)
        if self.complete:
            self.bound = self.best

    def _place(self, task: int, phase: int, sign: int = 1) -> None:
        self.weigher.place(task, phase, sign)
        self.trees.add(task, phase, sign)

    def _choices(self, task: int) -> list[int]:
        most = _MOST_CHOICES if self.weigher.nodes <= self.max_nodes else _FEW_CHOICES
        choices = self.trees.choices(task, most)
        if len(choices) == most:
            self.complete = False
        return choices

    def _lightest(self, task: int) -> tuple[int, int]:
        lightest: tuple[int, int] | None = None
        for phase in self._choices(task):
            weighed = self.weigher.worst_with(task, phase), phase
            if lightest is None or weighed < lightest:
                lightest = weighed
            if weighed[0] == self.costs[task]:
                break  # it meets nobody
        assert lightest is not None  # every task has a phase
        return lightest

    def _construct(self, order: Sequence[int], most_moved: int) -> None:
        """Place tasks in ``order``, each where it meets least; then move some out of the busiest scan.

        A move takes one task, or ``most_moved``, and puts each where it meets least.
        """
        trial = list(self.phases)
        for task in order:
            trial[task] = self._lightest(task)[1]
            self._place(task, trial[task])
        load, together = self.weigher.busiest()
        idle = 0  # moves since the load last fell: equal ones may go in circles
        while True:
            if load < self.best:
                self.best, self.phases, idle = load, list(trial), 0
            idle += 1
            if load == self.bound or idle > len(order):
                break
            movable = [task for task in together if self.group.fixed[task] is None]
            moves: list[tuple[int, ...]] = [(task,) for task in movable]
            if most_moved == 2:
                moves += [(task, other) for task in movable for other in order if other not in together]
            if not self._relieve(trial, load, moves):
                break
            load, together = self.weigher.busiest()
        for task in order:
            self._place(task, trial[task], -1)

    def _relieve(self, trial: list[int], load: int, moves: Iterable[tuple[int, ...]]) -> bool:
        """Make the first of ``moves`` that takes its tasks out of scans of ``load``; say if there was one."""
        for tasks in moves:
            if self.weigher.nodes > self.max_nodes // 2:
                return False
            if self._rearrange(trial, load, tasks):
                return True
        return False

    def _rearrange(self, trial: list[int], load: int, tasks: Sequence[int]) -> bool:
        before = [trial[task] for task in tasks]
        for task in tasks:
            self._place(task, trial[task], -1)
        better = True
        for task in tasks:
            worst, trial[task] = self._lightest(task)
            better = better and worst < load
            self._place(task, trial[task])
        if not better:
            for task in tasks:
                self._place(task, trial[task], -1)
            for task, phase in zip(tasks, before, strict=True):
                trial[task] = phase
                self._place(task, phase)
        return better

    def _search(self, order: Sequence[int], most_nodes: int) -> None:
        if self.best > self.bound and len(order) <= _DEEPEST:
            self.complete = True
            self.order, self.most_nodes = order, most_nodes
            self._prepare()
            self._descend(0, set())

    def _prepare(self) -> None:
        """Work out, for each depth of the search, what depends only on the tasks still to be placed."""
        periods = self.group.periods
        self.trail = list(self.phases)
        self.modulus, self.smallest, self.volume, self.twin = [], [], [], []
        for depth, task in enumerate(self.order):
            rest = self.order[depth + 1 :]
            self.modulus.append(lcm(*(periods[other] for other in rest if periods[other] % periods[task])))
            self.smallest.append(min((self.costs[other] for other in rest), default=0))
            self.volume.append(sum(self.costs[other] * self.runs[other] for other in rest))
            following = rest[0] if rest else task
            self.twin.append(
                following != task
                and self.group.periods[following] == periods[task]
                and self.costs[following] == self.costs[task]
            )

    def _descend(self, depth: int, closed: set[int]) -> None:
        """Try the phases of the task at ``depth``; those in ``closed`` are known to lead to nothing better.

        Every phase tried or skipped becomes closed: below it no load under ``best`` is left. Of two equal
        tasks in a row, exchanging the phases changes nothing, so what is closed for one is for the other.
        """
        task = self.order[depth]
        ranked = sorted(
            (self.weigher.worst_with(task, phase), phase)
            for phase in self._choices(task)
            if phase not in closed
        )
        seen = set()
        for worst, phase in ranked:
            if worst >= self.best or self.best == self.bound:
                return
            if self.weigher.nodes > self.most_nodes:
                self.complete = False
                return
            key = self.weigher.alike(task, phase, self.modulus[depth])
            if key not in seen:
                seen.add(key)
                self.trail[task] = phase
                self._place(task, phase)
                if depth + 1 == len(self.order):
                    load = self.weigher.busiest()[0]
                    if load < self.best:
                        self.best, self.phases = load, list(self.trail)
                elif self.weigher.has_room(self.best - 1, self.smallest[depth], self.volume[depth]):
                    self._descend(depth + 1, set(closed) if self.twin[depth] else set())
                self._place(task, phase, -1)
            closed.add(phase)
