"""The arithmetic behind :mod:`chainplan.budgets.phases`: which tasks can, or must, meet in one scan.

Two facts keep the search small, none of them an approximation:

* of a period only the part that it shares with some other task of its group matters;
* over pairwise coprime factors of the periods a phase is one path of digits per factor. Two tasks meet when,
  for every factor, one path begins with the other, so renaming the branches of a tree changes nothing:
  all branches not yet used by any task are one and the same choice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from itertools import islice, product
from math import gcd, lcm
from typing import NamedTuple

__all__ = ["PathTrees", "TaskGroup", "bound_by_meeting", "heaviest_clique", "split_into_groups"]

_MOST_MODULI = 64  # moduli tried by the lower bound
_TASKS_PER_STEP = 8  # candidates looked through in the time of one step more
_BOUND_EFFORT = 1000  # the lower bound may stop searching early: any set that must meet is a valid bound


class Factor(NamedTuple):
    """``base ** depth``, one coprime factor of a period; ``unit`` is 1 modulo it and 0 modulo the rest."""

    tree: int
    base: int
    depth: int
    unit: int


class TaskGroup(NamedTuple):
    """Tasks linked by common factors of their periods.

    ``members`` are indices into the tasks given; everything else is in the order of the members: ``periods``
    reduced to the part shared with other members, in scans; ``fixed`` phases modulo these; ``shared[a][b]``
    the greatest common divisor of two periods; ``linked`` the same by task, as pairs of a divisor and the
    other tasks (bit mask) that have it in common; ``always`` the tasks met for their fixed phases alone;
    ``factors`` of each period. ``cycle`` is the least common multiple of the reduced periods.
    """

    members: tuple[int, ...]
    periods: tuple[int, ...]
    fixed: tuple[int | None, ...]
    shared: tuple[tuple[int, ...], ...]
    linked: tuple[tuple[tuple[int, int], ...], ...]
    always: tuple[int, ...]
    factors: tuple[tuple[Factor, ...], ...]
    cycle: int


@lru_cache(maxsize=256)
def split_into_groups(periods: tuple[int, ...], fixed: tuple[int | None, ...]) -> tuple[TaskGroup, ...]:
    """Split tasks into groups without a common factor between any two groups, small groups first.

    ``periods`` in scans, all above 1; ``fixed`` phases or ``None``.
    """
    groups: list[list[int]] = []
    for task, period in enumerate(periods):
        linked = [group for group in groups if any(gcd(period, periods[other]) > 1 for other in group)]
        groups = [group for group in groups if group not in linked]
        groups.append(sorted([task, *(other for group in linked for other in group)]))
    return tuple(_describe(members, periods, fixed) for members in sorted(groups, key=lambda g: (len(g), g)))


def _describe(members: list[int], periods: tuple[int, ...], fixed: tuple[int | None, ...]) -> TaskGroup:
    shared = tuple(tuple(gcd(periods[a], periods[b]) for b in members) for a in members)
    # Whether two tasks meet depends on their phases modulo the shared divisor; hence of a period only
    # the least common multiple of its shared divisors matters.
    reduced = tuple(
        lcm(*(divisor for other, divisor in enumerate(row) if other != task))
        for task, row in enumerate(shared)
    )
    linked, always = [], []
    for a, row in enumerate(shared):
        by_divisor: dict[int, int] = {}
        met = 0
        for b, divisor in enumerate(row):
            if a != b:
                by_divisor[divisor] = by_divisor.get(divisor, 0) | 1 << b
                first, second = fixed[members[a]], fixed[members[b]]
                if first is not None and second is not None and (first - second) % divisor == 0:
                    met |= 1 << b
        linked.append(tuple(sorted(by_divisor.items())))
        always.append(met)
    bases = coprime_bases(reduced)
    phases = [fixed[task] for task in members]
    return TaskGroup(
        tuple(members),
        reduced,
        tuple(None if p is None else p % period for p, period in zip(phases, reduced, strict=True)),
        shared,
        tuple(linked),
        tuple(always),
        tuple(_factors(period, bases) for period in reduced),
        lcm(*reduced),
    )


def coprime_bases(numbers: Iterable[int]) -> list[int]:
    """Return pairwise coprime numbers whose powers multiply to each of ``numbers`` (factor refinement).

    No factoring into primes: periods may be large, and coarse bases leave fewer choices than primes.
    """
    bases: list[int] = []
    waiting = [number for number in dict.fromkeys(numbers) if number > 1]
    while waiting:
        number = waiting.pop()
        partner = next((base for base in bases if gcd(base, number) > 1), None)
        if partner is None:
            bases.append(number)
        elif partner != number:
            common = gcd(partner, number)
            bases.remove(partner)
            waiting += [part for part in (common, number // common, partner // common) if part > 1]
    return sorted(bases)


def _factors(period: int, bases: Sequence[int]) -> tuple[Factor, ...]:
    factors = []
    for tree, base in enumerate(bases):
        depth = 0
        while period % base ** (depth + 1) == 0:
            depth += 1
        if depth:
            rest = period // base**depth
            unit = rest * pow(rest, -1, base**depth) % period
            factors.append(Factor(tree, base, depth, unit))
    return tuple(factors)


class PathTrees:
    """The paths in use, one tree per coprime base: how many placed tasks pass through each branch."""

    def __init__(self, group: TaskGroup) -> None:
        self._factors = group.factors
        self._periods = group.periods
        # (tree, depth, residue modulo base ** depth) -> digit of the branch -> number of tasks
        self._branches: dict[tuple[int, int, int], dict[int, int]] = {}

    def add(self, task: int, phase: int, count: int = 1) -> None:
        """Enter a task's path, or take it out again with ``count`` -1."""
        for tree, base, depth, _ in self._factors[task]:
            power = 1
            for level in range(depth):
                digits = self._branches.setdefault((tree, level, phase % power), {})
                digit = phase // power % base
                used = digits.get(digit, 0) + count
                if used:
                    digits[digit] = used
                else:
                    del digits[digit]
                power *= base

    def choices(self, task: int, most: int) -> list[int]:
        """Return one phase of each kind still different for ``task``, but not more than ``most`` of them."""
        factors = self._factors[task]
        if len(factors) == 1:
            return list(islice(self._paths(factors[0]), most))
        paths = product(*(list(islice(self._paths(factor), most)) for factor in factors))
        units = [factor.unit for factor in factors]
        period = self._periods[task]
        return [
            sum(path * unit for path, unit in zip(combination, units, strict=True)) % period
            for combination in islice(paths, most)
        ]

    def _paths(self, factor: Factor) -> Iterable[int]:
        """Yield the paths through used branches, and for each fork one path into an unused branch."""
        ends = [0]
        power = 1
        for level in range(factor.depth):
            followed = []
            for end in ends:
                digits = self._branches.get((factor.tree, level, end), {})
                followed += [end + digit * power for digit in sorted(digits)]
                if len(digits) < factor.base:
                    yield end + next(d for d in range(factor.base) if d not in digits) * power
            ends = followed
            power *= factor.base
        yield from ends


