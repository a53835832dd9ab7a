"""Plans with levers moved, evaluated once each, and the search for the move at which something changes.

Nothing is extrapolated: a move counts only if the plan with it went through every budget. Straight lines
through margins choose where to look next and decide nothing.

The walk through all faults takes longer than all else together. So a search is made without it first, and
again with it only where its verdicts do not hold at what was found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import isqrt
from typing import NamedTuple

from chainplan.evaluation import Evaluation
from chainplan.plan.checks import check_plan
from chainplan.quantity import COUNT
from chainplan.verdicts import ROOMS, WALKS, Room
from chainplan.verdicts.verdict import Verdict, first_crossing

Key = tuple[str, str]
"""A verdict's target and subject."""

LOOKING = tuple(room for room in ROOMS if room not in WALKS)


REFUSED = "plan refused"
"""Stands in place of a target where a plan file could not hold the value; the subject says why."""


class Trial:
    """One moved plan: its verdicts, room by room, each worked out when first asked for.

    A plan that would be refused has but one verdict, that it is none; its subject says why.
    """

    def __init__(self, evaluation: Evaluation, refusal: Verdict | None = None) -> None:
        self.evaluation = evaluation
        self.refusal = refusal
        self._rooms: dict[Room, dict[Key, Verdict]] = {}

    def room(self, room: Room) -> dict[Key, Verdict]:
        """Return the verdicts of one room, by target and subject."""
        if self.refusal is not None:
            return {}
        if room not in self._rooms:
            self._rooms[room] = {verdict.key: verdict for verdict in room(self.evaluation)}
        return self._rooms[room]

    def verdicts(self, rooms: Iterable[Room] = ROOMS) -> dict[Key, Verdict]:
        """Return the verdicts of some rooms."""
        return {key: verdict for room in rooms for key, verdict in self.room(room).items()}

    def missed(self, rooms: Iterable[Room], but: frozenset[Key]) -> list[Verdict]:
        """Return what is missed, except what is named."""
        if self.refusal is not None:
            return [self.refusal]
        found = self.verdicts(rooms)
        return [each for key, each in found.items() if each.status == "missed" and key not in but]


def checked(evaluation: Evaluation) -> Trial:
    """Return the trial of a plan whose values were moved: refused where a plan file would be."""
    errors = (each for each in check_plan(evaluation.plan, suspect=False) if each.severity == "error")
    error = next(errors, None)
    if error is None:
        return Trial(evaluation)
    return Trial(
        evaluation, Verdict(REFUSED, error.message, None, "at most", None, COUNT, "", boundless=True)
    )


class Found(NamedTuple):
    """The most grains that hold, and what is missed one grain further; nothing at the limit.

    It is not `plain` where something nearer than a plan that holds was seen to miss a target.
    """

    grains: int
    stops: tuple[Verdict, ...]
    plain: bool


class Line:
    """The plans along one lever's way: `at(n)` is the plan n grains from the present one.

    `missed_now` is what the present plan misses; it stops nothing.
    """

    def __init__(self, present: Trial, moved: Callable[[int], Trial], missed_now: frozenset[Key]) -> None:
        self._moved = moved
        self._missed_now = missed_now
        self._trials = {0: present}

    @property
    def looked_at(self) -> int:
        """Return how many plans were evaluated, the present one apart."""
        return len(self._trials) - 1

    def at(self, grains: int) -> Trial:
        """Return the plan so many grains away."""
        if grains not in self._trials:
            self._trials[grains] = self._moved(grains)
        return self._trials[grains]

    def stops(self, grains: int, rooms: Iterable[Room] = ROOMS) -> list[Verdict]:
        """Return what is missed there that the present plan does not miss."""
        return self.at(grains).missed(rooms, self._missed_now)

    def changing(self, grains: int) -> list[Room]:
        """Return the rooms that a move so far changes anything in, walks apart.

        What it leaves alone is not looked at on the way there; it is at the end.
        """
        there, here = self.at(grains), self.at(0)
        return [room for room in LOOKING if there.room(room) != here.room(room)]

    def last_that_holds(self, limit: int) -> Found:
        """Return the most grains up to `limit` that miss nothing new, and what is missed one further."""
        most, plain = limit, True
        rooms = self.changing(limit)
        while True:
            if self.stops(most, rooms):
                most = self._between(0, most, rooms)
            if self.stops(most):  # in a room that did not change at the far end, or on a walk
                rooms = list(ROOMS)
                continue
            nearer = next(
                (n for n in self._unseen(most) if self.stops(n, self._looked_for(n, most, rooms))), None
            )
            if nearer is None:
                return Found(most, tuple(self.stops(most + 1, rooms)) if most < limit else (), plain)
            most, plain = nearer, False

    def _looked_for(self, grains: int, end: int, rooms: list[Room]) -> Iterable[Room]:
        """Return the rooms to look at at: in the middle also those in which nothing changed at the end."""
        return LOOKING if grains == end // 2 else rooms

    def _unseen(self, grains: int) -> list[int]:
        """Return places on the way that no plan was looked at near, the nearest first."""
        quarters = {grains // 4, grains // 2, 3 * grains // 4} - {0, grains}
        return sorted(
            place for place in quarters if not any(abs(place - seen) <= grains // 8 for seen in self._trials)
        )

    def _between(self, low: int, high: int, rooms: Iterable[Room]) -> int:
        """Return a number of grains that holds while the next does not; `low` holds, `high` does not."""
        halve = False
        while high - low > 1:
            width = high - low
            guess = None if halve else self._crossing(low, high, rooms)
            if guess is None:
                guess = _middle(low, high)
            guess = min(max(guess, low + 1), high - 1)
            if self.stops(guess, rooms):
                high = guess
            else:
                low = guess
            halve = 2 * (high - low) > width
        return low

    def _crossing(self, low: int, high: int, rooms: Iterable[Room]) -> int | None:
        """Return where the first margin crosses zero, on straight lines between two plans."""
        return first_crossing(low, self.at(low).verdicts(rooms), high, self.stops(high, rooms))

    def first_that_meets(self, key: Key, room: Room, limit: int) -> int | None:
        """Return the fewest grains at which a target missed now is met; None if it is not at `limit`."""

        def verdict(grains: int) -> Verdict | None:
            return self.at(grains).room(room).get(key)

        def met(grains: int) -> bool:
            found = verdict(grains)
            return found is not None and found.status == "met"

        if not met(limit):
            return None
        low, high = 0, limit
        halve = False
        while high - low > 1:
            width = high - low
            crossing = None if halve else _rise(low, verdict(low), high, verdict(high))
            guess = _middle(low, high) if crossing is None else crossing
            guess = min(max(guess, low + 1), high - 1)
            if met(guess):
                high = guess
            else:
                low = guess
            halve = 2 * (high - low) > width
        return high


def _rise(low: int, missed: Verdict | None, high: int, met: Verdict | None) -> int | None:
    """Return where a margin rises to zero, on a straight line between two plans; None where it has none."""
    start = missed.margin if missed else None
    end = met.margin if met else None
    if start is None or end is None or start >= 0 or end < 0:
        return None
    return low + -(-(high - low) * -start // (end - start))


def _middle(low: int, high: int) -> int:
    """Return a place between two: far apart the geometric middle, for most of what is looked for is near."""
    if low < high // 8:
        return max(low + 1, isqrt(max(low, 1) * high))
    return (low + high) // 2
