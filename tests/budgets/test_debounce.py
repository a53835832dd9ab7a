"""Readings until a fault is recognised: the automaton beside closed forms and plain enumeration.

All by hand: common practice of debouncing, no source.
"""

from __future__ import annotations

from itertools import product
from math import ceil
from typing import Literal

import pytest

from chainplan.budgets.values.debounce import Loss, Rule, Tolerated, UntilFound, judged_by, until_found
from chainplan.plan.layout import ReadingEvaluation
from chainplan.quantity import Span


def row(goal: int, on_lost: Loss) -> Rule:
    return Rule("row", goal, 1, 1, on_lost)


def readings(rule: Rule, losses: Tolerated, unjudged: int = 0) -> int | None:
    found = until_found(rule, losses, unjudged)
    return None if found is None else found.readings


@pytest.mark.parametrize("goal", range(1, 7))
@pytest.mark.parametrize("lost", range(5))
def test_a_row(goal: int, lost: int) -> None:
    in_all, in_a_row = Tolerated(lost, None), Tolerated(lost, lost + 1)
    assert readings(row(goal, "hold"), in_all) == goal + lost
    assert readings(row(goal, "reset"), in_all) == goal * (lost + 1)
    assert readings(row(goal, "count as good"), in_all) == goal * (lost + 1)
    assert readings(row(goal, "count as bad"), in_all) == goal
    assert readings(row(goal, "hold"), in_a_row) == goal * (lost + 1)
    for on_lost in ("reset", "count as good"):
        expected = None if lost and goal > 1 else goal + lost
        assert readings(row(goal, on_lost), in_a_row) == expected


@pytest.mark.parametrize("goal", range(1, 5))
@pytest.mark.parametrize(("lost", "within"), [(1, 2), (1, 4), (2, 3), (2, 7), (3, 8), (1, 8)])
def test_a_row_with_losses_again_and_again(goal: int, lost: int, within: int) -> None:
    losses = Tolerated(lost, within)
    assert readings(row(goal, "hold"), losses) == goal + lost * ceil(goal / (within - lost))
    expected = goal * (lost + 1) if lost * goal < within else None
    assert readings(row(goal, "reset"), losses) == expected


def test_by_hand() -> None:
    # Three in a row, one reading lost: it falls on the third one, and the row starts anew.
    assert readings(row(3, "reset"), Tolerated(1, None)) == 6
    assert readings(row(3, "reset"), Tolerated(1, 4)) == 6
    assert readings(row(3, "reset"), Tolerated(1, 3)) is None
    # A counter to 10, 3 up and 2 down, two readings lost.
    counter = {on: Rule("counter", 10, 3, 2, on) for on in ("hold", "count as good", "reset", "count as bad")}
    assert [readings(rule, Tolerated(2, None)) for rule in counter.values()] == [6, 7, 12, 4]
    assert [readings(counter[on], Tolerated(2, 3)) for on in ("hold", "count as good", "reset")] == [
        12,
        None,
        None,
    ]
    small = {on: Rule("counter", 6, 2, 1, on) for on in ("hold", "count as good", "reset", "count as bad")}
    assert [readings(rule, Tolerated(1, None)) for rule in small.values()] == [4, 5, 6, 3]
    assert [readings(small[on], Tolerated(1, 2)) for on in ("hold", "count as good", "reset")] == [
        6,
        10,
        None,
    ]


@pytest.mark.parametrize("periods", range(1, 6))
@pytest.mark.parametrize("lost", range(4))
def test_a_time(periods: int, lost: int) -> None:
    def of(on_lost: Loss) -> Rule:
        return Rule("time", periods, 1, 1, on_lost)

    assert readings(of("hold"), Tolerated(lost, None)) == 1 + periods + lost
    assert readings(of("hold"), Tolerated(lost, lost + 1)) == 1 + periods + 2 * lost
    assert readings(of("reset"), Tolerated(lost, None)) == (periods + 1) * (lost + 1)
    assert readings(of("count as bad"), Tolerated(lost, None)) == 1 + periods


