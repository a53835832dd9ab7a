"""A budget's arithmetic as data: sums that keep their terms, so that a reader can add them up."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from enum import IntEnum
from functools import cached_property
from typing import Generic, NamedTuple, TypeVar

from chainplan.quantity import Dimension

_Result = TypeVar("_Result")


class Case(IntEnum):
    """Which end of every tolerance a figure uses; indexes a :class:`~chainplan.quantity.Span`."""

    BEST = 0
    TYPICAL = 1
    WORST = 2


class ByCase(Generic[_Result]):
    """Something for each end of the tolerances, worked out for one when it is first asked for."""

    def __init__(self, work_out: Callable[[Case], _Result]) -> None:
        self._work_out = work_out
        self._known: dict[Case, _Result] = {}

    def __getitem__(self, case: Case) -> _Result:
        """Return it for one case."""
        if case not in self._known:
            self._known[case] = self._work_out(case)
        return self._known[case]


class Term(NamedTuple):
    """One addend: `times` x `amount`, in ticks of the sum's dimension. `parts` explain one `amount`."""

    label: str
    amount: int
    times: int = 1
    how: str = ""
    parts: tuple[Term, ...] = ()

    @property
    def total(self) -> int:
        """Return what the term adds to its sum, ticks."""
        return self.amount * self.times


class _Sum(NamedTuple):
    label: str
    dimension: Dimension
    terms: tuple[Term, ...]
    formula: str = ""
    source: str = ""


class Sum(_Sum):
    """A figure with the terms that make it; `total` is their sum and nothing else."""

    @cached_property
    def total(self) -> int:
        """Return the sum of the terms, ticks."""
        return sum([term.amount * term.times for term in self.terms])


def walk_terms(terms: tuple[Term, ...], depth: int = 0) -> Iterator[tuple[int, Term]]:
    """Yield every term with its depth, a term before its parts."""
    for term in terms:
        yield depth, term
        yield from walk_terms(term.parts, depth + 1)


def parts_add_up(term: Term) -> bool:
    """Tell whether the parts of a term, all the way down, add up to its amount."""
    if not term.parts:
        return True
    return sum(part.total for part in term.parts) == term.amount and all(map(parts_add_up, term.parts))


def nonzero(*terms: Term) -> tuple[Term, ...]:
    """Return the terms that add something; a zero term says nothing to the reader."""
    return tuple([term for term in terms if term.amount and term.times])
