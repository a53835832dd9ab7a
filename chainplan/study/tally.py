"""What is said of a study as a whole, counted row by row in bounded memory."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from chainplan.study.front import Front, Vector, oriented
from chainplan.study.job import CandidateRow, Status
from chainplan.study.measures import Value

MOST_REASONS = 200
"""Different reasons that are counted one by one; further ones are counted together."""

OTHER_REASONS = "another reason"


@dataclass(slots=True)
class StudyTally:
    """Counts, the front, and how far the objectives reach. `senses` are those of the objectives, in order."""

    senses: tuple[str, ...]
    counts: Counter[Status] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    """Targets, by how many candidates miss them."""
    reasons: Counter[str] = field(default_factory=Counter)
    """Why candidates are unusable, by how many are."""
    front: Front = field(default_factory=Front)
    unknown: int = 0
    """Candidates that meet their targets but have no figure for an objective: they are on no front."""
    nearest_miss: CandidateRow | None = None
    """Of the candidates that miss targets, the first with the fewest of them."""
    reaches: list[tuple[Value, Value]] = field(default_factory=list)
    """Least and largest value of each objective, of all candidates that are usable."""
    met_reaches: list[tuple[Value, Value]] = field(default_factory=list)
    """The same of those that meet what they must."""

    def __post_init__(self) -> None:
        self.reaches = [(None, None)] * len(self.senses)
        self.met_reaches = list(self.reaches)

    def add(self, row: CandidateRow) -> None:
        """Take a row in."""
        self.counts[row.status] += 1
        if row.status == "unusable":
            known = row.reason in self.reasons or len(self.reasons) < MOST_REASONS
            self.reasons[row.reason if known else OTHER_REASONS] += 1
            return
        self.missed.update(row.missed)
        self.reaches = [_reach(reach, value) for reach, value in zip(self.reaches, row.values, strict=False)]
        if row.status == "missed":
            if self.nearest_miss is None or len(row.missed) < len(self.nearest_miss.missed):
                self.nearest_miss = row
            return
        self.met_reaches = [
            _reach(reach, value) for reach, value in zip(self.met_reaches, row.values, strict=False)
        ]
        vector = self.vector(row)
        if vector is None:
            self.unknown += 1
        else:
            self.front.add(row.number, vector)

    def vector(self, row: CandidateRow) -> Vector | None:
        """Return a row's objectives, turned so that less is better; None where one is not known."""
        return oriented(self.objectives(row), self.senses)

    def objectives(self, row: CandidateRow) -> Sequence[Value]:
        """Return a row's objectives: its first figures."""
        return row.values[: len(self.senses)]

    def is_front(self, row: CandidateRow) -> bool:
        """Tell whether a row is on the front."""
        vector = self.vector(row) if row.status == "met" else None
        return vector is not None and vector in self.front

    @property
    def done(self) -> int:
        """Return how many candidates have been counted."""
        return self.counts.total()


def _reach(reach: tuple[Value, Value], value: Value) -> tuple[Value, Value]:
    least, most = reach
    if value is None:
        return reach
    return value if least is None else min(least, value), value if most is None else max(most, value)
