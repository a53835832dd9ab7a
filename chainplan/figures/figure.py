"""Figures: what budgets work out, each of one subject, beside the limit that the plan sets for it.

A :class:`Kind` is known without a plan: its name, what its subjects are, how it is counted, what asks for it.
A :class:`Figure` is of one subject; what it comes to is worked out when somebody asks. A figure that is
judged is a verdict: there is no second form of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from copy import copy
from fractions import Fraction
from functools import cached_property
from typing import Any, Generic, Literal, TypeVar

from chainplan.figures.budget import parameters
from chainplan.figures.sections import SECTIONS
from chainplan.figures.terms import Sum
from chainplan.plan.model import Plan
from chainplan.plan.schedule import Targets
from chainplan.quantity import DATA_PER_SAMPLE, RATIO, Dimension, Span

Sense = Literal["at most", "below", "at least"]
Status = Literal["met", "missed", "not checked"]

BYTE = int(DATA_PER_SAMPLE.units["byte"])
"""Ticks of one byte per sample."""

WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""

TYPICAL = "/typical"
"""Ends the name of a sum's typical case; without it a name means the worst case."""

_Item = TypeVar("_Item")
_Value = Sum | int | None
_Family = TypeVar("_Family", bound=Callable[..., Iterable["Figure"]])


def _undeclared(*_: Any) -> Figures:
    raise TypeError("no budget declares how figures of this kind are worked out")


def _nothing(_: Any) -> None:
    return None


def _no_words(_: Any) -> str:
    return ""


def _never(_: Plan) -> bool:
    return False


def always(_: Plan) -> bool:
    """Ask for figures whatever the plan is."""
    return True


def _lower_end(target: Span) -> int:
    return target.min


def _upper_end(target: Span) -> int:
    return target.max


