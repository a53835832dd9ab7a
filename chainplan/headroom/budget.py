"""Headroom: how far each parameter moves alone before the first target is missed, and what fixes a miss.

Every figure here was put through all budgets of the full model, and so was one grain more. A fix counts only
if the plan with it passes the checks that a plan file must pass, meets the target that was missed, and misses
none that is met now. Where no single parameter fixes a target, pairs are tried.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import combinations
from typing import NamedTuple

from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Figure
from chainplan.headroom.movable import parameters
from chainplan.headroom.parameters import Move, Parameter, moved
from chainplan.headroom.search import ASKED, Line
from chainplan.headroom.trials import Key, Trial, checked
from chainplan.remembered import remembered

MOST_NODES = 200
"""Nodes of a network that is searched: every step evaluates the whole of it."""

MOST_FIXES = 3
"""Fixes told for each missed target, smallest first."""

PARTS = (Fraction(1), Fraction(3, 4), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8))
"""Shares of the first parameter's way alone that are tried with the second, until it fails."""


class Limit(NamedTuple):
    """How far a parameter goes up (1) or down (-1) alone: to `value`, ticks, which holds.

    One grain further `stops` are missed; there are none where it reached the end of what is looked at.
    `plain` is False where something nearer than a plan that holds was seen to miss a target.
    """

    parameter: Parameter
    direction: int
    value: int
    stops: tuple[Figure, ...]
    plain: bool


class Fix(NamedTuple):
    """What fixes a missed target: one move, or two, with the verdict then. Every such plan was evaluated."""

    moves: tuple[Move, ...]
    then: Figure
    meets_all: bool

    @property
    def size(self) -> Fraction:
        """Return the sum of the moves, each as a share of what is moved."""
        return sum((move.size for move in self.moves), Fraction(0))


class Missed(NamedTuple):
    """A missed target and what fixes it, smallest first; pairs only where no single move does.

    `breaks` are single moves that would fix it but miss another target, with that target.
    """

    verdict: Figure
    fixes: tuple[Fix, ...]
    breaks: tuple[tuple[Move, Figure], ...]


class Headroom(NamedTuple):
    """What was found; `skipped` says why nothing was looked for."""

    limits: tuple[Limit, ...]
    missed: tuple[Missed, ...]
    skipped: str = ""


Progress = Callable[[int, int], None]
"""Told how many parts of the search are done, of how many."""


@remembered
def headroom_budget(evaluation: Evaluation, *, progress: Progress | None = None) -> Headroom:
    """Search how far every parameter of a plan could go alone, and what would fix each missed target."""
    return searched(evaluation, progress)


def searched(evaluation: Evaluation, progress: Progress | None = None) -> Headroom:
    """Search anew."""
    nodes = len(evaluation.network.nodes)
    if nodes > MOST_NODES:
        return Headroom(
            (), (), f"not searched: the plan has {nodes} nodes, at most {MOST_NODES} are searched"
        )
    search = _FixSearch(evaluation, progress)
    return Headroom(tuple(search.limits()), tuple(search.fixed()))


class _ParameterWay(NamedTuple):
    """A parameter's way in one direction, and the plans along it, as many grains away."""

    parameter: Parameter
    direction: int
    line: Line

    def move(self, grains: int) -> Move:
        return Move(self.parameter, self.parameter.value(self.direction * grains))

    @property
    def grains(self) -> int:
        return self.parameter.grains(self.direction)


