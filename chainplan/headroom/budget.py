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

from chainplan.evaluation import Evaluation
from chainplan.headroom.levers import Lever, Move, moved
from chainplan.headroom.movable import levers
from chainplan.headroom.search import ASKED, Line
from chainplan.headroom.trials import Key, Trial, checked
from chainplan.remembered import remembered
from chainplan.verdicts import ROOMS, Room
from chainplan.verdicts.verdict import Verdict

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
    stops: tuple[Verdict, ...]
    plain: bool
    looked_at: int


class Mend(NamedTuple):
    """What mends a missed target: one move, or two, with the verdict then. Every such plan was evaluated."""

    moves: tuple[Move, ...]
    then: Verdict
    meets_all: bool

    @property
    def size(self) -> Fraction:
        """Return the sum of the moves, each as a share of what is moved."""
        return sum((move.size for move in self.moves), Fraction(0))


class Missed(NamedTuple):
    """A missed target and what mends it, smallest first; pairs only where no single move does.

    `breaks` are single moves that would mend it but miss another target, with that target.
    """

    verdict: Verdict
    mends: tuple[Mend, ...]
    breaks: tuple[tuple[Move, Verdict], ...]


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
    search = _Search(evaluation, progress)
    return Headroom(tuple(search.limits()), tuple(search.mended()))


class _Search:
    """One plan's search, with all trials it has made."""

    def __init__(self, evaluation: Evaluation, progress: Progress | None = None) -> None:
        self.evaluation = evaluation
        self._progress, self._done = progress, 0
        self.present = Trial(evaluation)
        self.missed_now = frozenset(
            key for key, each in self.present.verdicts().items() if each.status == "missed"
        )
        self.lines = [
            (lever, direction, self.line(lever, direction))
            for lever in levers(evaluation)
            for direction in (-1, 1)
            if lever.grains(direction)
        ]
        self.reach: dict[tuple[str, str, int], int] = {}
        self._second: dict[tuple[Move, Lever, int], Line] = {}
        """Lines of a second lever after a move of a first one, for all targets."""

    def line(
        self, lever: Lever, direction: int, first: Move | None = None, begin: Trial | None = None
    ) -> Line:
        """Return the way of a lever, from the present plan or from one, `begin`, with a first move made."""
        base = (begin or self.present).evaluation
        moves: tuple[Move, ...] = ()
        if first is not None and first.lever.plan is None and lever.plan is not None:
            base, moves = self.evaluation, (first,)  # a network is made of a whole plan

        def at(grains: int) -> Trial:
            there = moved(base, (*moves, Move(lever, lever.value(direction * grains))))
            return Trial(there) if lever.plan is None else checked(there)

        return Line(at, begin or self.present)

    def limits(self) -> Iterator[Limit]:
        """Yield how far each lever goes, in both directions."""
        for lever, direction, line in self.lines:
            limit = lever.grains(direction)
            found = line.last_that_holds(limit)
            self.reach[lever.name, lever.subject, direction] = found.place
            value = lever.value(direction * found.place)
            stops = tuple(line.stops(found.place + 1)) if found.place < limit else ()
            self._tell()
            yield Limit(lever, direction, value, stops, found.plain, line.looked_at)

    def mended(self) -> Iterator[Missed]:
        """Yield every missed target with what mends it."""
        for room in ROOMS:
            for key, verdict in self.present.room(room).items():
                if verdict.status == "missed":
                    yield self._mended(key, room, verdict)
                    self._tell()

    def _tell(self) -> None:
        self._done += 1
        if self._progress:
            self._progress(self._done, len(self.lines) + len(self.missed_now))

    def _mended(self, key: Key, room: Room, verdict: Verdict) -> Missed:
        mends: list[Mend] = []
        breaks: list[tuple[Move, Verdict]] = []
        for lever, direction, line in self.lines:
            grains = line.first_that_meets(key, room, lever.grains(direction))
            if grains is None:
                continue
            move = Move(lever, lever.value(direction * grains))
            stop = next(line.stops(grains), None)
            if stop is not None:
                breaks.append((move, stop))
            elif (mend := self._checked((move,), line.at(grains), key)) is not None:
                mends.append(mend)
        if not mends:
            mends = list(self._pairs(key, room))
        mends.sort(key=lambda mend: mend.size)
        return Missed(verdict, tuple(mends[:MOST_MENDS]), tuple(breaks))

    def _checked(self, moves: tuple[Move, ...], trial: Trial, key: Key) -> Mend | None:
        """Return a mend if all of it holds on the plan that has it."""
        if any(trial.missed(ASKED, self.missed_now)):
            return None
        then = trial.verdicts().get(key)
        if then is None or then.status != "met":
            return None
        return Mend(moves, then, not any(trial.missed(ROOMS)))

    # Pairs ---------------------------------------------------------------------------------------------

    def _pairs(self, key: Key, room: Room) -> Iterator[Mend]:
        """Yield for each pair of levers that mends a target the smallest such pair of moves found."""
        helpful = [
            (lever, direction, line)
            for lever, direction, line in self.lines
            if self._helps(key, room, lever, direction, line)
        ]
        for (first, up, line), (second, other, _) in combinations(helpful, 2):
            if (first.name, first.subject) == (second.name, second.subject):
                continue
            found = list(self._pair(key, room, (first, up, line), (second, other)))
            if found:
                yield min(found, key=lambda mend: mend.size)

    def _helps(self, key: Key, room: Room, lever: Lever, direction: int, line: Line) -> bool:
        """Tell whether a lever, moved as far as it may alone, brings a target nearer."""
        grains = self.reach[lever.name, lever.subject, direction]
        before, after = self.present.room(room)[key], line.at(grains).room(room).get(key)
        if not grains or after is None:
            return False
        if after.margin is None or before.margin is None:
            return after.status == "met"
        return after.margin > before.margin

    def _after(self, move: Move, begin: Trial, lever: Lever, direction: int) -> Line:
        key = (move, lever, direction)
        if key not in self._second:
            self._second[key] = self.line(lever, direction, move, begin)
        return self._second[key]

    def _pair(
        self, key: Key, room: Room, one: tuple[Lever, int, Line], other: tuple[Lever, int]
    ) -> Iterator[Mend]:
        (first, up, way), (second, direction) = one, other
        alone = self.reach[first.name, first.subject, up]
        limit = self.reach[second.name, second.subject, direction]
        for grains in dict.fromkeys(-(-alone * part.numerator // part.denominator) for part in PARTS):
            move = Move(first, first.value(up * grains))
            line = self._after(move, way.at(grains), second, direction)
            further = line.first_that_meets(key, room, limit)
            if further is None:  # with less of the first it will not be either
                return
            moves = (move, Move(second, second.value(direction * further)))
            mend = self._checked(moves, line.at(further), key)
            if mend is not None:
                yield mend
