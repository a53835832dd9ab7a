"""Trials: plans with something moved, each judged figure by figure as far as somebody asks."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from typing import Any

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure, Kind
from chainplan.plan.checks import check_plan
from chainplan.quantity import COUNT

Key = tuple[str, str]
"""A verdict's target and subject."""

REFUSED = Kind[None]("plan refused", COUNT, ("reason",), "summary", lambda _: None)
"""Stands in place of a target where a plan file could not hold the value; the subject says why."""


class Trial:
    """One moved plan: its verdicts, kind by kind, each worked out when first asked for.

    A plan that would be refused has but one verdict, that it is none; its subject says why.
    """

    def __init__(self, evaluation: Evaluation, refusal: Figure | None = None) -> None:
        self.evaluation = evaluation
        self.refusal = refusal
        self._kinds: dict[Kind[Any], dict[Key, Figure]] = {}

    def of_kind(self, kind: Kind[Any]) -> dict[Key, Figure]:
        """Return the verdicts of one kind, by target and subject."""
        if self.refusal is not None:
            return {}
        if kind not in self._kinds:
            self._kinds[kind] = {verdict.key: verdict for verdict in self.evaluation.judged((kind,))}
        return self._kinds[kind]

    def verdicts(self, of: Iterable[Kind[Any]]) -> dict[Key, Figure]:
        """Return the verdicts of some kinds."""
        return {key: verdict for kind in of for key, verdict in self.of_kind(kind).items()}

    def missed(self, of: Iterable[Kind[Any]], but: Container[Key] = ()) -> Iterator[Figure]:
        """Yield what is missed, except what is named; a kind is asked when all before it have been told."""
        if self.refusal is not None:
            yield self.refusal
        for kind in of:
            for key, verdict in self.of_kind(kind).items():
                if verdict.status == "missed" and key not in but:
                    yield verdict


def checked(evaluation: Evaluation) -> Trial:
    """Return the trial of a plan whose values were moved: refused where a plan file would be."""
    errors = (each for each in check_plan(evaluation.plan, suspect=False) if each.severity == "error")
    error = next(errors, None)
    if error is None:
        return Trial(evaluation)
    return Trial(evaluation, REFUSED(error.message, boundless=True))
