"""Headroom and fixes, each value checked against a plan file that says so, and against sums made by hand."""

from __future__ import annotations

from bisect import bisect_left
from fractions import Fraction
from functools import cache, partial
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Figure, Figures, Kind
from chainplan.headroom import budget
from chainplan.headroom.budget import Headroom, Limit, Missed, _FixSearch, headroom_budget
from chainplan.headroom.movable import parameters
from chainplan.headroom.parameters import Move, moved
from chainplan.headroom.search import Line
from chainplan.headroom.trials import REFUSED, Trial, checked
from chainplan.plan.load import load_plan
from chainplan.plan.problems import PlanError
from chainplan.quantity import COUNT

CONFIGS = Path(__file__).parents[2] / "configs"
TROLLEY = str(CONFIGS / "rail-trolley.yaml")
Key = tuple[str, str]


def evaluated(*settings: str) -> Evaluation:
    return Evaluation(load_plan(TROLLEY, settings).plan)


@cache
def found(*settings: str) -> tuple[Evaluation, Headroom]:
    evaluation = evaluated(*settings)
    return evaluation, headroom_budget(evaluation)


def missed(evaluation: Evaluation) -> set[Key]:
    return {(each.target, each.subject) for each in evaluation.missed}


def status(evaluation: Evaluation, verdict: Figure) -> str:
    (same,) = (each for each in evaluation.verdicts if each.key == verdict.key)
    return same.status


def limit_of(name: str, subject: str, direction: int, *settings: str) -> Limit:
    (found_one,) = (
        limit
        for limit in found(*settings)[1].limits
        if (limit.parameter.name, limit.parameter.subject, limit.direction) == (name, subject, direction)
    )
    return found_one


def new_at(evaluation: Evaluation, move: Move, *settings: str) -> set[Key]:
    """Return what a plan with a move misses anew: a plan file that says so, where a file can."""
    try:
        there = evaluated(*settings, *move.settings) if move.settings else moved(evaluation, [move])
    except PlanError as error:
        return {(REFUSED.name, problem.message) for problem in error.problems}
    return missed(there) - missed(evaluation)


def test_every_limit_holds_in_a_plan_file_and_one_step_more_does_not() -> None:
    evaluation, headroom = found()
    assert headroom.limits
    for limit in headroom.limits:
        parameter = limit.parameter
        beyond = Move(parameter, limit.value + limit.direction * parameter.grain)
        assert parameter.settings(limit.value) or parameter.plan is None, parameter.name
        assert not new_at(evaluation, Move(parameter, limit.value)), parameter.name
        if limit.stops:
            assert new_at(evaluation, beyond) == {stop.key for stop in limit.stops}, parameter.name


def test_all_that_is_missed_one_step_further_is_told() -> None:
    """Also what only a walk through all faults shows: one retry more makes every fault known later."""
    settings = ("targets.sample_age.cell voltages=105 ms", "targets.fault_detection=323.2 ms")
    evaluation = evaluated(*settings)
    (parameter,) = (each for each in parameters(evaluation) if each.name == "retries in reserve")
    limit = limit_of(parameter.name, parameter.subject, 1, *settings)
    assert limit.value == parameter.present
    assert {stop.key for stop in limit.stops} == new_at(
        evaluation, Move(parameter, parameter.value(1)), *settings
    )
    assert {stop.target for stop in limit.stops} == {"sample age", "fault known"}