class Kind(Generic[_Item]):
    """A kind of figure, worked out of items: what a budget returns of each subject.

    `labels` say what the parts of a subject's name are, ``("controller", "task")``. `worst` and `typical`
    give an item's figure, as a sum or, where that is cheaper, as its total in ticks; `sums` then gives both
    sums. A subject whose figure is not known has no item.
    `named` is the name of its sum in ``explain``, with a pair of braces for each part of the subject; or it
    gives for an item the name of a sum of another kind. `section` is where it stands in the report.

    A kind is judged where `target`, a key of the plan's targets, says a limit, for all subjects or by the
    part of their names with the label `by`; `limit` turns what stands there into ticks, and `nobody` says
    why a name has no figure. Or it brings limits of its own, and `asked` tells whether a plan has any. With
    `yes_no` it is fulfilled as a whole or not, as a claim is: no margin is a share of it.
    """

    def __init__(
        self,
        name: str,
        dimension: Dimension,
        labels: Sequence[str],
        section: str,
        worst: Callable[[_Item], _Value],
        typical: Callable[[_Item], _Value] = _nothing,
        *,
        sums: Callable[[_Item], tuple[Sum | None, Sum | None]] | None = None,
        named: str | Callable[[_Item], str] = "",
        sense: Sense = "at most",
        where: Callable[[_Item], str] = _no_words,
        note: Callable[[_Item], str] = _no_words,
        target: str = "",
        by: str = "",
        limit: Callable[[Any], int] | None = None,
        nobody: str = "",
        asked: Callable[[Plan], object] = _never,
        yes_no: bool = False,
    ) -> None:
        self.name = name
        self.dimension = dimension
        self.labels = tuple(labels)
        self.section = section
        self.worst, self.typical, self.sums = worst, typical, sums
        self.named = named
        self.sense = sense
        self.where, self.note = where, note
        self.target, self.nobody = target, nobody
        self._by = self.labels.index(by) if by else -1
        self._limit = limit or (_upper_end if sense == "at least" else _lower_end)
        self._asked = asked
        self.yes_no = yes_no
        self.meaning = ""
        """What it says of a subject, in a sentence."""
        self.needs: tuple[str, ...] = ()
        """The budgets, and sections of the plan, that its figures are worked out from."""
        self.work_out: Callable[..., Figures] = _undeclared
        self.keeps = False

    def __repr__(self) -> str:
        return f"<kind of figure: {self.name}>"

    def __call__(
        self,
        *parts: str,
        item: _Item | None = None,
        limit: int | None = None,
        judged: bool | None = None,
        where: str | None = None,
        note: str | None = None,
        boundless: bool = False,
    ) -> Figure:
        """Return the figure of a subject; without an item it is not known.

        It is judged where it has a limit, or is `boundless`: then the worst case has no bound at all, so that
        any limit is missed.
        """
        figure = Figure(self, parts, item)
        if limit is not None:
            figure.limit = limit
        if boundless:
            figure.boundless = True
        figure.judged = (limit is not None or boundless) if judged is None else judged
        if where is not None:
            figure._where = where
        if note is not None:
            figure._note = note
        return figure

    def of(self, work_out: _Family) -> _Family:
        """Declare how the figures are worked out; the function's parameters are those of a budget.

        Raises TypeError for a section that the report has not, or a target that is no key of a plan.
        """
        if self.section not in SECTIONS:
            raise TypeError(f"{self.name}: the report has no section {self.section}: add it to SECTIONS")
        if self.target and self.target not in Targets.model_fields:
            raise TypeError(f"{self.name}: a plan has no target {self.target}: add the key to Targets")
        self.needs = parameters(work_out)
        self.meaning = (work_out.__doc__ or "").strip()
        if self.target:
            self.needs += ("targets",)
            self.work_out = lambda *of: Figures(self.limited(work_out(*of[:-1]), of[-1]))
        else:
            self.work_out = lambda *of: Figures(work_out(*of))
        KINDS.append(self)
        return work_out

    def asked(self, plan: Plan) -> bool:
        """Tell whether a plan has a limit for any such figure."""
        return bool(getattr(plan.targets, self.target) if self.target else self._asked(plan))

    def limited(self, figures: Iterable[Figure], targets: Targets) -> Iterator[Figure]:
        """Yield figures with the limits that the plan's targets set for them, and limits without a figure."""
        target = getattr(targets, self.target)
        if not isinstance(target, dict):
            limit = None if target is None else self._limit(target)
            for figure in figures:
                yield figure if limit is None else figure.limited(limit)
            return
        limits = {name: self._limit(each) for name, each in target.items()}
        left = dict(limits)
        for figure in figures:
            name = figure.parts[self._by]
            left.pop(name, None)
            yield figure.limited(limits[name]) if name in limits else figure
        for name, limit in left.items():
            parts = [""] * len(self.labels)
            parts[self._by] = name
            yield self(*parts, limit=limit, note=self.nobody)

    @property
    def explained(self) -> bool:
        """Tell whether the sums that its figures name are its own."""
        return self.sums is not None or (isinstance(self.named, str) and self.named != "")


KINDS: list[Kind[Any]] = []
"""Every kind that a budget declares."""


class _Unasked:
    """Stands where nobody has asked for a figure yet."""


_UNASKED = _Unasked()


