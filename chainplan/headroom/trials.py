"""Trials: plans with something moved, each judged room by room as far as somebody asks."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator

from chainplan.evaluation import Evaluation
from chainplan.plan.checks import check_plan
from chainplan.quantity import COUNT
from chainplan.verdicts import ROOMS, Room
from chainplan.verdicts.verdict import Verdict

Key = tuple[str, str]
"""A verdict's target and subject."""

REFUSED = "plan refused"
"""Stands in place of a target where a plan file could not hold the value; the subject says why."""


class Trial:
    """One moved plan: its verdicts, room by room, each worked out when first asked for.

    A plan that would be refused has but one verdict, that it is none; its subject says why.
    """

    def __init__(self, evaluation: Evaluation, refusal: Verdict | None = None) -> None:
        self.evaluation = evaluation
        self.refusal = refusal
        self._rooms: dict[Room, dict[Key, Verdict]] = {}

    def room(self, room: Room) -> dict[Key, Verdict]:
        """Return the verdicts of one room, by target and subject."""
        if self.refusal is not None:
            return {}
        if room not in self._rooms:
            self._rooms[room] = {verdict.key: verdict for verdict in room(self.evaluation)}
        return self._rooms[room]

    def verdicts(self, rooms: Iterable[Room] = ROOMS) -> dict[Key, Verdict]:
        """Return the verdicts of some rooms."""
        return {key: verdict for room in rooms for key, verdict in self.room(room).items()}

    def missed(self, rooms: Iterable[Room], but: Container[Key] = ()) -> Iterator[Verdict]:
        """Yield what is missed, except what is named; a room is asked when all before it have been told."""
        if self.refusal is not None:
            yield self.refusal
        for room in rooms:
            for key, verdict in self.room(room).items():
                if verdict.status == "missed" and key not in but:
                    yield verdict


def checked(evaluation: Evaluation) -> Trial:
    """Return the trial of a plan whose values were moved: refused where a plan file would be."""
    errors = (each for each in check_plan(evaluation.plan, suspect=False) if each.severity == "error")
    error = next(errors, None)
    if error is None:
        return Trial(evaluation)
    return Trial(
        evaluation, Verdict(REFUSED, error.message, None, "at most", None, COUNT, "", boundless=True)
    )