class _FixSearch:
    """One plan's search, with all trials it has made."""

    def __init__(self, evaluation: Evaluation, progress: Progress | None = None) -> None:
        self.evaluation = evaluation
        self._progress, self._done = progress, 0
        self.present = Trial(evaluation)
        self.missed_now = frozenset(each.key for each in self.present.missed(kinds()))
        self.ways = [
            self.way(parameter, direction)
            for parameter in parameters(evaluation)
            for direction in (-1, 1)
            if parameter.grains(direction)
        ]
        self.reach: dict[Line, int] = {}
        """How many grains each parameter may move alone."""
        self._second: dict[tuple[Move, Line], _ParameterWay] = {}
        """Ways of a second parameter after a move of a first one, for all targets."""

    def way(
        self, parameter: Parameter, direction: int, first: Move | None = None, begin: Trial | None = None
    ) -> _ParameterWay:
        """Return the way of a parameter, from the present plan or from `begin`, with a first move made."""
        begin = begin or self.present
        base, moves = begin.evaluation, tuple[Move, ...]()
        if first is not None and first.parameter.plan is None and parameter.plan is not None:
            base, moves = self.evaluation, (first,)  # a network is made of a whole plan

        def at(grains: int) -> Trial:
            there = moved(base, (*moves, way.move(grains)))
            return Trial(there) if parameter.plan is None else checked(there)

        way = _ParameterWay(parameter, direction, Line(at, begin))
        return way

    def limits(self) -> Iterator[Limit]:
        """Yield how far each parameter goes, in both directions."""
        for way in self.ways:
            found = way.line.last_that_holds(way.grains)
            self.reach[way.line] = found.place
            stops = tuple(way.line.stops(found.place + 1)) if found.place < way.grains else ()
            self._tell()
            yield Limit(way.parameter, way.direction, way.move(found.place).value, stops, found.plain)

    def fixed(self) -> Iterator[Missed]:
        """Yield every missed target with what fixes it."""
        for verdict in self.present.missed(kinds()):
            yield self._fixed(verdict)
            self._tell()

    def _tell(self) -> None:
        self._done += 1
        if self._progress:
            self._progress(self._done, len(self.ways) + len(self.missed_now))

    def _fixed(self, verdict: Figure) -> Missed:
        fixes: list[Fix] = []
        breaks: list[tuple[Move, Figure]] = []
        for way in self.ways:
            grains = way.line.first_that_meets(verdict, way.grains)
            if grains is None:
                continue
            stop = next(way.line.stops(grains), None)
            if stop is not None:
                breaks.append((way.move(grains), stop))
            elif (fix := self._fix((way.move(grains),), way.line.at(grains), verdict.key)) is not None:
                fixes.append(fix)
        if not fixes:
            fixes = list(self._pairs(verdict))
        fixes.sort(key=lambda fix: fix.size)
        return Missed(verdict, tuple(fixes[:MOST_FIXES]), tuple(breaks))

    def _fix(self, moves: tuple[Move, ...], trial: Trial, key: Key) -> Fix | None:
        """Return a fix if all of it holds on the plan that has it."""
        if any(trial.missed(ASKED, self.missed_now)):
            return None
        then = trial.verdicts(kinds()).get(key)
        if then is None or then.status != "met":
            return None
        return Fix(moves, then, not any(trial.missed(kinds())))

    # Pairs ---------------------------------------------------------------------------------------------

    def _pairs(self, missed: Figure) -> Iterator[Fix]:
        """Yield for each pair of parameters that fixes a target the smallest such pair of moves found."""
        helpful = [way for way in self.ways if self._helps(missed, way)]
        for first, second in combinations(helpful, 2):
            if first.parameter is not second.parameter:
                yield from sorted(self._pair(missed, first, second), key=lambda fix: fix.size)[:1]

    def _helps(self, missed: Figure, way: _ParameterWay) -> bool:
        """Tell whether a parameter, moved as far as it may alone, brings a target nearer."""
        after = way.line.at(self.reach[way.line]).of_kind(missed.kind).by_key.get(missed.key)
        if after is None:
            return False
        if after.margin is None or missed.margin is None:
            return after.status == "met"
        return after.margin > missed.margin

    def _pair(self, missed: Figure, first: _ParameterWay, second: _ParameterWay) -> Iterator[Fix]:
        alone = self.reach[first.line]
        for grains in dict.fromkeys(-(-alone * part.numerator // part.denominator) for part in PARTS):
            after = self._after(first, grains, second)
            further = after.line.first_that_meets(missed, self.reach[second.line])
            if further is None:  # with less of the first it will not be either
                return
            fix = self._fix((first.move(grains), after.move(further)), after.line.at(further), missed.key)
            if fix is not None:
                yield fix

    def _after(self, first: _ParameterWay, grains: int, second: _ParameterWay) -> _ParameterWay:
        """Return the way of a second parameter after a move of a first one."""
        move = first.move(grains)
        key = (move, second.line)
        if key not in self._second:
            self._second[key] = self.way(second.parameter, second.direction, move, first.line.at(grains))
        return self._second[key]
