"""Headroom: how far each lever moves alone before the first target is missed, and what mends a miss.

Every figure here was put through all budgets of the full model, and so was one grain more. A mend counts only
if the plan with it passes the checks that a plan file must pass, meets the target that was missed, and misses
none that is met now. Where no single lever mends a target, pairs are tried.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import combinations
from typing import NamedTuple

from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Figure
from chainplan.headroom.levers import Lever, Move, moved
from chainplan.headroom.movable import levers
from chainplan.headroom.search import ASKED, Line
from chainplan.headroom.trials import Key, Trial, checked
from chainplan.remembered import remembered

MOST_NODES = 200
"""Nodes of a network that is searched: every step evaluates the whole of it."""

MOST_MENDS = 3
"""Mends told for each missed target, smallest first."""

PARTS = (Fraction(1), Fraction(3, 4), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8))
"""Of the way that the first lever of a pair can go alone, what is tried with the second, until it fails."""


class Limit(NamedTuple):
    """How far a lever goes up (1) or down (-1) alone: to `value`, ticks, which holds.

    One grain further `stops` are missed; there are none where it reached the end of what is looked at.
    `plain` is False where something nearer than a plan that holds was seen to miss a target.
    """

    lever: Lever
    direction: int
    value: int
    stops: tuple[Figure, ...]
    plain: bool


class Mend(NamedTuple):
    """What mends a missed target: one move, or two, with the verdict then. Every such plan was evaluated."""

    moves: tuple[Move, ...]
    then: Figure
    meets_all: bool

    @property
    def size(self) -> Fraction:
        """Return the sum of the moves, each as a share of what is moved."""
        return sum((move.size for move in self.moves), Fraction(0))


class Missed(NamedTuple):
    """A missed target and what mends it, smallest first; pairs only where no single move does.

    `breaks` are single moves that would mend it but miss another target, with that target.
    """

    verdict: Figure
    mends: tuple[Mend, ...]
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
    """Search how far every lever of a plan could go alone, and what would mend each missed target."""
    return searched(evaluation, progress)


def searched(evaluation: Evaluation, progress: Progress | None = None) -> Headroom:
    """Search anew."""
    nodes = len(evaluation.network.nodes)
    if nodes > MOST_NODES:
        return Headroom(
            (), (), f"not searched: the plan has {nodes} nodes, at most {MOST_NODES} are searched"
        )
    search = _MendSearch(evaluation, progress)
    return Headroom(tuple(search.limits()), tuple(search.mended()))


class _LeverWay(NamedTuple):
    """A lever's way in one direction, and the plans along it, as many grains away."""

    lever: Lever
    direction: int
    line: Line

    def move(self, grains: int) -> Move:
        return Move(self.lever, self.lever.value(self.direction * grains))

    @property
    def grains(self) -> int:
        return self.lever.grains(self.direction)


