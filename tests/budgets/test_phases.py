"""Phases of rate groups, checked against a textbook example, an integer program and enumeration."""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import product
from math import lcm

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from chainplan.budgets.scanning import phases
from chainplan.budgets.scanning.phases import PhasePlan, due


def assign_phases(
    periods: Sequence[int],
    costs: Sequence[int],
    fixed: Sequence[int | None] | None = None,
    most_steps: int = 200_000,
) -> PhasePlan:
    """Assign phases anew, whatever was assigned before."""
    pinned = tuple(fixed) if fixed is not None else (None,) * len(periods)
    return phases.assign_phases.__wrapped__(tuple(periods), tuple(costs), pinned, most_steps)


def scan_loads(phases: Sequence[int], periods: list[int], costs: list[int], cycle: int) -> list[int]:
    """Return the load of each scan: the test's own count, scan by scan."""
    tasks = list(zip(phases, periods, costs, strict=True))
    return [sum(cost for phase, m, cost in tasks if scan % m == phase) for scan in range(cycle)]


def least_by_enumeration(periods: list[int], costs: list[int], fixed: list[int | None]) -> int:
    """Try every combination of phases on the whole major cycle."""
    cycle = lcm(*periods)
    options = [range(m) if f is None else [f] for m, f in zip(periods, fixed, strict=True)]
    return min(max(scan_loads(choice, periods, costs, cycle)) for choice in product(*options))


def least_by_milp(periods: list[int], costs: list[int], fixed: list[int | None]) -> int:
    """Solve the same problem with HiGHS through scipy.optimize.milp (general reference library)."""
    cycle = lcm(*periods)
    columns = [(task, phase) for task, period in enumerate(periods) for phase in range(period)]
    loads = np.zeros((cycle, len(columns) + 1))
    chosen = np.zeros((len(periods), len(columns) + 1))
    upper = np.append(np.ones(len(columns)), np.inf)
    for column, (task, phase) in enumerate(columns):
        loads[phase :: periods[task], column] = costs[task]
        chosen[task, column] = 1
        if fixed[task] not in (None, phase):
            upper[column] = 0
    loads[:, -1] = -1
    busiest = np.append(np.zeros(len(columns)), 1)
    answer = milp(
        busiest,
        constraints=[LinearConstraint(loads, -np.inf, 0), LinearConstraint(chosen, 1, 1)],
        integrality=np.append(np.ones(len(columns)), 0),
        bounds=Bounds(0, upper),
        options={"mip_rel_gap": 0},
    )
    assert answer.success
    least: int = round(answer.fun)
    return least


def heaviest_meeting(plan: PhasePlan, periods: list[int], costs: list[int]) -> int:
    """Return the busiest load as networkx.max_weight_clique sees it, two tasks meeting if a scan solves both.

    Whether one does is asked of scans themselves, not of the greatest common divisor.
    """
    graph: nx.Graph[int] = nx.Graph()
    graph.add_nodes_from((task, {"weight": cost}) for task, cost in enumerate(costs))
    for a, b in product(range(len(costs)), repeat=2):
        runs = range(plan.phases[a], lcm(periods[a], periods[b]), periods[a])
        if a < b and any(scan % periods[b] == plan.phases[b] for scan in runs):
            graph.add_edge(a, b)
    return int(nx.max_weight_clique(graph)[1])


def check(plan: PhasePlan, periods: list[int], costs: list[int], fixed: list[int | None]) -> None:
    """Whatever was found, what is said of it must be true."""
    assert all(0 <= phase < period for phase, period in zip(plan.phases, periods, strict=True))
    assert all(f is None or f == phase for f, phase in zip(fixed, plan.phases, strict=True))
    assert plan.major_cycle == lcm(*periods)
    assert sum(costs[task] for task in due(plan.phases, periods, plan.busiest_scan)) == plan.busiest
    assert plan.lower_bound <= plan.busiest
    assert plan.proved == (plan.lower_bound == plan.busiest)
    if plan.major_cycle <= 100_000:
        assert plan.busiest == max(scan_loads(plan.phases, periods, costs, plan.major_cycle))


