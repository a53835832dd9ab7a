"""The search for the last place that holds, on ways whose answer is known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Figure, Figures, Kind
from chainplan.headroom import search
from chainplan.headroom.search import Line
from chainplan.headroom.trials import REFUSED, Key, Trial
from chainplan.quantity import COUNT

Margin = Callable[[int], int]
FREE: Margin = lambda place: 1  # noqa: E731

REFUSAL = REFUSED("too much", boundless=True)

KINDS = {
    name: Kind[int](name, COUNT, ("subject",), "targets", lambda margin: margin, sense="at least")
    for name in ("likely", "rare", "walk", "another")
}


class Place(Evaluation):
    """Stands for the evaluation of the plan at a place."""

    def __init__(self, place: int, way: Way) -> None:
        self.place, self.way = place, way
        self.known: dict[Kind[Any], Figures] = {}

    def limited(self, kind: Kind[Any]) -> Figures:
        """Return what the way says of a kind here."""
        if kind.name == "another":
            return Figures()
        if kind not in self.known:
            self.way.asked[kind.name, self.place] += 1
            margin = getattr(self.way, kind.name)(self.place)
            self.known[kind] = Figures([kind("", item=margin, limit=0)])
        return self.known[kind]


def key(kind: str) -> Key:
    return kind, ""


def missed(kind: str) -> Figure:
    return KINDS[kind]("", item=-1, limit=0)


@dataclass
class Way:
    """A way on which the target of each of three kinds has a given margin; refused from a place on.

    The kinds are asked in the order likely, rare, walk.
    """

    monkeypatch: pytest.MonkeyPatch
    likely: Margin = FREE
    rare: Margin = FREE
    walk: Margin = FREE
    refused: int | None = None
    asked: Counter[tuple[str, int]] = field(default_factory=Counter)
    made: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        walks_last = tuple(KINDS[name] for name in ("likely", "rare", "walk"))
        self.monkeypatch.setattr(search, "LOOKING", walks_last[:2])
        self.monkeypatch.setattr(search, "WALKS_LAST", walks_last)
        self.monkeypatch.setattr(Line.stops, "__defaults__", (walks_last,))
        self.monkeypatch.setattr(Line.holds, "__defaults__", (walks_last,))
        self.monkeypatch.setattr(search, "ASKED", walks_last)
        self.line = Line(self._at)

    def _at(self, place: int) -> Trial:
        self.made.append(place)
        refused = self.refused is not None and place >= self.refused
        return Trial(Place(place, self), REFUSAL if refused else None)

    def stops(self, place: int) -> list[str]:
        return [verdict.target for verdict in self.line.stops(place)]

    def walks(self) -> set[int]:
        """Return the places that were walked at."""
        return {place for name, place in self.asked if name == "walk"}


SHAPES: dict[str, Callable[[int], Margin]] = {
    "line": lambda last: lambda place: last - place,
    "cliff": lambda last: lambda place: 1 if place <= last else -1,
    "bent": lambda last: lambda place: 10**6 + last - place if place <= last else (last - place) ** 3,
    "stairs": lambda last: lambda place: (last - place) // 1000 * (1000 if place > last else 1),
    "falling": lambda last: lambda place: 10**20 // (place + 1) - 10**20 // (last + 1),
}


@pytest.mark.parametrize("first", [None, 0, 2, 350])
@pytest.mark.parametrize("last", [0, 1, 2, 17, 349, 350, 351, 12_345, 99_999_999, 10**8])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_last_that_holds_is_found(
    monkeypatch: pytest.MonkeyPatch, shape: str, last: int, first: int | None
) -> None:
    way = Way(monkeypatch, SHAPES[shape](last))
    assert way.line.last_that_holds(10**8, first) == (last, True)
    assert way.stops(last + 1) == ["likely"]
    assert len(way.made) < 75  # bisection alone takes 27, and half of the looks are guesses


@pytest.mark.parametrize("limit", [1, 2, 7, 1000, 10**6])
@pytest.mark.parametrize("last", [0, 1, 5, 999, 123_456])
def test_nothing_is_looked_at_beyond_the_limit(
    monkeypatch: pytest.MonkeyPatch, limit: int, last: int
) -> None:
    way = Way(monkeypatch, SHAPES["line"](last))
    for first in (None, min(limit, 3)):
        assert way.line.last_that_holds(limit, first) == (min(last, limit), True)
    assert max(place for _, place in way.asked) <= limit


def test_a_straight_margin_needs_few_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, SHAPES["line"](123_456))
    way.line.last_that_holds(10**6)
    # the begin, the limit, the crossing and the place after it, three on the way and one farther
    assert len(way.made) == 8


def test_what_is_near_is_found_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, refused=13)  # which has no margin to go by
    assert way.line.last_that_holds(10**18) == (12, True)
    assert len(way.made) < 20  # bisection takes 60


def test_walks_are_asked_last() -> None:
    walks = kinds("single faults")
    assert set(search.LOOKING) == set(kinds()) - set(walks)
    for order in (search.ASKED, search.WALKS_LAST):
        assert len(order) == len(kinds())
        assert set(order[: -len(walks)]) == set(search.LOOKING)


def test_growing_from_a_first_place_at_most_doubles(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, SHAPES["line"](5000))
    way.line.last_that_holds(10**6, 100)
    farthest = 100
    for place in way.made:
        assert place <= 2 * farthest + 2
        farthest = max(farthest, place)
    assert farthest == 10_002  # twice as far as what holds


@pytest.mark.parametrize("hole", [(20, 30), (24, 40), (45, 60), (60, 90)])
def test_a_hole_on_the_way_is_seen_and_said(monkeypatch: pytest.MonkeyPatch, hole: tuple[int, int]) -> None:
    first, last = hole
    way = Way(monkeypatch, lambda place: place - 200 if first <= place <= last else 200 - place)
    assert way.line.last_that_holds(100) == (first - 1, False)


def test_what_was_looked_at_near_is_not_looked_at_again(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch)
    assert way.line.last_that_holds(1000, 520) == (1000, True)
    assert sorted(way.made) == [0, 250, 520, 750, 1000]


@pytest.mark.parametrize(("limit", "plain"), [(1000, False), (80, False), (79, True)])
def test_a_hole_found_first_is_said_too(monkeypatch: pytest.MonkeyPatch, limit: int, plain: bool) -> None:
    way = Way(monkeypatch, lambda place: -1 if 40 <= place <= 60 else 1)
    assert way.line.last_that_holds(limit, 50) == (39, plain)  # twice as far, at 80, it holds again


def test_half_way_every_room_is_asked_but_no_walk(monkeypatch: pytest.MonkeyPatch) -> None:
    """A room in which the way changes nothing up to its end is asked there alone."""
    way = Way(monkeypatch, lambda place: place, rare=lambda place: -1 if 400 <= place <= 600 else 1)
    assert way.line.last_that_holds(1000) == (399, False)
    way = Way(monkeypatch, lambda place: place, rare=lambda place: -1 if 200 <= place <= 300 else 1)
    assert way.line.last_that_holds(1000) == (1000, True)
    assert {place for name, place in way.asked if name == "likely"} == {0, 250, 500, 750, 1000}
    assert way.walks() == {0, 1000}


def test_rooms_are_asked_where_all_before_them_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    """The walk alone stops at 100, the rest far beyond: it is asked on the way to there, and only there."""
    way = Way(monkeypatch, SHAPES["line"](5000), SHAPES["line"](900), SHAPES["line"](100))
    assert way.line.last_that_holds(10_000) == (100, True)
    assert way.stops(101) == ["walk"]
    assert max(way.walks()) == 900
    assert not any(name == "rare" for name, place in way.asked if place > 5000)


def test_all_that_stops_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, *(SHAPES["line"](100),) * 3)
    assert way.line.last_that_holds(10_000) == (100, True)
    assert way.stops(101) == ["likely", "rare", "walk"]


def test_a_plan_that_would_be_refused_stops_and_is_not_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, refused=301)
    assert way.line.last_that_holds(1000) == (300, True)
    assert way.stops(301) == [REFUSED.name]
    assert max(place for _, place in way.asked) == 300
    # nearer than that a target is missed
    way = Way(monkeypatch, SHAPES["line"](200), refused=301)
    assert way.line.last_that_holds(1000) == (200, True)
    assert way.stops(201) == ["likely"]


def test_what_the_begin_misses_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, lambda place: -place - 1, SHAPES["line"](30))
    assert list(way.line.missed_anyhow) == [key("likely")]
    assert way.line.last_that_holds(50) == (30, True)
    assert way.stops(31) == ["rare"]


def test_no_plan_is_made_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, SHAPES["falling"](30))
    way.line.last_that_holds(5000)
    assert len(way.made) == len(set(way.made))
    assert max(way.asked.values()) == 1
    line = Line(
        lambda place: pytest.fail("made again") if place == 0 else Trial(Place(place, way)), way.line.at(0)
    )
    assert line.last_that_holds(50) == (30, True)


@pytest.mark.parametrize("first", [1, 2, 77, 1000])
@pytest.mark.parametrize("far", [2, 10, 1000])
def test_the_first_that_meets_is_found(monkeypatch: pytest.MonkeyPatch, first: int, far: int) -> None:
    for margin in (lambda place: place - first, lambda place: 1 if place >= first else -1):
        way = Way(monkeypatch, margin)
        assert way.line.first_that_meets(missed("likely"), far * first - 1) == first
        assert {name for name, _ in way.asked} == {"likely"}


def test_a_straight_rise_needs_few_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, lambda place: 3 * place - 230_000)
    assert way.line.first_that_meets(missed("likely"), 10**6) == 76_667
    assert len(way.made) == 4  # the ends, the crossing and the place before it


def test_what_is_not_met_at_the_end_is_not_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, lambda place: place - 100)
    assert way.line.first_that_meets(missed("likely"), 99) is None
    assert way.line.first_that_meets(missed("another"), 100) is None
    assert way.made == [99, 100]


def test_a_plan_that_would_be_refused_meets_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    way = Way(monkeypatch, lambda place: place - 100, refused=500)
    assert way.line.first_that_meets(missed("likely"), 499) == 100
    assert way.line.first_that_meets(missed("likely"), 500) is None
