"""Phases of rate groups, held against a textbook example, an integer-programming solver and enumeration."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from itertools import product
from math import lcm

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from chainplan.budgets import phase_groups, phase_search, phases
from chainplan.budgets.phases import PhasePlan, assign_phases, due


@pytest.fixture(autouse=True)
def _fresh() -> Iterator[None]:
    phases._assign.cache_clear()
    yield
    phases._assign.cache_clear()


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


@pytest.mark.parametrize(("short_cycle", "clique_effort"), [(10_000, 100), (0, 100), (0, 1)])
@given(chosen=tasks)
@settings(max_examples=40, deadline=None)
def test_enumeration_finds_nothing_shorter(
    chosen: list[tuple[int, int, int | None]], short_cycle: int, clique_effort: int
) -> None:
    """Both ways of weighing, and the one that gives up early, give the least load there is."""
    periods, costs = [m for m, _, _ in chosen], [c for _, c, _ in chosen]
    fixed = [None if f is None else f % m for m, _, f in chosen]
    least = least_by_enumeration(periods, costs, fixed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(phase_search, "_SHORT_CYCLE", short_cycle)
        patch.setattr(phase_search, "_CLIQUE_EFFORT", clique_effort)
        for most in (0, 5, 200_000):
            phases._assign.cache_clear()
            plan = assign_phases(periods, costs, fixed, most)
            check(plan, periods, costs, fixed)
            assert plan.lower_bound <= least <= plan.busiest
        assert plan.busiest == least
        assert plan.proved


@given(chosen=tasks)
@settings(max_examples=60, deadline=None)
def test_bound_holds_for_any_phases(chosen: list[tuple[int, int, int | None]]) -> None:
    """The bound by meeting tasks never rises above the least load, fixed phases or not."""
    chosen = [(m, c + 1, f) for m, c, f in chosen if m > 1]
    fixed = tuple(None if f is None else f % m for m, _, f in chosen)
    for group in phase_groups.split_into_groups(tuple(m for m, _, _ in chosen), fixed):
        costs = [chosen[task][1] for task in group.members]
        least = least_by_enumeration(list(group.periods), costs, list(group.fixed))
        assert phase_groups.bound_by_meeting(group, costs) <= least


def test_bound_by_meeting_alone() -> None:
    # Five equal tasks of period 2: three share a scan (pigeonhole); the mean is 2.5.
    (group,) = phase_groups.split_into_groups((2,) * 5, (None,) * 5)
    assert phase_groups.bound_by_meeting(group, [7] * 5) == 21
    # Periods 2 and 3 always meet; the mean would be 10/2 + 9/3 + 1/6.
    (group,) = phase_groups.split_into_groups((2, 3, 6), (None,) * 3)
    assert phase_groups.bound_by_meeting(group, [10, 9, 1]) == 19
    # Fixed phases 1 and 3 of periods 4 and 6 meet (gcd 2), in scan 9.
    (group,) = phase_groups.split_into_groups((4, 6), (1, 3))
    assert phase_groups.bound_by_meeting(group, [5, 6]) == 11


def test_coprime_periods_always_meet() -> None:
    # Chinese remainder theorem: no phases keep tasks of pairwise coprime periods apart.
    periods, costs = [7, 11, 13, 17, 997], [5, 4, 3, 2, 1]
    for fixed in ([None] * 5, [6, 0, 12, 3, 500]):
        plan = assign_phases(periods, costs, fixed)
        assert (plan.busiest, plan.lower_bound, plan.proved) == (15, 15, True)
        assert due(plan.phases, periods, plan.busiest_scan) == [0, 1, 2, 3, 4]
        assert plan.major_cycle == 7 * 11 * 13 * 17 * 997


def test_astronomical_major_cycle() -> None:
    primes = [p for p in range(2, 400) if all(p % d for d in range(2, p))]
    periods = [2 * p for p in primes[1:]]  # two tasks meet unless one runs in even and one in odd scans
    costs = list(range(1, len(periods) + 1))
    plan = assign_phases(periods, costs)
    check(plan, periods, costs, [None] * len(periods))
    assert plan.major_cycle == 2 * np.prod([int(p) for p in primes[1:]], dtype=object)
    assert plan.busiest == -(-sum(costs) // 2)  # an even split of 1..77 exists: 3003 = 1501 + 1502
    assert plan.proved


def test_huge_periods_and_costs() -> None:
    periods, costs = [2**61 - 1] * 3 + [10**30], [2**60, 2**60 - 1, 1, 5]
    plan = assign_phases(periods, costs)
    check(plan, periods, costs, [None] * 4)
    assert plan.busiest == 2**60 + 5
    assert plan.proved


@pytest.mark.parametrize("seed", range(8))
def test_long_cycles_are_weighed_exactly(seed: int) -> None:
    # Oracle: networkx.max_weight_clique on tasks that were seen to meet.
    draw = random.Random(seed)
    pool = [6, 10, 15, 21, 35, 77, 143, 221, 30, 42]
    periods = [draw.choice(pool) for _ in range(14)]
    costs = [draw.randint(1, 10**15) for _ in periods]
    fixed = [draw.randrange(m) if draw.random() < 0.3 else None for m in periods]
    plan = assign_phases(periods, costs, fixed, 3000)
    check(plan, periods, costs, fixed)
    assert plan.busiest == heaviest_meeting(plan, periods, costs)


@pytest.mark.parametrize(
    "pool", [[2, 3, 4, 6, 12], [1, 2, 5, 10, 20, 50, 100], [30, 42, 70, 105, 66, 110, 143]]
)
def test_64_tasks(pool: list[int]) -> None:
    draw = random.Random(64)
    periods = [draw.choice(pool) for _ in range(64)]
    costs = [draw.randint(10**11, 10**12) for _ in periods]
    plan = assign_phases(periods, costs, max_nodes=5_000)
    check(plan, periods, costs, [None] * 64)
    phases._assign.cache_clear()
    assert assign_phases(periods, costs, max_nodes=5_000) == plan  # bounded by nodes: repeatable
    mean = sum(cost * (plan.major_cycle // m) for cost, m in zip(costs, periods, strict=True))
    assert plan.lower_bound * plan.major_cycle >= mean
    words = plan.quality
    assert plan.proved == (words == "proved optimal")
    if not plan.proved:
        share = float(words.removeprefix("within ").removesuffix(" % of the lower bound"))
        assert plan.lower_bound * (1 + share / 100) >= plan.busiest


def test_more_nodes_close_the_gap() -> None:
    draw = random.Random(5)
    periods = [draw.choice([2, 3, 4, 6, 12]) for _ in range(12)]
    costs = [draw.randint(1, 1000) for _ in periods]
    first, last = assign_phases(periods, costs, max_nodes=0), assign_phases(periods, costs)
    assert not first.proved
    assert first.quality.startswith("within ")
    assert last.proved
    assert first.lower_bound <= last.busiest <= first.busiest


def test_many_tasks_do_not_exhaust_the_stack() -> None:
    plan = assign_phases([10007**2] * 1010, [1] * 1010, [5] * 1010)
    assert (plan.busiest, plan.busiest_scan) == (1010, 5)


def test_no_tasks_and_no_costs() -> None:
    assert assign_phases([], []) == PhasePlan((), 0, 0, 0, True, 1)
    plan = assign_phases([3, 4], [0, 0], [None, 2])
    assert (plan.phases, plan.busiest, plan.proved, plan.major_cycle) == ((0, 2), 0, True, 12)


def test_every_scan() -> None:
    plan = assign_phases([1, 1, 1], [5, 6, 7])
    assert (plan.phases, plan.busiest, plan.major_cycle) == ((0, 0, 0), 18, 1)


def test_due() -> None:
    assert [due((0, 1, 3), (1, 2, 4), scan) for scan in range(4)] == [[0], [0, 1], [0], [0, 1, 2]]


@pytest.mark.parametrize(
    ("periods", "costs", "fixed", "nodes", "message"),
    [
        ([1], [1, 2], None, 1, "1 periods, 2 costs and 1 fixed phases differ"),
        ([0], [1], None, 1, "period 0"),
        ([2], [-1], None, 1, "cost -1"),
        ([2], [1], [2], 1, "phase 2 is outside 0 to 1"),
        ([2], [1], None, -1, "max_nodes is -1"),
    ],
)
def test_refused(
    periods: list[int], costs: list[int], fixed: list[int | None] | None, nodes: int, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        assign_phases(periods, costs, fixed, nodes)