def test_textbook_cyclic_executive() -> None:
    # Burns and Wellings, Real-Time Systems and Programming Languages, cyclic executive: (T, C) in ms =
    # (25, 10) (25, 8) (50, 5) (50, 4) (100, 2); minor cycle 25, major cycle 100. Figures from memory.
    # 24 is least (computed): with 5 and 4 in one scan it would be 27; apart, the 2 joins 18 + 4.
    costs = [10, 8, 5, 4, 2]
    periods = [t // 25 for t in (25, 25, 50, 50, 100)]
    plan = assign_phases(periods, costs)
    assert plan.major_cycle * 25 == 100
    assert plan.busiest == 24
    assert plan.proved
    assert plan.lower_bound == 24
    assert sum(scan_loads(plan.phases, periods, costs, 4)) == 4 * 23
    assert least_by_enumeration(periods, costs, [None] * 5) == 24
    assert plan.quality == "proved optimal"


@pytest.mark.parametrize("seed", range(24))
def test_integer_programming_finds_nothing_shorter(seed: int) -> None:
    # Oracle: HiGHS 1.x through scipy.optimize.milp.
    draw = random.Random(seed)
    pool = draw.choice([[1, 2, 4, 8], [2, 3, 4, 6], [1, 2, 5, 10], [2, 3, 5], [4, 6, 9], [3, 6, 12]])
    periods = [draw.choice(pool) for _ in range(draw.randint(3, 9))]
    costs = [draw.randint(0, 60) for _ in periods]
    fixed = [draw.randrange(m) if draw.random() < 0.2 else None for m in periods]
    plan = assign_phases(periods, costs, fixed)
    check(plan, periods, costs, fixed)
    assert plan.proved
    assert plan.busiest == least_by_milp(periods, costs, fixed)


@pytest.mark.parametrize(
    ("periods", "costs"),
    [
        # Phases with equal loads that are not the same choice: a task of a shorter period is to come.
        ([2, 2, 2, 8, 2, 4], [3, 1, 2, 7, 1, 13]),
        ([4, 4, 4, 2, 2, 4], [24, 3, 27, 3, 8, 18]),
        ([4, 10, 4, 10, 6, 4], [17, 5, 16, 2, 2, 3]),
        ([2, 3, 2, 6, 6, 6, 4, 3], [1, 9, 5, 13, 15, 4, 1, 4]),
        # The best choice fills what is left to the last tick.
        ([2, 2, 2, 6, 2], [6, 7, 7, 3, 6]),
        ([3, 3, 2, 3, 2, 2, 2, 4], [4, 1, 26, 4, 2, 4, 25, 3]),
        ([8, 2, 4, 2, 2, 2, 8, 4, 8], [2, 3, 2, 4, 8, 2, 5, 3, 3]),
    ],
)
def test_no_choice_is_cut_off_wrongly(periods: list[int], costs: list[int]) -> None:
    # Oracle: HiGHS 1.x through scipy.optimize.milp.
    plan = assign_phases(periods, costs)
    assert plan.proved
    assert plan.busiest == least_by_milp(periods, costs, [None] * len(costs))


tasks = st.lists(
    st.tuples(
        st.sampled_from([1, 2, 3, 4, 6, 8, 9, 10, 15]), st.integers(0, 12), st.none() | st.integers(0, 10**6)
    ),
    min_size=1,
    max_size=5,
).filter(lambda chosen: lcm(*(m for m, _, _ in chosen)) <= 120 and np.prod([m for m, _, _ in chosen]) <= 1500)


@given(chosen=tasks)
@settings(max_examples=120, deadline=None)
def test_enumeration_finds_nothing_shorter(chosen: list[tuple[int, int, int | None]]) -> None:
    periods, costs = [m for m, _, _ in chosen], [c for _, c, _ in chosen]
    fixed = [None if f is None else f % m for m, _, f in chosen]
    least = least_by_enumeration(periods, costs, fixed)
    for most in (0, 5, 200_000):
        plan = assign_phases(periods, costs, fixed, most)
        check(plan, periods, costs, fixed)
        assert plan.lower_bound <= least <= plan.busiest
    assert plan.busiest == least
    assert plan.proved


def test_coprime_periods_always_meet() -> None:
    # Chinese remainder theorem: no phases keep tasks of pairwise coprime periods apart.
    periods, costs = [7, 11, 13, 9], [5, 4, 3, 2]
    for fixed in ([None] * 4, [6, 0, 12, 3]):
        plan = assign_phases(periods, costs, fixed)
        assert (plan.busiest, plan.lower_bound, plan.proved) == (14, 14, True)
        assert due(plan.phases, periods, plan.busiest_scan) == [0, 1, 2, 3]
        assert plan.major_cycle == 7 * 11 * 13 * 9


def test_tasks_that_meet_on_one_residue_are_a_bound() -> None:
    # Two tasks of period 2 fill the odd and the even scans; one of period 6 meets one of them, wherever.
    plan = assign_phases([2, 2, 6], [9, 10, 5], most_steps=0)
    assert plan.lower_bound == 12  # (9 + 10 + 5) / 2
    assert assign_phases([2, 2, 6], [9, 10, 5]).lower_bound == plan.busiest == 14


@pytest.mark.parametrize("pool", [[2, 3, 4, 6, 12], [1, 2, 5, 10, 20, 50, 100], [6, 10, 15, 30, 42, 70, 105]])
def test_64_tasks(pool: list[int]) -> None:
    draw = random.Random(64)
    periods = [draw.choice(pool) for _ in range(64)]
    costs = [draw.randint(10**11, 10**12) for _ in periods]
    plan = assign_phases(periods, costs, most_steps=5_000)
    check(plan, periods, costs, [None] * 64)
    assert assign_phases(periods, costs, most_steps=5_000) == plan  # bounded by steps: repeatable
    mean = sum(cost * (plan.major_cycle // m) for cost, m in zip(costs, periods, strict=True))
    assert plan.lower_bound * plan.major_cycle >= mean
    words = plan.quality
    assert plan.proved == (words == "proved optimal")
    if not plan.proved:
        share = float(words.removeprefix("within ").removesuffix(" % of the lower bound"))
        assert plan.lower_bound * (1 + share / 100) >= plan.busiest


def test_more_steps_close_the_gap() -> None:
    draw = random.Random(5)
    periods = [draw.choice([2, 3, 4, 6, 12]) for _ in range(12)]
    costs = [draw.randint(1, 1000) for _ in periods]
    first, last = assign_phases(periods, costs, most_steps=0), assign_phases(periods, costs)
    assert not first.proved
    assert first.quality.startswith("within ")
    assert last.proved
    assert first.lower_bound <= last.busiest <= first.busiest


def test_many_tasks_do_not_exhaust_the_stack() -> None:
    assert assign_phases([10] * 100, [1] * 100, [5] * 100).busiest == 100
    assert assign_phases([10] * 100, [1] * 100).busiest == 10


def test_no_tasks_and_no_costs() -> None:
    assert assign_phases([], []) == PhasePlan((), 0, 0, 0, True, 1)
    plan = assign_phases([3, 4], [0, 0], [None, 2])
    assert (plan.phases, plan.busiest, plan.proved, plan.major_cycle) == ((0, 2), 0, True, 12)


def test_every_scan() -> None:
    plan = assign_phases([1, 1, 1], [5, 6, 7])
    assert (plan.phases, plan.busiest, plan.major_cycle) == ((0, 0, 0), 18, 1)


def test_due() -> None:
    assert [due((0, 1, 3), (1, 2, 4), scan) for scan in range(4)] == [[0], [0, 1], [0], [0, 1, 2]]
