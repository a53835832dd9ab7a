"""What changes do to targets and figures: checked against the two plans' own reports."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_figures import made_up
from plan_texts import FULL, Written, changed, load_text
from strategies import plan_data

from chainplan.comparison.figures import TermChange, figure_changes
from chainplan.comparison.matching import partners, renaming
from chainplan.comparison.targets import Effect, effect, share_change, target_rows, value_change
from chainplan.comparison.whole import Comparison, compare, mark
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure, Sense
from chainplan.figures.terms import Sum, Term
from chainplan.plan.load import LoadedPlan, load_plan
from chainplan.quantity import TIME

CONFIGS = Path(__file__).parents[2] / "configs"
TROLLEY = CONFIGS / "rail-trolley.yaml"
LOCOMOTIVE = CONFIGS / "mine-locomotive.yaml"

EFFECTS = ("newly missed", "no longer checked", "newly met", "worse", "better", "same")


@lru_cache
def example(path: Path, *values: str) -> tuple[LoadedPlan, Evaluation]:
    loaded = load_plan(path, values)
    return loaded, Evaluation(loaded.plan)


def compared(*plans: tuple[LoadedPlan, Evaluation]) -> Comparison:
    return compare([loaded for loaded, _ in plans], [evaluation for _, evaluation in plans])


SLOWER = (TROLLEY, "protocols.sequential-pair.bit_rate='250 kbit/s'")


# Against both plans' own results.


@pytest.mark.parametrize("second", [(LOCOMOTIVE,), SLOWER], ids=["another", "slower"])
def test_rows_are_both_plans_verdicts(second: tuple[Path]) -> None:
    plans = example(TROLLEY), example(*second)
    comparison = compared(*plans)
    for number, (_, evaluation) in enumerate(plans):
        found = [row.verdicts[number] for row in comparison.targets if row.verdicts[number] is not None]
        assert sorted(map(repr, found)) == sorted(map(repr, evaluation.verdicts))
    for row in comparison.targets:
        assert {(each.target, each.subject) for each in row.verdicts if each} == {(row.target, row.subject)}


def test_newly_missed_are_those_that_the_first_report_meets_and_the_second_misses() -> None:
    first, second = example(TROLLEY), example(*SLOWER)
    comparison = compared(first, second)
    met = {(each.target, each.subject) for each in first[1].verdicts if each.status == "met"}
    missed = {(each.target, each.subject) for each in second[1].verdicts if each.status == "missed"}
    rows = [(row.target, row.subject) for row in comparison.targets if row.effects == ("newly missed",)]
    assert set(rows) == met & missed
    assert rows
    outcome = comparison.others[0].outcome
    assert (outcome.word, outcome.newly_missed, outcome.newly_met) == ("worse", len(rows), 0)
    assert [row.effects[0] for row in comparison.targets][: len(rows)] == ["newly missed"] * len(rows)
    back = compared(second, first).others[0].outcome
    assert (back.word, back.newly_missed, back.newly_met) == ("better", 0, len(rows))


@pytest.mark.parametrize("second", [(LOCOMOTIVE,), SLOWER], ids=["another", "slower"])
def test_figures_that_differ_are_those_whose_totals_do(second: tuple[Path]) -> None:
    plans = example(TROLLEY), example(*second)
    before, after = (
        {name: work_out() for name, work_out in evaluation.sums().items()} for _, evaluation in plans
    )
    found = {each.name: each for each in compared(*plans).others[0].figures}
    wanted = {name for name in {*before, *after} if total(before.get(name)) != total(after.get(name))}
    assert set(found) == wanted
    for name, figure in found.items():
        assert (figure.old, figure.new) == (total(before.get(name)), total(after.get(name)))
        if figure.change is not None:
            assert sum(term.change for term in figure.terms) == figure.change
            assert all(map(parts_add_up, figure.terms))


def total(figure: Sum | None) -> int | None:
    return None if figure is None else figure.total


def parts_add_up(change: TermChange) -> bool:
    """Tell whether the changes within one amount add up to that amount's, all the way down."""
    if not change.parts or change.old is None or change.new is None:
        return True
    if not change.old.parts or not change.new.parts:
        return True
    within = sum(part.change for part in change.parts)
    return within == change.new.amount - change.old.amount and all(map(parts_add_up, change.parts))


# Identity, and the other way round.


@pytest.mark.parametrize("path", [TROLLEY, LOCOMOTIVE], ids=lambda path: path.stem)
def test_nothing_differs_from_itself(path: Path) -> None:
    comparison = compared(example(path), example(path))
    (against,) = comparison.others
    assert against.nothing_differs
    assert (against.plan.changes, against.figures, against.outcome.word) == ((), (), "as good")
    assert {row.effects for row in comparison.targets} == {("same",)}
    assert not any(row.differs for row in comparison.targets)