def test_debouncing_goes_as_far_as_the_sum_by_hand() -> None:
    # FHTI grows by one task period, the longest scan period, with each reading; below the FTTI is met.
    evaluation, _ = found()
    (latency,) = (each for each in evaluation.latencies if each.hazard == "over-voltage")
    hazard = evaluation.plan.hazards["over-voltage"]
    period = evaluation.plan.controllers["trolley"].scan_period.max
    room = latency.ftti - latency.handling.total
    more = -(-room // period) - 1  # strictly below
    limit = limit_of("readings to debounce", "over-voltage", 1)
    # the slot may shift by less than one period between more scans, which the trolley's major cycle bounds
    assert limit.value - hazard.debounce in (more - 1, more)
    assert [stop.key for stop in limit.stops] == [("fault handling time", "over-voltage")]


def test_a_barrier_may_be_rated_down_to_what_it_carries() -> None:
    evaluation, _ = found()
    (carried,) = (each for each in evaluation.verdicts if each.target == "barrier working voltage")
    limit = limit_of("barrier working voltage", "capacitor-1000", -1)
    assert carried.value is not None
    assert limit.value - limit.parameter.grain < carried.value <= limit.value


def test_the_scan_period_may_shrink_to_a_sum_by_hand() -> None:
    settings = (
        "targets.imbalance_per_month=1 Ah", "targets.utilisation=50 %", "targets.scans_lost_per_hour=1000"
    )  # fmt: skip
    evaluation, _ = found(*settings)
    scan = evaluation.scans["trolley"]
    limit = limit_of("scan period", "trolley", -1, *settings)
    # utilisation = scan time / shortest period, which is 0.1 % under the typical one
    smallest = scan.longest * 2 * 1000 / 999
    assert limit.value - limit.parameter.grain < smallest <= limit.value
    assert {stop.target for stop in limit.stops} == {"utilisation"}


FEW = {
    "bit rate",
    "conversion of cell voltages",
    "conversion of open wire",
    "conversion of temperatures",
    "cells per node",
    "retries in reserve",
}
"""Parameters among which fixes are looked for here; a search through all of them takes longer."""

SLOW_START = ("targets.scan_time=12 ms", "targets.start_up=146 ms")


@cache
def fixed(*settings: str) -> tuple[Evaluation, tuple[Missed, ...]]:
    evaluation = evaluated(*settings)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            budget, "parameters", lambda _: [each for each in parameters(evaluation) if each.name in FEW]
        )
        search = _FixSearch(evaluation)
    assert list(search.limits())
    return evaluation, tuple(search.fixed())


@pytest.mark.parametrize("limit", ["12 ms", "9 ms"])
def test_a_fix_meets_its_target_in_a_plan_file_and_misses_nothing_else(limit: str) -> None:
    setting = f"targets.scan_time={limit}"
    ((verdict, fixes, _),) = fixed(setting)[1]
    assert verdict.target == "scan time"
    assert fixes
    for fix in fixes:
        there = evaluated(setting, *(text for move in fix.moves for text in move.settings))
        assert status(there, verdict) == "met"
        assert not missed(there)
        assert fix.meets_all


def test_a_fix_is_the_smallest_on_its_parameter() -> None:
    evaluation, ((verdict, fixes, _),) = fixed("targets.scan_time=12 ms")
    ((move,),) = (fix.moves for fix in fixes)
    parameter = move.parameter
    nearer = move.value + (parameter.grain if move.value < parameter.present else -parameter.grain)
    assert status(moved(evaluation, [Move(parameter, nearer)]), verdict) == "missed"


def test_a_pair_is_named_where_no_single_parameter_fixes() -> None:
    evaluation, ((verdict, fixes, _),) = fixed("targets.scan_time=9 ms")
    assert all(len(fix.moves) == 2 for fix in fixes)
    for move in (move for fix in fixes for move in fix.moves):
        # alone, as far as it is looked at, neither does
        for value in (move.parameter.least, move.parameter.most):
            assert status(moved(evaluation, [Move(move.parameter, value)]), verdict) == "missed"


