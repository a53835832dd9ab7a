"""The Pareto front of a stream of candidates: those that no other beats in every objective at once.

A candidate beats another if it is at least as good in every objective and better in one (Pareto 1906; the
usual definition of dominance). Equal candidates do not beat each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

MOST_MEMBERS = 5_000
"""Different members of a front; one with more is of no use to a reader, and would eat time and memory."""

MOST_NAMED = 3
"""Candidates of equal figures that a member names; the others are counted."""

Vector = tuple[int | Fraction, ...]
"""Objectives of a candidate, each turned so that less is better."""


@dataclass(slots=True)
class Member:
    """Candidates with the same objectives: the first of them by number, and how many they are."""

    vector: Vector
    numbers: list[int] = field(default_factory=list)
    count: int = 0


def beats(one: Vector, other: Vector) -> bool:
    """Tell whether a vector is at least as good everywhere and better somewhere."""
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


class Front:
    """The front of all candidates added so far."""

    def __init__(self, most: int = MOST_MEMBERS) -> None:
        self._most = most
        self._members: dict[Vector, Member] = {}
        self._last: Vector | None = None
        self.complete = True
        """False once the front had more members than it may: it is no longer kept."""

    def add(self, number: int, vector: Vector) -> None:
        """Take a candidate in, and let those go that it beats."""
        if not self.complete:
            return
        member = self._members.get(vector)
        if member is None:
            if self._beaten(vector):
                return
            for other in [other for other in self._members if beats(vector, other)]:
                del self._members[other]
            if len(self._members) >= self._most:
                self.complete = False
                self._members.clear()
                return
            member = self._members[vector] = Member(vector)
        member.count += 1
        if len(member.numbers) < MOST_NAMED:
            member.numbers.append(number)

    def _beaten(self, vector: Vector) -> bool:
        """Tell whether a member beats a vector; the one that did so last is asked first."""
        if self._last is not None and self._last in self._members and beats(self._last, vector):
            return True
        for other in self._members:
            if beats(other, vector):
                self._last = other
                return True
        return False

    def members(self) -> list[Member]:
        """Return the members, best first in the first objective, then in the second, and so on."""
        return sorted(self._members.values(), key=lambda member: member.vector)

    def __contains__(self, vector: Vector) -> bool:
        """Tell whether a candidate with these objectives is on the front."""
        return vector in self._members


def oriented(values: Sequence[int | Fraction | None], senses: Sequence[str]) -> Vector | None:
    """Return objectives turned so that less is better; None where one of them is not known."""
    found: list[int | Fraction] = []
    for value, sense in zip(values, senses, strict=True):
        if value is None:
            return None
        found.append(-value if sense == "maximise" else value)
    return tuple(found)
