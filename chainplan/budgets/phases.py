"""Rate groups: in which scan each periodic task runs, so that the busiest scan is as short as possible.

Task ``i`` with period ``m`` and phase ``p`` runs in the scans ``p, p + m, p + 2m, ...``. Two tasks ever meet
in one scan exactly when their phases agree modulo the greatest common divisor of their periods, and tasks
that meet pairwise all meet in one scan (Chinese remainder theorem for moduli that share factors). The
busiest scan is therefore the heaviest set of tasks that meet pairwise: it is found exactly without walking
through a major cycle that may be astronomically long. Short cycles are walked through: that is quicker.

Tasks whose periods share no factor, directly or through other tasks, always meet whatever their phases are:
such groups are solved apart and their busiest scans add up.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from math import gcd, lcm
from typing import NamedTuple

from chainplan.budgets.phase_groups import split_into_groups
from chainplan.budgets.phase_search import solve_group

__all__ = ["PhasePlan", "assign_phases", "due"]


class PhasePlan(NamedTuple):
    """Chosen phases and the proof of their quality.

    ``phases`` are in scans, in the order of the tasks. ``busiest`` is the load, in ticks, of the busiest scan
    of the major cycle, exactly; ``busiest_scan`` is a scan that has it (the first in which that set of tasks
    meets). No choice of phases can bring the busiest scan below ``lower_bound`` ticks; ``proved`` says that
    the bound is reached. ``major_cycle`` is in scans.
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


def assign_phases(
    periods: Sequence[int],
    costs: Sequence[int],
    fixed: Sequence[int | None] | None = None,
    max_nodes: int = 200_000,
) -> PhasePlan:
    """Choose the phases that make the busiest scan as short as possible (branch and bound).

    ``periods`` in scans (1 or more), ``costs`` in ticks (0 or more), ``fixed`` the phase of a task that is
    not free to move (0 to period - 1) or ``None``. The search ends after ``max_nodes`` nodes (placements
    weighed, one that takes longer counting for more), not after a time, so that the same input always gives
    the same answer; a first solution is always finished. Answers are remembered.

    Raises ``ValueError`` for lists of different lengths and for values outside these ranges.
    """
    pinned = tuple(fixed) if fixed is not None else (None,) * len(periods)
    if not len(periods) == len(costs) == len(pinned):
        raise ValueError(f"{len(periods)} periods, {len(costs)} costs and {len(pinned)} fixed phases differ")
    for period, cost, phase in zip(periods, costs, pinned, strict=True):
        if period < 1 or cost < 0:
            raise ValueError(f"a task of period {period} and cost {cost}: at least 1 and 0 are needed")
        if phase is not None and not 0 <= phase < period:
            raise ValueError(f"phase {phase} is outside 0 to {period - 1}")
    if max_nodes < 0:
        raise ValueError(f"max_nodes is {max_nodes}, at least 0 is needed")
    return _assign(tuple(periods), tuple(costs), pinned, max_nodes)


@lru_cache(maxsize=1024)
def _assign(
    periods: tuple[int, ...], costs: tuple[int, ...], fixed: tuple[int | None, ...], max_nodes: int
) -> PhasePlan:
    phases = [phase or 0 for phase in fixed]
    moving = [task for task, period in enumerate(periods) if period > 1 and costs[task] > 0]
    together = [task for task, period in enumerate(periods) if period == 1 and costs[task] > 0]
    busiest = bound = sum(costs[task] for task in together)
    nodes = 0
    if moving:
        groups = split_into_groups(
            tuple(periods[task] for task in moving), tuple(fixed[task] for task in moving)
        )
        for group in groups:
            members = [moving[index] for index in group.members]
            found = solve_group(group, [costs[task] for task in members], max(0, max_nodes - nodes))
            for task, phase in zip(members, found.phases, strict=True):
                if fixed[task] is None:  # a fixed phase comes back reduced to the part that matters
                    phases[task] = phase
            together += [members[index] for index in found.together]
            busiest += found.busiest
            bound += found.bound
            nodes += found.nodes
    scan = _meeting_scan((phases[task], periods[task]) for task in together)
    return PhasePlan(tuple(phases), busiest, scan, bound, bound == busiest, lcm(*periods))


def _meeting_scan(runs: Iterable[tuple[int, int]]) -> int:
    """Return the first scan in which all tasks, given as (phase, period), run; they must meet pairwise."""
    scan, cycle = 0, 1
    for phase, period in runs:
        shared = gcd(cycle, period)
        step = period // shared
        scan += cycle * ((phase - scan) // shared * pow(cycle // shared, -1, step) % step)
        cycle *= step
    return scan