class _MendSearch:
    """One plan's search, with all trials it has made."""

    def __init__(self, evaluation: Evaluation, progress: Progress | None = None) -> None:
        self.evaluation = evaluation
        self._progress, self._done = progress, 0
        self.present = Trial(evaluation)
        self.missed_now = frozenset(each.key for each in self.present.missed(kinds()))
        self.ways = [
            self.way(lever, direction)
            for lever in levers(evaluation)
            for direction in (-1, 1)
            if lever.grains(direction)
        ]
        self.reach: dict[Line, int] = {}
        """How many grains each lever may move alone."""
        self._second: dict[tuple[Move, Line], _LeverWay] = {}
        """Ways of a second lever after a move of a first one, for all targets."""

    def way(
        self, lever: Lever, direction: int, first: Move | None = None, begin: Trial | None = None
    ) -> _LeverWay:
        """Return the way of a lever, from the present plan or from one, `begin`, with a first move made."""
        begin = begin or self.present
        base, moves = begin.evaluation, tuple[Move, ...]()
        if first is not None and first.lever.plan is None and lever.plan is not None:
            base, moves = self.evaluation, (first,)  # a network is made of a whole plan

        def at(grains: int) -> Trial:
            there = moved(base, (*moves, way.move(grains)))
            return Trial(there) if lever.plan is None else checked(there)

        way = _LeverWay(lever, direction, Line(at, begin))
        return way

    def limits(self) -> Iterator[Limit]:
        """Yield how far each lever goes, in both directions."""
        for way in self.ways:
            found = way.line.last_that_holds(way.grains)
            self.reach[way.line] = found.place
            stops = tuple(way.line.stops(found.place + 1)) if found.place < way.grains else ()
            self._tell()
            yield Limit(way.lever, way.direction, way.move(found.place).value, stops, found.plain)

    def mended(self) -> Iterator[Missed]:
        """Yield every missed target with what mends it."""
        for verdict in self.present.missed(kinds()):
            yield self._mended(verdict)
            self._tell()

    def _tell(self) -> None:
        self._done += 1
        if self._progress:
            self._progress(self._done, len(self.ways) + len(self.missed_now))

    def _mended(self, verdict: Figure) -> Missed:
        mends: list[Mend] = []
        breaks: list[tuple[Move, Figure]] = []
        for way in self.ways:
            grains = way.line.first_that_meets(verdict, way.grains)
            if grains is None:
                continue
            stop = next(way.line.stops(grains), None)
            if stop is not None:
                breaks.append((way.move(grains), stop))
            elif (mend := self._mend((way.move(grains),), way.line.at(grains), verdict.key)) is not None:
                mends.append(mend)
        if not mends:
            mends = list(self._pairs(verdict))
        mends.sort(key=lambda mend: mend.size)
        return Missed(verdict, tuple(mends[:MOST_MENDS]), tuple(breaks))

    def _mend(self, moves: tuple[Move, ...], trial: Trial, key: Key) -> Mend | None:
        """Return a mend if all of it holds on the plan that has it."""
        if any(trial.missed(ASKED, self.missed_now)):
            return None
        then = trial.verdicts(kinds()).get(key)
        if then is None or then.status != "met":
            return None
        return Mend(moves, then, not any(trial.missed(kinds())))

    # Pairs ---------------------------------------------------------------------------------------------

    def _pairs(self, missed: Figure) -> Iterator[Mend]:
        """Yield for each pair of levers that mends a target the smallest such pair of moves found."""
        helpful = [way for way in self.ways if self._helps(missed, way)]
        for first, second in combinations(helpful, 2):
            if first.lever is not second.lever:
                yield from sorted(self._pair(missed, first, second), key=lambda mend: mend.size)[:1]

    def _helps(self, missed: Figure, way: _LeverWay) -> bool:
        """Tell whether a lever, moved as far as it may alone, brings a target nearer."""
        after = way.line.at(self.reach[way.line]).of_kind(missed.kind).by_key.get(missed.key)
        if after is None:
            return False
        if after.margin is None or missed.margin is None:
            return after.status == "met"
        return after.margin > missed.margin

    def _pair(self, missed: Figure, first: _LeverWay, second: _LeverWay) -> Iterator[Mend]:
        alone = self.reach[first.line]
        for grains in dict.fromkeys(-(-alone * part.numerator // part.denominator) for part in PARTS):
            after = self._after(first, grains, second)
            further = after.line.first_that_meets(missed, self.reach[second.line])
            if further is None:  # with less of the first it will not be either
                return
            mend = self._mend((first.move(grains), after.move(further)), after.line.at(further), missed.key)
            if mend is not None:
                yield mend

    def _after(self, first: _LeverWay, grains: int, second: _LeverWay) -> _LeverWay:
        """Return the way of a second lever after a move of a first one."""
        move = first.move(grains)
        key = (move, second.line)
        if key not in self._second:
            self._second[key] = self.way(second.lever, second.direction, move, first.line.at(grains))
        return self._second[key]
