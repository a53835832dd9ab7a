"""Trials: plans with something moved, each judged figure by figure as far as somebody asks."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from typing import Any

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import NO_FIGURES, Figure, Figures, Kind
from chainplan.plan.checks import check_plan
from chainplan.quantity import COUNT

Key = tuple[str, str]
"""A verdict's target and subject."""

REFUSED = Kind[None]("plan refused", COUNT, ("reason",), "targets", lambda _: None)
"""Stands in place of a target where a plan file could not hold the value; the subject says why."""


class Trial:
    """One moved plan: its verdicts, kind by kind, each worked out when first asked for.

    A plan that would be refused has but one verdict, that it is none; its subject says why.
    """

    def __init__(self, evaluation: Evaluation, refusal: Figure | None = None) -> None:
        self.evaluation = evaluation
        self.refusal = refusal

    def of_kind(self, kind: Kind[Any]) -> Figures:
        """Return the figures of one kind, as far as the plan has limits for it."""
        return NO_FIGURES if self.refusal is not None else self.evaluation.limited(kind)

    def verdicts(self, of: Iterable[Kind[Any]]) -> dict[Key, Figure]:
        """Return the verdicts of some kinds, by target and subject."""
        return {key: verdict for kind in of for key, verdict in self.of_kind(kind).by_key.items()}

    def missed(self, of: Iterable[Kind[Any]], but: Container[Key] = ()) -> Iterator[Figure]:
        """Yield what is missed, except what is named; a kind is asked when all before it have been told."""
        if self.refusal is not None:
            yield self.refusal
        for kind in of:
            for verdict in self.of_kind(kind).missed:
                if verdict.key not in but:
                    yield verdict


def checked(evaluation: Evaluation) -> Trial:
    """Return the trial of a plan whose values were moved: refused where a plan file would be."""
    errors = (each for each in check_plan(evaluation.plan, suspect=False) if each.severity == "error")
    error = next(errors, None)
    if error is None:
        return Trial(evaluation)
    return Trial(evaluation, REFUSED(error.message, boundless=True))
