"""The search for the move at which something changes, on lines whose answer is known."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from chainplan.evaluation import Evaluation
from chainplan.headroom import trials
from chainplan.headroom.trials import Line, Trial
from chainplan.quantity import COUNT
from chainplan.verdicts.verdict import Verdict

KEY = ("invented", "")


class Place(Evaluation):
    """Stands for the evaluation of a plan so many grains away."""

    def __init__(self, grains: int) -> None:
        self.grains = grains


def place(grains: int) -> Trial:
    return Trial(Place(grains))


class Steps:
    """A line on which one target has a given margin."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, margin: Callable[[int], int]) -> None:
        def room(evaluation: Evaluation) -> Iterator[Verdict]:
            assert isinstance(evaluation, Place)
            yield Verdict(*KEY, margin(evaluation.grains), "at least", 0, COUNT, "")

        self.room = room
        monkeypatch.setattr(trials, "ROOMS", (room,))
        monkeypatch.setattr(trials, "LOOKING", (room,))
        monkeypatch.setattr(Line.stops, "__defaults__", ((room,),))
        self.line = Line(Trial(Place(0)), place, frozenset())


@pytest.mark.parametrize("limit", [1, 2, 7, 1000, 10**6])
@pytest.mark.parametrize("last", [0, 1, 5, 999, 123_456])
def test_the_last_that_holds_is_found(monkeypatch: pytest.MonkeyPatch, limit: int, last: int) -> None:
    found = Steps(monkeypatch, lambda grains: last - grains).line.last_that_holds(limit)
    assert found.grains == min(last, limit)
    assert bool(found.stops) == (last < limit)
    assert found.plain


def test_a_curved_margin_needs_few_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    falling = Steps(monkeypatch, lambda grains: 10**12 // (grains + 1) - 10**7)
    assert falling.line.last_that_holds(10**6).grains == 99_999
    assert falling.line.looked_at < 45  # bisection alone takes 20; half of the looks are guesses


def test_a_hole_on_the_way_is_seen_and_said(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, lambda grains: -1 if 40 <= grains <= 60 else 1)
    found = steps.line.last_that_holds(100)
    assert found.grains == 39
    assert not found.plain


def test_a_target_missed_now_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, lambda grains: -grains - 1)
    line = Line(Trial(Place(0)), place, frozenset({KEY}))
    assert line.last_that_holds(50).grains == 50
    assert steps.line.stops(0)


@pytest.mark.parametrize("first", [1, 2, 77, 1000])
def test_the_first_that_meets_is_found(monkeypatch: pytest.MonkeyPatch, first: int) -> None:
    steps = Steps(monkeypatch, lambda grains: grains - first)
    assert steps.line.first_that_meets(KEY, steps.room, 1000) == first
    assert steps.line.first_that_meets(KEY, steps.room, 2 * first - 1) == first


def test_what_is_not_met_at_the_end_is_not_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = Steps(monkeypatch, lambda grains: grains - 100)
    assert steps.line.first_that_meets(KEY, steps.room, 99) is None
    assert steps.line.looked_at == 1