def test_a_pair_is_the_smallest_of_those_tried() -> None:
    """The first parameter is tried all its way, 3/4, 1/2, 1/4, 1/8; the second as far as it then takes."""
    evaluation, ((verdict, fixes, _),) = fixed("targets.scan_time=10 ms")
    first, second = (move.parameter for move in fixes[0].moves)
    assert (first.name, second.name) == ("conversion of cell voltages", "conversion of open wire")

    def met(one: int, other: int) -> bool:
        moves = [Move(first, first.value(-one)), Move(second, second.value(-other))]
        return status(moved(evaluation, moves), verdict) == "met"

    sizes: list[Fraction] = []
    for share in (Fraction(1), Fraction(3, 4), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8)):
        one = int(first.grains(-1) * share)
        if met(one, second.grains(-1)):
            other = bisect_left(range(second.grains(-1)), True, key=partial(met, one))
            sizes.append(Move(first, first.value(-one)).size + Move(second, second.value(-other)).size)
    assert len(sizes) > 1
    assert fixes[0].size == min(sizes) != sizes[0]
    assert len({tuple(move.parameter.name for move in fix.moves) for fix in fixes}) == len(fixes) > 1


def test_the_smallest_fixes_are_told() -> None:
    _, (scan, start) = fixed(*SLOW_START)
    names = [move.parameter.name for fix in start.fixes for move in fix.moves]
    assert names == ["conversion of open wire", "conversion of cell voltages", "bit rate"]
    sizes = [fix.size for fix in start.fixes]
    assert sizes == sorted(sizes)
    for fix in (*scan.fixes, *start.fixes):
        moves = [(abs(move.value - move.parameter.present), move.parameter.present) for move in fix.moves]
        assert fix.size == sum(Fraction(way, present) for way, present in moves)
    # fewer cells at every node would do as well, and is more
    evaluation = evaluated(*SLOW_START)
    (cells,) = (each for each in parameters(evaluation) if each.name == "cells per node")
    enough = (Move(cells, number) for number in range(12, 0, -1))
    assert all(
        move.size > sizes[-1] for move in enough if status(moved(evaluation, [move]), start.verdict) == "met"
    )


def test_what_fixes_one_target_of_two_is_told_apart() -> None:
    _, both = fixed(*SLOW_START)
    for verdict, fixes, _ in both:
        for fix in fixes:
            there = evaluated(*SLOW_START, *(text for move in fix.moves for text in move.settings))
            assert status(there, verdict) == fix.then.status == "met"
            assert fix.meets_all is not bool(missed(there))
    assert {fix.meets_all for only in both for fix in only.fixes} == {True, False}


def test_a_move_that_would_break_another_target_is_no_fix() -> None:
    evaluation, (_, start) = fixed(*SLOW_START)
    assert start.verdict.target == "start-up"
    ((move, broken),) = start.breaks
    assert (move.parameter.name, broken.target) == ("retries in reserve", "scans lost per hour")
    there = evaluated(*SLOW_START, *move.settings)
    assert status(there, start.verdict) == "met"
    assert missed(there) - missed(evaluation) == {broken.key}
    assert all(fix.moves != (move,) for fix in start.fixes)


def test_what_nothing_fixes_is_said() -> None:
    _, ((verdict, fixes, breaks),) = fixed("targets.scan_time=1 us")
    assert (verdict.target, fixes, breaks) == ("scan time", (), ())


def test_progress_is_told_after_each_parameter_and_each_miss(monkeypatch: pytest.MonkeyPatch) -> None:
    settings = ("targets.scan_time=12 ms",)
    evaluation = evaluated(*settings)
    names = ("host set-up", "retries in reserve", "cells per node")
    some = [parameter for parameter in parameters(evaluation) if parameter.name in names]
    monkeypatch.setattr(budget, "parameters", lambda _: some)
    told: list[tuple[int, int]] = []
    search = _FixSearch(evaluation, lambda *done: told.append(done))
    limits = [(limit.parameter.name, limit.direction) for limit in search.limits()]
    assert limits == [("cells per node", -1), *((name, up) for name in names[:2] for up in (-1, 1))]
    assert len(list(search.fixed())) == 1
    assert told == [(done, 6) for done in range(1, 7)]


INVENTED = Kind[int]("invented", COUNT, ("subject",), "summary", lambda value: value)


