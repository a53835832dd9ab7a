"""Figures that come to something else, with the terms that make the difference."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from typing import NamedTuple

from chainplan.comparison.matching import partners
from chainplan.figures.figure import TYPICAL
from chainplan.figures.terms import Sum, Term
from chainplan.quantity import Dimension

Sums = Mapping[str, Callable[[], Sum]]


class TermChange(NamedTuple):
    """A term that adds something else to its sum; None on the side that has no such term.

    `parts` are the changes within one amount of it.
    """

    label: str
    old: Term | None
    new: Term | None
    parts: tuple[TermChange, ...] = ()

    @property
    def change(self) -> int:
        """Return by how much it changes its sum, ticks."""
        return (self.new.total if self.new else 0) - (self.old.total if self.old else 0)


class FigureChange(NamedTuple):
    """A figure whose total is not the same, ticks of `dimension`; None where a plan has no such figure.

    `terms` are those that differ, the largest difference first; none where one plan lacks the figure.
    """

    name: str
    label: str
    dimension: Dimension
    old: int | None
    new: int | None
    terms: tuple[TermChange, ...] = ()

    @property
    def change(self) -> int | None:
        """Return by how much the total changes, ticks."""
        return None if self.old is None or self.new is None else self.new - self.old

    @property
    def share(self) -> Fraction | None:
        """Return the change as a share of the old total; None where that is zero."""
        return Fraction(self.change, abs(self.old)) if self.change is not None and self.old else None

    @property
    def typical(self) -> bool:
        """Tell whether this is the typical case of a figure."""
        return self.name.endswith(TYPICAL)


def figure_changes(old: Sums, new: Sums, renamed: Callable[[str], str]) -> tuple[FigureChange, ...]:
    """Return the figures that differ: in both plans first, the largest relative change first of all."""
    pairs = partners(old, new, renamed)
    found: list[FigureChange] = []
    for name, other in pairs.items():
        before, after = old[name](), new[other]()
        if before.dimension.name != after.dimension.name:
            found += _alone(name, before, is_old=True), _alone(other, after, is_old=False)
        elif before.total != after.total:
            terms = term_changes(before.terms, after.terms, renamed)
            found.append(FigureChange(other, after.label, after.dimension, before.total, after.total, terms))
    taken = set(pairs.values())
    found += (_alone(name, work_out(), is_old=True) for name, work_out in old.items() if name not in pairs)
    found += (_alone(name, work_out(), is_old=False) for name, work_out in new.items() if name not in taken)
    return tuple(sorted(found, key=_order))


def _alone(name: str, figure: Sum, *, is_old: bool) -> FigureChange:
    before, after = (figure.total, None) if is_old else (None, figure.total)
    return FigureChange(name, figure.label, figure.dimension, before, after)


def _order(figure: FigureChange) -> tuple[int, Fraction]:
    if figure.change is None:
        return 2, Fraction(0)
    return (0, Fraction(0)) if figure.share is None else (1, -abs(figure.share))


def term_changes(
    old: tuple[Term, ...], new: tuple[Term, ...], renamed: Callable[[str], str]
) -> tuple[TermChange, ...]:
    """Return the terms that add something else, matched by their labels, the largest difference first.

    Their changes add up to that of the sum. Several terms of one label are taken in their order.
    """
    before = dict(_numbered(old, renamed))
    after = dict(_numbered(new, str))
    found = []
    for key in (*after, *(key for key in before if key not in after)):
        first, second = before.get(key), after.get(key)
        change = TermChange(key[0], first, second)
        if change.change:
            if first and second and first.amount != second.amount:
                change = change._replace(parts=term_changes(first.parts, second.parts, renamed))
            found.append(change)
    return tuple(sorted(found, key=lambda each: -abs(each.change)))


def _numbered(
    terms: tuple[Term, ...], renamed: Callable[[str], str]
) -> Iterator[tuple[tuple[str, int], Term]]:
    """Yield terms by their labels, those of one label counted."""
    seen: Counter[str] = Counter()
    for term in terms:
        label = renamed(term.label)
        yield (label, seen[label]), term
        seen[label] += 1