def heaviest_clique(
    adjacent: Sequence[int], weights: Sequence[int], candidates: int, most_effort: int | None = None
) -> tuple[int, int, int]:
    """Return weight, members (bit mask) and effort of the heaviest set of pairwise adjacent candidates.

    ``adjacent[t]`` and ``candidates`` are bit masks of tasks. Branch and bound with a greedy colouring: of
    pairwise non-adjacent tasks a clique holds at most one. With ``most_effort`` the search may end early
    with a lighter clique. Effort is counted in steps, steps over many tasks counting for more.
    """
    best, best_members, effort = 0, 0, 0

    def expand(members: int, weight: int, candidates: int) -> None:
        nonlocal best, best_members, effort
        effort += 2 + candidates.bit_count() // _TASKS_PER_STEP
        for task in _bits(candidates):  # a task adjacent to all other candidates is in the heaviest clique
            if candidates & ~adjacent[task] == 1 << task:
                members |= 1 << task
                weight += weights[task]
                candidates ^= 1 << task
        if weight > best:
            best, best_members = weight, members
        order: list[tuple[int, int]] = []
        reach = weight
        uncoloured = candidates
        while uncoloured:
            colour = []
            free = uncoloured
            while free:
                task = (free & -free).bit_length() - 1
                colour.append(task)
                free &= ~(adjacent[task] | 1 << task)
                uncoloured ^= 1 << task
            reach += max(weights[task] for task in colour)
            order += [(task, reach) for task in colour]
        for task, reach in reversed(order):
            if reach <= best or (most_effort is not None and effort >= most_effort):
                return
            expand(members | 1 << task, weight + weights[task], candidates & adjacent[task])
            candidates ^= 1 << task

    expand(0, 0, candidates)
    return best, best_members, effort


def _bits(mask: int) -> Iterable[int]:
    while mask:
        bit = mask & -mask
        yield bit.bit_length() - 1
        mask ^= bit


def bound_by_meeting(group: TaskGroup, costs: Sequence[int]) -> int:
    """Return a load that the busiest scan reaches whatever the phases, in the ticks of ``costs``.

    Take a modulus d and tasks of which each two periods have a greatest common divisor that divides d.
    Those whose phases fall on the same residue modulo d then meet pairwise, hence all in one scan. With
    g = gcd(period, d) a task falls on d/g of the d residues, so the fullest residue carries at least the
    mean, the sum of cost/g. Tasks with g = d fill one residue each: of any q*d + 1, q + 1 share one.
    d = 1 is the case of tasks that always meet; d = the cycle is the mean load of a scan.
    """
    moduli = {1, group.cycle, *group.periods, *(divisor for row in group.linked for divisor, _ in row)}
    bound = 0
    for modulus in sorted(moduli)[:_MOST_MODULI]:
        parts = [gcd(period, modulus) for period in group.periods]
        weights = [cost * (modulus // part) for cost, part in zip(costs, parts, strict=True)]
        adjacent = []
        for row, always in zip(group.linked, group.always, strict=True):
            meeting = always
            for divisor, tasks in row:
                if modulus % divisor == 0:
                    meeting |= tasks
            adjacent.append(meeting)
        weight, members, _ = heaviest_clique(adjacent, weights, (1 << len(costs)) - 1, _BOUND_EFFORT)
        bound = max(bound, -(-weight // modulus))
        if modulus > 1:
            constant = sum(costs[task] for task in _bits(members) if parts[task] == 1)
            single = sorted((costs[task] for task in _bits(members) if parts[task] == modulus), reverse=True)
            for last in range(modulus, len(single), modulus):
                bound = max(bound, constant + sum(single[last - last // modulus : last + 1]))
    return bound