class Figure:
    """A figure of one subject; `parts` are its name, `limit` in ticks is what it must keep, if anything.

    Ticks are those of its `dimension`.

    As a verdict it is met, missed or, where figure or limit is unknown, not checked.
    """

    limit: int | None = None
    judged = False
    boundless = False
    _value: int | _Unasked | None = _UNASKED
    _where: str | None = None
    _note: str | None = None

    def __init__(self, kind: Kind[Any], parts: tuple[str, ...], item: Any) -> None:
        self.kind, self.parts, self.item = kind, parts, item
        self.dimension = kind.dimension

    def limited(self, limit: int) -> Figure:
        """Set its limit, and return it."""
        self.limit, self.judged = limit, True
        return self

    def shown_in(self, dimension: Dimension) -> Figure:
        """Return the same figure, shown in other units of its dimension."""
        same = copy(self)
        same.dimension = dimension
        return same

    def __repr__(self) -> str:
        return f"<{self.target} of {self.subject}: {self.value}, {self.sense} {self.limit}, {self.status}>"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Figure) and (self is other or self._told == other._told)

    def __hash__(self) -> int:
        return hash(self.key)

    @property
    def _told(self) -> tuple[Any, ...]:
        return (*self.key, self.value, self.limit, self.boundless, self.typical, self.where, self.note)

    @property
    def target(self) -> str:
        """Return the kind's name, which is what a target is called."""
        return self.kind.name

    @property
    def subject(self) -> str:
        """Return what the figure is about, in words."""
        return ", ".join(filter(None, self.parts))

    @property
    def key(self) -> tuple[str, str]:
        """Return what tells it from all other figures of a plan: target and subject."""
        return self.target, self.subject

    @property
    def sense(self) -> Sense:
        """Return how the worst case must stand to the limit."""
        return self.kind.sense

    @property
    def value(self) -> int | None:
        """Return the worst case, ticks; None where it is not known."""
        known = self._value
        if isinstance(known, _Unasked):
            worst = None if self.item is None else self.kind.worst(self.item)
            known = self._value = worst.total if isinstance(worst, Sum) else worst
        return known

    @property
    def typical(self) -> int | None:
        """Return the typical case, ticks; None where there is none."""
        typical = None if self.item is None else self.kind.typical(self.item)
        return typical.total if isinstance(typical, Sum) else typical

    @property
    def sums(self) -> tuple[Sum | None, Sum | None]:
        """Return the sums that it and its typical case come from; None where it has no terms of its own."""
        kind, item = self.kind, self.item
        if item is None:
            return None, None
        if kind.sums is not None:
            return kind.sums(item)
        worst, typical = kind.worst(item), kind.typical(item)
        return worst if isinstance(worst, Sum) else None, typical if isinstance(typical, Sum) else None

    @property
    def figure(self) -> str:
        """Return the name of its sum in ``explain``; empty where there is none."""
        named = self.kind.named
        if self.item is None:
            return ""
        return named.format(*self.parts) if isinstance(named, str) else named(self.item)

    @property
    def where(self) -> str:
        """Return where in its subject the worst case is."""
        if self._where is not None:
            return self._where
        return "" if self.item is None else self.kind.where(self.item)

    @property
    def note(self) -> str:
        """Return what else there is to say of it."""
        if self._note is not None:
            return self._note
        return "" if self.item is None else self.kind.note(self.item)

    @property
    def status(self) -> Status:
        """Return met or missed, or not checked where figure or limit is unknown."""
        if self.boundless:
            return "missed"
        value, limit, sense = self.value, self.limit, self.kind.sense
        if value is None or limit is None:
            return "not checked"
        if sense == "at most":
            met = value <= limit
        elif sense == "below":
            met = value < limit
        else:
            met = value >= limit
        return "met" if met else "missed"

    @property
    def margin(self) -> int | None:
        """Return the distance to the limit, ticks; negative beyond it."""
        return margin(self.kind.sense, self.value, self.limit)

    @property
    def margin_share(self) -> Fraction | None:
        """Return the margin as a share of the limit; None where yes or no is all there is to say."""
        known = self.limit and self.margin is not None and not self.kind.yes_no
        return Fraction(self.margin or 0, self.limit or 1) if known else None


class Figures(tuple[Figure, ...]):
    """All figures of a kind, and which of them are judged and missed."""

    @cached_property
    def judged(self) -> tuple[Figure, ...]:
        """Return those that have something to keep."""
        return tuple([figure for figure in self if figure.judged])

    @cached_property
    def by_key(self) -> dict[tuple[str, str], Figure]:
        """Return those that have something to keep, by target and subject."""
        return {figure.key: figure for figure in self.judged}

    @cached_property
    def missed(self) -> tuple[Figure, ...]:
        """Return those that miss their limit."""
        return tuple([figure for figure in self.judged if figure.status == "missed"])


NO_FIGURES = Figures()


def margin(sense: Sense, value: int | None, limit: int | None) -> int | None:
    """Return the distance from a figure to its limit, ticks; negative beyond it."""
    if value is None or limit is None:
        return None
    return value - limit if sense == "at least" else limit - value


def share(part: int, whole: int) -> int:
    """Return part over whole in ticks of a ratio, rounded up."""
    return -(-part * WHOLE // whole)


def first_crossing(
    low: int, before: Mapping[tuple[str, str], Figure], high: int, stops: Iterable[Figure]
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