@pytest.mark.parametrize("on_lost", ["hold", "reset", "count as good", "count as bad"])
@pytest.mark.parametrize(("goal", "up", "down"), [(1, 1, 1), (3, 1, 1), (4, 3, 2), (5, 2, 3), (7, 3, 1)])
@pytest.mark.parametrize("lost", range(3))
def test_a_counter_beside_every_pattern(on_lost: Loss, goal: int, up: int, down: int, lost: int) -> None:
    rule = Rule("counter", goal, up, down, on_lost)
    longest = readings(rule, Tolerated(lost, None))
    assert longest is not None
    assert longest == max(
        simulated(rule, pattern)
        for pattern in product("bl", repeat=-(-goal // up) * (lost + 1))
        if pattern.count("l") <= lost
    )


def simulated(rule: Rule, pattern: tuple[str, ...]) -> int:
    """Return after how many readings of a pattern the counter has reached its goal."""
    counter = 0
    for number, each in enumerate(pattern, 1):
        if each == "b" or rule.on_lost == "count as bad":
            counter += rule.up
        elif rule.on_lost == "count as good":
            counter = max(0, counter - rule.down)
        elif rule.on_lost == "reset":
            counter = 0
        if counter >= rule.goal:
            return number
    raise AssertionError("never recognised")


def test_as_many_are_lost_as_may_be() -> None:
    assert until_found(row(3, "count as bad"), Tolerated(2, None)) == UntilFound(3, 2)
    assert until_found(row(2, "reset"), Tolerated(2, None), dearer=5000) == UntilFound(6, 2)


def test_losses_may_fall_on_every_reading_that_is_judged() -> None:
    # Every second reading is judged, one in any two may be lost: always the one that is judged.
    assert readings(row(1, "hold"), Tolerated(1, 2), unjudged=1) is None
    assert readings(row(1, "hold"), Tolerated(1, 2)) == 2
    assert readings(row(3, "hold"), Tolerated(1, None), unjudged=1) == 4


def test_many_readings_are_walked_without_end_of_the_stack() -> None:
    assert readings(row(1000, "reset"), Tolerated(100, None)) == 101_000


def span(value: int) -> Span:
    return Span(value, value, value)


def evaluation(period: int, judges: Literal["newest", "all"] = "newest") -> ReadingEvaluation:
    return ReadingEvaluation.model_construct(period=span(period), run_time=span(0), judges=judges)


@pytest.mark.parametrize(("judges", "count"), [("newest", 3), ("all", 3)])
def test_evaluations_by_hand(judges: Literal["newest", "all"], count: int) -> None:
    # From the fault to the begin of the deciding run: P + J + H + (n - 1) * step, reading on reading.
    def total(period: int, every: int, jitter: int) -> int:
        judged = judged_by(evaluation(every, judges), period, period, jitter)
        return period + jitter + every + (count - 1) * judged.step

    if judges == "all":
        assert [total(100, 200, 0), total(200, 500, 0), total(1000, 200, 0)] == [500, 1100, 3200]
        assert total(100, 100, 1) == 401
    else:
        assert [total(100, 200, 0), total(200, 500, 0), total(1000, 200, 0)] == [700, 1700, 3200]
        # As long as the scan, with any jitter: every second run finds nothing new, P + J + (2 n - 1) H.
        assert total(100, 100, 1) == 601


def exhaustive(period: int, every: int, count: int, jitter: int) -> int:
    """Return the longest time to the begin of the deciding run that judges the newest reading, if it is new.

    Every phase of the evaluation and every lateness of every reading on the grid is tried; the fault comes
    just after the reading at 0, and an arrival at the very instant of a run is not seen by it.
    """
    longest = 0
    for phase in range(every):
        waiting = [(phase, 0, 0)]
        seen: set[tuple[int, int, int]] = set()
        while waiting:
            now, judged, found = waiting.pop()
            if (now, judged, found) in seen:
                continue
            seen.add((now, judged, found))
            surely = max(judged, -(-(now - jitter) // period) - 1 if now > jitter else judged)
            for newest in range(surely, max(judged, -(-now // period) - 1) + 1):
                # what must have been seen before
                if any(number * period + jitter < now - every for number in range(judged + 1, newest + 1)):
                    continue
                more = found + (newest > judged)
                if more == count:
                    longest = max(longest, now)
                else:
                    waiting.append((now + every, newest, more))
    return longest


@pytest.mark.parametrize("period", range(2, 6))
@pytest.mark.parametrize("every", range(1, 12))
def test_the_newest_reading_beside_every_phase_and_lateness(period: int, every: int) -> None:
    for jitter, count in product(range(period), range(1, 4)):
        judged = judged_by(evaluation(every), period, period, jitter)
        bound = period + jitter + every + (count - 1) * judged.step
        worst = exhaustive(period, every, count, jitter)
        assert worst <= bound
        if not jitter or every >= period + jitter or every <= period - jitter or every == period:
            assert worst == bound
