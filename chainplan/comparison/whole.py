"""The comparison as a whole: every plan against the first one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

from chainplan.comparison.changes import PlanChanges, plan_changes
from chainplan.comparison.figures import FigureChange, figure_changes
from chainplan.comparison.matching import renaming
from chainplan.comparison.targets import Effect, TargetRow, target_rows
from chainplan.evaluation import Evaluation
from chainplan.plan.load import LoadedPlan

Word = Literal["better", "worse", "mixed", "as good", "nothing in common"]


class ComparisonOutcome(NamedTuple):
    """Whether a plan is better than the reference, and how many targets there are of each effect."""

    word: Word
    newly_missed: int
    no_longer_checked: int
    newly_met: int
    smaller_margin: int
    larger_margin: int
    same: int
    other_limit: int
    """Of those in both plans, how many have another limit, so that not only the figures decide."""
    only_before: int
    only_before_missed: int
    only_after: int
    only_after_missed: int

    @property
    def common(self) -> int:
        """Return how many targets both plans have."""
        verdicts = self.newly_missed + self.no_longer_checked + self.newly_met
        return verdicts + self.smaller_margin + self.larger_margin + self.same


class Against(NamedTuple):
    """One plan against the reference."""

    plan: PlanChanges
    figures: tuple[FigureChange, ...]
    outcome: ComparisonOutcome

    @property
    def nothing_differs(self) -> bool:
        """Tell whether neither the plan nor any target nor figure is another one."""
        same = self.outcome
        alike = same.same == same.common and not (same.other_limit or same.only_before or same.only_after)
        return alike and not (self.plan.changes or self.figures)


class Comparison(NamedTuple):
    """Plans with their results, the reference first; `others` has one entry for each plan behind it."""

    plans: tuple[LoadedPlan, ...]
    evaluations: tuple[Evaluation, ...]
    targets: tuple[TargetRow, ...]
    others: tuple[Against, ...]


def compare(plans: Sequence[LoadedPlan], evaluations: Sequence[Evaluation]) -> Comparison:
    """Compare plans that have been read, each with its results, against the first of them.

    Raises ValueError unless there are at least two, and as many results as plans.
    """
    if len(plans) < 2 or len(plans) != len(evaluations):
        raise ValueError("a comparison needs two plans or more, each with its results")
    changes = [plan_changes(plans[0], other) for other in plans[1:]]
    renamed = [renaming(each.renames) for each in changes]
    rows = target_rows([each.verdicts for each in evaluations], renamed)
    sums = [each.sums() for each in evaluations]
    others = tuple(
        Against(change, figure_changes(sums[0], sums[number], new_name), outcome(rows, number))
        for number, (change, new_name) in enumerate(zip(changes, renamed, strict=True), start=1)
    )
    return Comparison(tuple(plans), tuple(evaluations), rows, others)


def outcome(rows: Sequence[TargetRow], number: int) -> ComparisonOutcome:
    """Return whether the plan of that number is better than the reference (number 0).

    What is newly missed, or no longer checked, weighs against what is newly met, and nothing else does where
    there is any of it. Where no verdict changes, margins do, as shares of their limits.
    """
    effects: list[Effect] = []
    limits = before = before_missed = after = after_missed = 0
    for row in rows:
        first, other = row.verdicts[0], row.verdicts[number]
        if first is not None and other is not None:
            effects.append(row.effects[number - 1] or "same")
            limits += first.limit != other.limit
        elif first is not None:
            before += 1
            before_missed += first.status == "missed"
        elif other is not None:
            after += 1
            after_missed += other.status == "missed"
    bad = effects.count("newly missed") + effects.count("no longer checked")
    good = effects.count("newly met")
    smaller, larger = effects.count("worse"), effects.count("better")
    return ComparisonOutcome(
        _word(bad, good, smaller, larger) if effects else "nothing in common",
        effects.count("newly missed"),
        effects.count("no longer checked"),
        good,
        smaller,
        larger,
        effects.count("same"),
        limits,
        before,
        before_missed,
        after,
        after_missed,
    )


def _word(bad: int, good: int, smaller: int, larger: int) -> Word:
    against, favour = (bad, good) if bad or good else (smaller, larger)
    if against and favour:
        return "mixed"
    if against:
        return "worse"
    return "better" if favour else "as good"


def mark(number: int) -> str:
    """Return the letters that stand for a plan, counted from 0: A to Z, then AA, as columns of a sheet."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
