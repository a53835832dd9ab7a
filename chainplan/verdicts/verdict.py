"""A verdict: a target beside the figure it limits, met or missed, with the margin."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Literal, NamedTuple

from chainplan.quantity import DATA_PER_SAMPLE, RATIO, Dimension

Sense = Literal["at most", "below", "at least"]
Status = Literal["met", "missed", "not checked"]

BYTE = int(DATA_PER_SAMPLE.units["byte"])
"""Ticks of one byte per sample."""

WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""


class Verdict(NamedTuple):
    """One target. `value` and `limit` are ticks of `dimension`; `value` is the worst case."""

    target: str
    subject: str
    value: int | None
    sense: Sense
    limit: int | None
    dimension: Dimension
    figure: str
    """The name of the sum the figure comes from (:mod:`chainplan.sums`), to look its terms up."""
    where: str = ""
    note: str = ""
    typical: int | None = None
    boundless: bool = False
    """The worst case has no bound at all, so the target is missed."""

    @property
    def key(self) -> tuple[str, str]:
        """Return what tells the verdicts of one plan apart: target and subject."""
        return self.target, self.subject

    @property
    def status(self) -> Status:
        """Return met or missed, or not checked where figure or limit is unknown."""
        if self.boundless:
            return "missed"
        if self.value is None or self.limit is None:
            return "not checked"
        if self.sense == "at most":
            met = self.value <= self.limit
        elif self.sense == "below":
            met = self.value < self.limit
        else:
            met = self.value >= self.limit
        return "met" if met else "missed"

    @property
    def margin(self) -> int | None:
        """Return the distance to the limit, ticks; negative beyond it."""
        if self.value is None or self.limit is None:
            return None
        return self.value - self.limit if self.sense == "at least" else self.limit - self.value

    @property
    def margin_share(self) -> Fraction | None:
        """Return the margin as a share of the limit."""
        return Fraction(self.margin or 0, self.limit) if self.limit and self.margin is not None else None


class Verdicts(tuple[Verdict, ...]):
    """All verdicts of a plan: a tuple that a notebook shows as a table."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        from chainplan.notebook import verdicts_html  # late: nothing else needs it

        return verdicts_html(self)


def idle(target: str, task: str, limit: int, dimension: Dimension) -> Verdict:
    """Return the verdict on a target for a task that no controller samples anything with: not checked."""
    note = "this task fetches no samples"
    return Verdict(target, task, None, "at most", limit, dimension, "", note=note)


def share(part: int, whole: int) -> int:
    """Return part over whole in ticks of a ratio, rounded up."""
    return -(-part * WHOLE // whole)


def missed(verdicts: Iterable[Verdict]) -> list[Verdict]:
    """Return the verdicts that miss."""
    return [verdict for verdict in verdicts if verdict.status == "missed"]


def first_crossing(
    low: int, before: Mapping[tuple[str, str], Verdict], high: int, stops: Iterable[Verdict]
) -> int | None:
    """Return where the first margin falls to zero between two places, on straight lines; None if none does.

    `before` are the verdicts at `low`, by their keys; `stops` are those missed at `high`.
    """
    found: list[int] = []
    for verdict in stops:
        held = before.get(verdict.key)
        start, end = held.margin if held else None, verdict.margin
        if start is not None and end is not None and start >= 0 and end < start:
            found.append(low + (high - low) * start // (start - end))
    return min(found, default=None)