@pytest.mark.parametrize(
    ("before", "after", "helps"),
    [
        (5, 3, True),
        (5, 5, False),
        (5, 7, False),
        (5, 0, True),
        (None, 3, False),  # bounded now, and missed: how much nearer that is nobody knows
        (None, 0, True),
        (5, None, False),
        (None, None, False),
    ],
)
def test_a_parameter_helps_that_brings_a_target_nearer(
    before: int | None, after: int | None, helps: bool
) -> None:
    def verdict(value: int | None, kind: Kind[int] = INVENTED) -> Figure:
        return kind("", item=value, limit=0, boundless=value is None)

    class Invented(Evaluation):
        def limited(self, kind: Kind[Any]) -> Figures:
            return Figures([verdict(before if self is there else after)] if kind is INVENTED else ())

    plan = evaluated().plan
    there, moved_there = Invented(plan), Invented(plan)
    search = _FixSearch(evaluated())
    way = search.ways[0]._replace(line=Line(lambda _: Trial(moved_there), Trial(there)))
    search.reach[way.line] = 1
    assert search._helps(verdict(before), way) is helps
    other = Kind[int]("another", COUNT, ("subject",), "summary", lambda value: value)
    assert search._helps(verdict(before, other), way) is False
    search.reach[way.line] = 0
    assert search._helps(verdict(before), way) is False


@pytest.mark.parametrize(("most", "searched"), [(4, True), (3, False)])
def test_as_many_nodes_are_searched(monkeypatch: pytest.MonkeyPatch, most: int, searched: bool) -> None:
    monkeypatch.setattr(budget, "MOST_NODES", most)
    monkeypatch.setattr(budget, "parameters", lambda _: [])
    headroom = headroom_budget(evaluated(f"title=At most {most}"))
    assert bool(headroom.skipped) is not searched


def test_a_large_pack_is_not_searched() -> None:
    settings = [
        "strings.main.stack[0].modules=200", "strings.main.stack[2].modules=1",
        "strings.main.boards[0].count=201", "chains.line.order=[main.1..201]",
    ]  # fmt: skip
    headroom = headroom_budget(evaluated(*settings))
    assert not headroom.limits
    assert "201 nodes" in headroom.skipped


FAULTS = ("targets.cells_monitored_after_fault=10 %", "targets.fault_detection=1 s", "targets.recovery=1 s")


@pytest.mark.parametrize("name", ["mine-locomotive", "quarry-truck"])
def test_what_is_taken_over_is_what_would_be_worked_out(name: str) -> None:
    evaluation = Evaluation(load_plan(str(CONFIGS / f"{name}.yaml"), FAULTS).plan)
    _ = evaluation.verdicts
    for parameter in parameters(evaluation):
        direction = -1 if parameter.grains(-1) else 1
        if parameter.plan is not None:
            value = parameter.value(direction * -(-parameter.grains(direction) // 3))
            trial = checked(moved(evaluation, [Move(parameter, value)]))
            if trial.refusal is None:
                worked_out = Evaluation(trial.evaluation.plan).verdicts
                assert trial.evaluation.verdicts == worked_out, parameter.name


def test_a_second_parameter_moves_on_from_a_first_one() -> None:
    """The verdicts are those of the plan with both, whether the one or the other is made of networks."""
    evaluation = evaluated(*FAULTS)
    _ = evaluation.verdicts
    ways = {
        parameter.name: (parameter, 1 if parameter.grains(1) else -1) for parameter in parameters(evaluation)
    }
    for one, other in permutations(("bit rate", "boards on the chain", "cells per node", "altitude"), 2):
        (parameter, up), (second, direction) = ways[one], ways[other]
        first = Move(parameter, parameter.value(up))
        begin = Trial(moved(evaluation, [first]))
        _ = begin.verdicts(kinds())
        both = _FixSearch(evaluation).way(second, direction, first, begin).line.at(1).evaluation
        plain = evaluated(*FAULTS, *first.settings, *second.settings(second.value(direction)))
        for move in (first, Move(second, second.value(direction))):
            if move.parameter.network is not None:
                network = move.parameter.network(plain.network, move.value)
                plain = Evaluation(plain.plan, given={"network": network})
        assert both.verdicts == plain.verdicts, (one, other)
