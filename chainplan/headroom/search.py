"""The search for the last plan on a way at which no further target is missed.

Nothing is extrapolated: a place on the way counts only if the plan there went through every budget, and so
did the one after it. Straight lines through margins choose where to look next and decide nothing.

What stops a way at one place mostly stops it near by. So on the way to a place only the kind of figure is
asked that missed something farther on, and all kinds at the place found; if one of them misses something
there, the search goes on before it with that kind. The walk through all faults, which takes longer than all
else together, is asked last, where all else holds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cached_property, partial
from math import isqrt
from typing import Any, NamedTuple

from chainplan.evaluation import kinds
from chainplan.figures.figure import Figure, Kind, first_crossing
from chainplan.figures.sections import WALKING
from chainplan.headroom.trials import Key, Trial

_WALKS = kinds(*WALKING)

LOOKING = tuple(kind for kind in kinds() if kind not in _WALKS)
"""The kinds of figure that take no walk through the faults."""

WALKS_LAST = (*LOOKING, *_WALKS)

_LIKELY = kinds("scan", "sample age", "bytes", "fault handling", "isolation", "link budget")
"""What mostly stops a way, and is judged faster than the rest."""

ASKED = (*_LIKELY, *(kind for kind in WALKS_LAST if kind not in _LIKELY))
"""The order in which kinds are asked whether they stop a way."""


class Found(NamedTuple):
    """The last place at which nothing further is missed; not `plain` if something farther on held again."""

    place: int
    plain: bool


class Line:
    """The plans along a way: `moved(n)` is the one n steps from its begin.

    What the plan at the begin misses stops nothing. `begin` is that plan's trial where it is there already.
    """

    def __init__(self, moved: Callable[[int], Trial], begin: Trial | None = None) -> None:
        self._moved = moved
        self._trials = {} if begin is None else {0: begin}

    def at(self, place: int) -> Trial:
        """Return the plan at a place."""
        if place not in self._trials:
            self._trials[place] = self._moved(place)
        return self._trials[place]

    @cached_property
    def missed_anyhow(self) -> dict[Key, Figure]:
        """Return what the plan at the begin misses."""
        found = self.at(0).verdicts(WALKS_LAST)
        return {key: each for key, each in found.items() if each.status == "missed"}

    def stops(self, place: int, of: Iterable[Kind[Any]] = ASKED) -> Iterator[Figure]:
        """Yield what is missed at a place and not at the begin, kind by kind as it is asked for."""
        return self.at(place).missed(of, self.missed_anyhow)

    def holds(self, place: int, of: Iterable[Kind[Any]] = ASKED) -> bool:
        """Tell whether nothing is missed there that is not missed at the begin."""
        return next(self.stops(place, of), None) is None

    def last_that_holds(self, limit: int, first: int | None = None) -> Found:
        """Return the last place up to `limit` that holds, while the next one does not.

        It is looked for from `first` on, or from the limit. On the way to it some places more are looked at,
        and one beyond it.
        """
        (most, stopping), plain = self._last(limit, limit if first is None else first), True
        while (nearer := self._missing_on_the_way(most)) is not None:
            (most, stopping), plain = self._last(nearer, nearer), False
        farther = 2 * most + 2
        return Found(most, plain and not (farther <= limit and self.holds(farther, (*stopping, *ASKED))))

    def _last(self, limit: int, place: int) -> tuple[int, tuple[Kind[Any], ...]]:
        """Return the last place before a miss that is found from `place` on, and the kinds that miss."""
        low, high = 0, limit + 1
        stopping: tuple[Kind[Any], ...] = ()
        while True:
            found = self._stopped_by(place)
            if found is not None:
                stopping = found
                place = edge(low, place, partial(self._look, found))
                high = place + 1
            elif place + 1 == high:
                return place, stopping
            else:  # no miss yet
                low, place = place, min(2 * place + 2, limit)

    def _stopped_by(self, place: int) -> tuple[Kind[Any], ...] | None:
        """Return the first kind that misses something; none at all where there is no plan to ask."""
        if self.at(place).refusal is not None:
            return ()
        return next(((kind,) for kind in ASKED if not self.holds(place, (kind,))), None)

    def _look(self, of: tuple[Kind[Any], ...], place: int) -> _Look:
        stops = tuple(self.stops(place, of))
        return _Look(not stops, self.at(place).verdicts(of), stops)

    def _missing_on_the_way(self, most: int) -> int | None:
        """Return the first of some places before one that holds at which something is missed.

        They are places that no plan was looked at near. Asked are the kinds of which the way there changes
        anything; half way all of them, but no walks.
        """
        seen = list(self._trials)
        places = [
            place
            for place in (most // 4, most // 2, 3 * most // 4)
            if all(abs(place - other) > most // 8 for other in (0, most, *seen))
        ]
        if not places:
            return None
        begin, end = self.at(0), self.at(most)
        changed = [kind for kind in LOOKING if begin.of_kind(kind).judged != end.of_kind(kind).judged]
        return next(
            (place for place in places if not self.holds(place, LOOKING if place == most // 2 else changed)),
            None,
        )

    def first_that_meets(self, missed: Figure, limit: int) -> int | None:
        """Return the first place that meets a target missed at the begin; None if it is missed at `limit`."""
        key = missed.key

        def look(place: int) -> _Look:
            verdict = self.at(place).of_kind(missed.kind).by_key.get(key)
            found = {} if verdict is None else {key: verdict}
            return _Look(verdict is not None and verdict.status == "met", found, tuple(found.values()))

        return edge(limit, 0, look) if look(limit).holds else None


class _Look(NamedTuple):
    """Whether a place holds, its verdicts, and those that stop."""

    holds: bool
    verdicts: Mapping[Key, Figure]
    stops: tuple[Figure, ...]


_MOST_GUESSES = 2
"""Interpolation steps allowed without halving the interval, before bisecting: a linear margin takes two."""


def edge(holding: int, missing: int, look: Callable[[int], _Look]) -> int:
    """Return the last place that holds on the way from one that does to one that does not.

    The next place on that way does not hold. Where straight lines through margins do not halve what is left,
    the middle comes next.
    """
    towards = 1 if missing > holding else -1
    slow = 0
    while (width := abs(missing - holding)) > 1:
        near, far = sorted((holding, missing))
        there = look(missing)
        crossing = (
            None if slow >= _MOST_GUESSES else first_crossing(0, look(holding).verdicts, width, there.stops)
        )
        place = _middle(near, far) if crossing is None else holding + towards * crossing
        place = min(max(place, near + 1), far - 1)
        if look(place).holds:
            holding = place
        else:
            missing = place
        slow = slow + 1 if 2 * abs(missing - holding) > width else 0
    return holding


def _middle(low: int, high: int) -> int:
    """Return a place between two: far apart the geometric middle, for most of what is looked for is near."""
    if low < high // 8:
        return max(low + 1, isqrt(max(low, 1) * high))
    return (low + high) // 2