def test_the_other_way_round_all_is_mirrored() -> None:
    first, second = example(TROLLEY), example(*SLOWER)
    forth, back = compared(first, second), compared(second, first)
    assert {(row.target, row.subject, row.verdicts) for row in forth.targets} == {
        (row.target, row.subject, row.verdicts[::-1]) for row in back.targets
    }
    assert {(each.name, each.old, each.new) for each in forth.others[0].figures} == {
        (each.name, each.new, each.old) for each in back.others[0].figures
    }
    one, other = forth.others[0].outcome, back.others[0].outcome
    assert (one.newly_missed, one.newly_met, one.smaller_margin) == (
        other.newly_met,
        other.newly_missed,
        other.larger_margin,
    )


def test_three_plans_are_each_held_against_the_first() -> None:
    plans = [example(TROLLEY), example(*SLOWER), example(LOCOMOTIVE)]
    whole = compared(*plans)
    for number in (1, 2):
        pair = compared(plans[0], plans[number])
        assert whole.others[number - 1] == pair.others[0]
        assert {
            (row.target, row.subject): row.verdicts[number] for row in whole.targets if row.verdicts[number]
        } == {(row.target, row.subject): row.verdicts[1] for row in pair.targets if row.verdicts[1]}


def test_targets_of_one_plan_only_are_counted_and_decide_nothing() -> None:
    fewer = TROLLEY, "targets.scan_time='1 ms'"
    with_target, without = example(*fewer), example(TROLLEY)
    dropped = without[0].plan.targets.model_copy(update={"scan_time": None})
    loaded = without[0]._replace(plan=without[0].plan.model_copy(update={"targets": dropped}))
    back = compared(with_target, (loaded, Evaluation(loaded.plan))).others[0].outcome
    assert (back.word, back.only_before, back.only_before_missed, back.only_after) == ("as good", 1, 1, 0)
    forth = compared((loaded, Evaluation(loaded.plan)), with_target).others[0].outcome
    assert (forth.word, forth.only_before, forth.only_after, forth.only_after_missed) == ("as good", 0, 1, 1)


def test_fewer_than_two_plans_are_refused() -> None:
    loaded, evaluation = example(TROLLEY)
    with pytest.raises(ValueError, match="two plans"):
        compare([loaded], [evaluation])


# New names.


def test_targets_and_figures_of_a_part_with_a_new_name_are_the_same() -> None:
    """Subjects such as `main, cell voltages` and figures such as `scan/main` follow the names."""
    renamed = changed(
        ("  main:\n    count: 1", "  pack control:\n    count: 1"),
        ("head: main:out-{n}", "head: pack control:out-{n}"),
        ("back: main:back-{n}", "back: pack control:back-{n}"),
        ("sender: main", "sender: pack control"),
    )
    plans = [load_text(text) for text in (FULL, renamed)]
    comparison = compare(plans, [Evaluation(loaded.plan) for loaded in plans])
    assert [each.kind for each in comparison.others[0].plan.changes] == ["renamed"]
    assert comparison.others[0].figures == ()
    assert not any(row.differs for row in comparison.targets)


def test_names_are_put_in_whole_and_with_the_number_of_a_copy() -> None:
    new_name = renaming({"chains": {"ring": "loop"}, "tasks": {"cell voltages": "cells"}})
    assert new_name("ring-1#3, cell voltages of ring") == "loop-1#3, cells of loop"
    assert new_name("spring, ringing, ring-a, a-ring, cell voltages2") == (
        "spring, ringing, ring-a, a-ring, cell voltages2"
    )


def test_a_key_that_is_there_keeps_its_partner() -> None:
    swap = {"a": "b", "b": "a"}
    assert partners(["a", "b"], {"a", "b"}, swap.__getitem__) == {"a": "a", "b": "b"}
    assert partners(["a"], {"b"}, swap.__getitem__) == {"a": "b"}
    assert partners(["a"], {"c"}, swap.__getitem__) == {}


# Effects.


def verdict(
    value: int | None,
    limit: int | None = 100,
    sense: Sense = "at most",
    *,
    subject: str = "all",
    boundless: bool = False,
) -> Figure:
    return made_up("time", subject, value, sense, limit, TIME, boundless=boundless)


