"""What the changes do to each target: its worst case, its margin, and whether it is met."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from functools import partial
from typing import Literal, NamedTuple

from chainplan.comparison.matching import partners
from chainplan.figures.figure import Figure

Effect = Literal["newly missed", "no longer checked", "newly met", "worse", "better", "same"]
"""What a plan does to a target of the reference; "same" where neither verdict nor margin changes."""

_RANK: dict[Effect, int] = {
    "newly missed": 0,
    "no longer checked": 1,
    "newly met": 2,
    "worse": 3,
    "better": 3,
    "same": 4,
}


class TargetRow(NamedTuple):
    """One target in every plan, the reference first; None where a plan has no such target."""

    target: str
    subject: str
    verdicts: tuple[Figure | None, ...]

    @property
    def effects(self) -> tuple[Effect | None, ...]:
        """Return what each later plan does to the target of the reference; None where one has none."""
        first, *others = self.verdicts
        return tuple(effect(first, other) if first and other else None for other in others)

    @property
    def in_all(self) -> bool:
        """Tell whether every plan has this target."""
        return None not in self.verdicts

    @property
    def differs(self) -> bool:
        """Tell whether anything about the target is not the same in all plans."""
        first, *others = self.verdicts
        return any(_facts(other) != _facts(first) for other in others)


def _facts(verdict: Figure | None) -> object:
    """Return what a reader compares; remarks on where the worst case lies are not among it."""
    if verdict is None:
        return None
    return (
        verdict.status,
        verdict.value,
        verdict.limit,
        verdict.typical,
        verdict.dimension.name,
        verdict.sense,
    )


def effect(old: Figure, new: Figure) -> Effect:
    """Return what one plan does to a target of another. A margin counts as a share of its limit.

    Where there is no share, because the limit is zero or unknown, the margin itself counts.
    """
    if new.status != old.status:
        if new.status == "missed":
            return "newly missed"
        return "newly met" if new.status == "met" else "no longer checked"
    if old.boundless != new.boundless:
        return "worse" if new.boundless else "better"
    change = share_change(old, new)
    if change is None:
        if old.margin is None or new.margin is None or old.dimension.name != new.dimension.name:
            return "same"
        change = Fraction(new.margin - old.margin)
    return "better" if change > 0 else "worse" if change < 0 else "same"


def share_change(old: Figure, new: Figure) -> Fraction | None:
    """Return by how much the margin's share of its limit changes; None where there is none."""
    before, after = old.margin_share, new.margin_share
    return None if before is None or after is None else after - before


def value_change(old: Figure, new: Figure) -> tuple[int, Fraction | None] | None:
    """Return by how much the worst case changes: in ticks, and as a share of what it was.

    None where one of them is unknown, or they are of different kinds; no share where it was zero.
    """
    if old.value is None or new.value is None or old.dimension.name != new.dimension.name:
        return None
    change = new.value - old.value
    return change, Fraction(change, abs(old.value)) if old.value else None


def target_rows(
    plans: Sequence[Iterable[Figure]], renamed: Sequence[Callable[[str], str]]
) -> tuple[TargetRow, ...]:
    """Return every target of any plan, the reference's plan first, in the order that a reader wants.

    `renamed` puts the names of each plan behind the first for those of the first. First comes what is newly
    missed, then what is no longer checked, then what is newly met, then the largest change of margin.
    """
    by_key = [{each.key: each for each in verdicts} for verdicts in plans]
    rows = {key: [verdict, *[None] * (len(plans) - 1)] for key, verdict in by_key[0].items()}
    for number, (verdicts, new_name) in enumerate(zip(by_key[1:], renamed, strict=True), start=1):
        theirs = partners(by_key[0], verdicts, partial(_with_new_name, new_name))
        inverse = {other: key for key, other in theirs.items()}
        for key, verdict in verdicts.items():
            mine = inverse.get(key, key)
            rows.setdefault(mine, [None] * len(plans))[number] = verdict
    found = [TargetRow(*key, tuple(verdicts)) for key, verdicts in rows.items()]
    return tuple(sorted(found, key=_order))


def _with_new_name(new_name: Callable[[str], str], key: tuple[str, str]) -> tuple[str, str]:
    return key[0], new_name(key[1])


def _order(row: TargetRow) -> tuple[int, Fraction]:
    """Return the place in the table: the gravest effect of any plan, then the largest change of margin."""
    effects = [each for each in row.effects if each is not None]
    gravest = min((_RANK[each] for each in effects), default=5)
    if not row.in_all:
        gravest = min(gravest, 3) if effects else 5
    first, *others = row.verdicts
    changes = [share_change(first, other) for other in others if first and other]
    return gravest, -max((abs(each) for each in changes if each is not None), default=Fraction(0))
