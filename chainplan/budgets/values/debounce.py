"""How many readings it takes until a fault is recognised, whichever of them are lost.

The counter stands at 0 when the fault comes: that is worst. From then on every reading is bad, or lost as far
as the plan tolerates it. The automaton of the counter and the losses still tolerated are walked together; the
longest walk to recognition counts. Where a walk comes back to where it was, losses can keep the fault from
being recognised for good.

An evaluation that judges the newest reading only may pass others by. They wait for no one: losses among them
are tolerated like any.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Literal, NamedTuple

from chainplan.figures.terms import Case
from chainplan.plan.layout import EvaluationPlan, ReadingEvaluation
from chainplan.plan.schedule import Hazard

Loss = Literal["reset", "hold", "count as bad", "count as good"]


class Rule(NamedTuple):
    """What makes a fault: a row of `goal` readings, a counter at it, or a row that lasts `goal` periods."""

    kind: Literal["row", "counter", "time"]
    goal: int
    up: int
    down: int
    on_lost: Loss


class Tolerated(NamedTuple):
    """How many readings may be lost: in any `within` in a row, or, None, in all."""

    most: int
    within: int | None


class UntilFound(NamedTuple):
    """What it takes at most: readings, and how many of them are lost."""

    readings: int
    lost: int


_Left = int | tuple[int, ...]
"""The losses still tolerated, or the last readings, 1 for a lost one."""
_State = tuple[int, _Left]
"""The counter, and what of the losses is left."""


def rule_of(hazard: Hazard, periods: int) -> Rule:
    """Return the rule of a hazard; `periods` are those that its debounce time takes."""
    if hazard.debounce_time is not None:
        return Rule("time", periods, 1, 1, hazard.on_lost)
    if hazard.counter is not None:
        return Rule("counter", hazard.debounce, hazard.counter.up, hazard.counter.down, hazard.on_lost)
    return Rule("row", hazard.debounce, 1, 1, hazard.on_lost)


def tolerated_of(hazard: Hazard) -> Tolerated:
    """Return which readings of a hazard may be lost."""
    return Tolerated(hazard.lost_readings, hazard.lost_within)


def hits_until_found(hazard: Hazard, goal: int, case: Case) -> UntilFound:
    """Return the checks of a node until it raises an alarm; so many in all may be lost as of readings."""
    lost = hazard.lost_readings if case is Case.WORST else 0
    found = until_found(Rule("row", goal, 1, 1, hazard.on_lost), Tolerated(lost, None))
    assert found is not None  # losses come to an end
    return found


def lost_words(hazard: Hazard, lost: int) -> str:
    """Return what is said of lost readings beside a number of readings."""
    return f", {lost} lost{_LOST[hazard.on_lost]}" if lost else ""


_LOST: dict[Loss, str] = {
    "reset": ", each starting anew",
    "hold": "",
    "count as bad": ", counted as bad",
    "count as good": ", counted as good",
}


@lru_cache(maxsize=4096)
def until_found(rule: Rule, losses: Tolerated, unjudged: int = 0, dearer: int = 0) -> UntilFound | None:
    """Return the readings until a fault is recognised at the latest; None where it may be never.

    `unjudged` readings at most pass by before each that is judged. Of walks that differ, the one counts that
    lasts longest where a lost reading takes `dearer` thousandths of a period more than another one.
    """
    first: _State = (-1 if rule.kind == "time" else 0, (losses.most if losses.within is None else ()))
    longest: dict[_State, UntilFound] = {}
    open_since: dict[_State, None] = {first: None}
    ways = [(first, list(_steps(first, rule, losses, unjudged)))]
    while ways:
        state, steps = ways[-1]
        onward = next((after for after, _ in steps if after is not None and after not in longest), None)
        if onward is not None:
            if onward in open_since:
                return None
            open_since[onward] = None
            ways.append((onward, list(_steps(onward, rule, losses, unjudged))))
            continue
        found = []
        for after, lost in steps:
            more = longest[after] if after is not None else UntilFound(0, 0)
            found.append(UntilFound(1 + more.readings, lost + more.lost))
        longest[state] = max(found, key=lambda each: (1000 * each.readings + dearer * each.lost, each))
        del open_since[state]
        ways.pop()
    return longest[first]


def _steps(
    state: _State, rule: Rule, losses: Tolerated, unjudged: int
) -> Iterator[tuple[_State | None, int]]:
    """Yield what the next judged reading may lead to, None being recognition, and whether it is lost."""
    counter, left = state
    passed: set[_Left] = {left}
    for _ in range(min(unjudged, losses.within or losses.most)):
        passed |= {
            after for each in passed for lost in (0, 1) if (after := _taken(each, losses, lost)) is not None
        }
    for each in passed:
        for lost in (0, 1):
            after = _taken(each, losses, lost)
            if after is not None:
                count = _counted(counter, rule, lost)
                yield None if count is None else (count, after), lost


def _taken(left: _Left, losses: Tolerated, lost: int) -> _Left | None:
    """Return what of the tolerance is left after a reading; None where it may not be lost."""
    if isinstance(left, int):
        return left - lost if left >= lost else None
    if lost and sum(left) >= losses.most:
        return None
    assert losses.within is not None
    return (*left, lost)[-(losses.within - 1) :] if losses.within > 1 else ()


def _counted(counter: int, rule: Rule, lost: int) -> int | None:
    """Return the counter after a reading; None where it recognises the fault."""
    if rule.kind == "time":
        return _timed(counter, rule, lost)
    if not lost or rule.on_lost == "count as bad":
        counter += rule.up
    elif rule.on_lost == "count as good":
        counter = max(0, counter - rule.down) if rule.kind == "counter" else 0
    elif rule.on_lost == "reset":
        counter = 0
    return None if counter >= rule.goal else counter


def _timed(counter: int, rule: Rule, lost: int) -> int | None:
    """Return the periods since the first of a row of bad readings; -1 before it."""
    if lost and rule.on_lost == "hold":
        return counter if counter < 0 else min(counter + 1, rule.goal)
    if lost and rule.on_lost != "count as bad":
        return -1
    counter = min(counter + 1, rule.goal)
    return None if counter >= rule.goal else counter


def judges_all(evaluation: EvaluationPlan) -> bool:
    """Tell whether an evaluation looks at every reading, not at the newest one only."""
    return isinstance(evaluation, ReadingEvaluation) and evaluation.judges == "all"


class Judging(NamedTuple):
    """How an evaluation meets readings: each `step` fs at most after the one before, `unjudged` passed by."""

    step: int
    unjudged: int


def judged_by(evaluation: EvaluationPlan, shortest: int, longest: int, spread: int) -> Judging:
    """Return how readings are judged that come every `shortest` to `longest` fs, late by 0 to `spread` fs.

    Where all are judged, in their order, none waits for more than the next evaluation. The newest one only:
    an evaluation with a period H as long as P + J or longer finds something new each time and passes others
    by; one with H up to P - J passes none by; between them, one that has just looked in vain needs
    ceil((P + J) / H) runs until it finds the next, so that it runs by P + J + H at the latest.
    """
    least, most = evaluation.period.min, evaluation.period.max
    if judges_all(evaluation):
        return Judging(longest, 0)
    unjudged = max(0, -(-(most + spread) // shortest) - 1)
    if most <= shortest - spread:
        return Judging(longest, 0)
    if least >= longest + spread:
        return Judging(most, unjudged)
    runs = -(-(longest + spread) // least)
    return Judging(min(longest + spread + most, runs * most), unjudged)