@pytest.mark.parametrize(
    ("old", "new", "wanted"),
    [
        (verdict(90), verdict(101), "newly missed"),
        (verdict(101), verdict(100), "newly met"),
        (verdict(90), verdict(95), "worse"),
        (verdict(95), verdict(90), "better"),
        (verdict(120), verdict(110), "better"),
        (verdict(90), verdict(None), "no longer checked"),
        (verdict(None), verdict(90), "newly met"),
        (verdict(None), verdict(110), "newly missed"),
        (verdict(None), verdict(None), "same"),
        (verdict(90), verdict(90), "same"),
        (verdict(90), verdict(90, 99), "worse"),
        (verdict(90, sense="at least"), verdict(110, sense="at least"), "newly met"),
        (verdict(120, sense="at least"), verdict(110, sense="at least"), "worse"),
        (verdict(3, 0), verdict(2, 0), "better"),
        (verdict(None, boundless=True), verdict(110), "better"),
        (verdict(110), verdict(None, boundless=True), "worse"),
        (verdict(90), verdict(None, boundless=True), "newly missed"),
    ],
)
def test_effects(old: Figure, new: Figure, wanted: Effect) -> None:
    assert effect(old, new) == wanted


def test_changes_are_exact() -> None:
    assert value_change(verdict(90), verdict(120)) == (30, Fraction(1, 3))
    assert value_change(verdict(0), verdict(5)) == (5, None)
    assert value_change(verdict(None), verdict(5)) is None
    assert share_change(verdict(90), verdict(120)) == Fraction(-30, 100)


values = st.none() | st.integers(0, 200)


@settings(max_examples=100)
@given(st.lists(st.tuples(values, values), max_size=8))
def test_the_gravest_comes_first_and_nothing_is_lost(pairs: list[tuple[int | None, int | None]]) -> None:
    def verdicts(which: int) -> Iterable[Figure]:
        return [verdict(pair[which], subject=str(number)) for number, pair in enumerate(pairs)]

    rows = target_rows([verdicts(0), verdicts(1)], [str])
    assert sorted(int(row.subject) for row in rows) == list(range(len(pairs)))
    ranks = [min(EFFECTS.index(row.effects[0] or "same"), 3 + (row.effects[0] == "same")) for row in rows]
    assert [(rank, 0)[rank == 4] for rank in ranks] == [(rank, 0)[rank == 4] for rank in sorted(ranks)]
    margins = [share_change(*row.verdicts) for row in rows if row.effects[0] in ("worse", "better")]  # type: ignore[arg-type]
    sizes = [abs(each) for each in margins if each is not None]
    assert sizes == sorted(sizes, reverse=True)


# Terms.


def sums(*terms: Term) -> dict[str, object]:
    return {"scan/c": lambda: Sum("scan", TIME, terms)}


def test_terms_are_matched_by_label_the_largest_change_first() -> None:
    old = sums(Term("frame", 10, 3), Term("gap", 5), Term("gap", 7), Term("gone", 4))
    new = sums(Term("frame", 12, 3), Term("gap", 5), Term("gap", 8), Term("come", 2))
    (figure,) = figure_changes(old, new, str)  # type: ignore[arg-type]
    assert [(term.label, term.change) for term in figure.terms] == [
        ("frame", 6),
        ("gone", -4),
        ("come", 2),
        ("gap", 1),
    ]
    assert (figure.old, figure.new, figure.share) == (46, 51, Fraction(5, 46))


def test_figures_in_one_plan_only_are_told_apart() -> None:
    (figure,) = figure_changes(sums(Term("frame", 10)), {}, str)  # type: ignore[arg-type]
    assert (figure.old, figure.new, figure.change, figure.share) == (10, None, None, None)


def test_plans_are_marked_like_columns_of_a_sheet() -> None:
    assert [mark(number) for number in (0, 1, 25, 26, 27, 51, 52, 701, 702)] == (
        ["A", "B", "Z", "AA", "AB", "AZ", "BA", "ZZ", "AAA"]
    )


# Any plans.


def given_keys(data: Any) -> Any:
    """Return a plan's data without the keys that were drawn as left out."""
    if isinstance(data, dict):
        return {key: given_keys(value) for key, value in data.items() if value is not None}
    return [given_keys(value) for value in data] if isinstance(data, list) else data


@settings(max_examples=5, deadline=None)
@given(plan_data(), plan_data())
def test_any_two_plans_can_be_compared_both_ways_round(first: Any, second: Any) -> None:
    plans = [load_text(Written(given_keys(data)).text) for data in (first, second)]
    results = [Evaluation(loaded.plan) for loaded in plans]
    forth, back = compare(plans, results), compare(plans[::-1], results[::-1])
    assert forth.others[0].nothing_differs == back.others[0].nothing_differs
    assert len(forth.others[0].plan.changes) == len(back.others[0].plan.changes)
    assert bool(forth.others[0].plan.changes) or plans[0].plan == plans[1].plan or not forth.others[0].figures
    assert len(forth.others[0].figures) == len(back.others[0].figures)
    assert compare(plans[:1] * 2, results[:1] * 2).others[0].nothing_differs
