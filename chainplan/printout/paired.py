"""Figures of the appendix: worst case and typical case side by side, and no split of a term twice.

The two cases of a figure are mostly made of the same terms, and the same part, such as one run of a task,
stands in several figures. Its terms are written where it comes first; elsewhere a name leads there.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import NamedTuple

from chainplan.figures.terms import Sum, Term
from chainplan.quantity import BITS
from chainplan.report.explain import Scale, scale_of
from chainplan.report.figures import amount

Pair = tuple[Term | None, Term | None]
"""A term in the worst case and the same term in the typical case."""


class PairedRow(NamedTuple):
    """A term as it is written: what it adds in the worst case and typically, what it is, what one adds."""

    worst: str
    typical: str
    label: str
    each: str


class PairedBlock(NamedTuple):
    """Terms under one another and their sums; `title` says which term of an earlier block they make."""

    title: str
    rows: tuple[PairedRow, ...]
    worst: str
    typical: str
    in_bytes: str = ""


class Cases(NamedTuple):
    """A figure in the worst case and, where there is one, in the typical case."""

    worst: Sum
    typical: Sum | None

    @property
    def scales(self) -> tuple[Scale, Scale | None]:
        """Return how the figures of either case are written: in one unit."""
        scale = scale_of(self.worst)
        return scale, scale_of(self.typical, scale) if self.typical else None


class _Part(NamedTuple):
    """What a block is made of: the terms of both cases and what they come to."""

    title: str
    terms: tuple[Sequence[Term], Sequence[Term]]
    totals: tuple[int | None, int | None]
    key: Hashable


def written_out(
    name: str, cases: Cases, most: int, known: dict[Hashable, str]
) -> tuple[tuple[PairedBlock, ...], int]:
    """Return a figure's blocks with at most so many terms, and how many terms were left out.

    `known` says where the terms of a part are written already, and learns those written here under `name`.
    """
    scales = cases.scales
    typical = cases.typical
    parts = [
        _Part(
            "",
            (cases.worst.terms, typical.terms if typical else ()),
            (cases.worst.total, typical.total if typical else None),
            None,
        )
    ]
    numbers: dict[Hashable, int] = {}
    blocks: list[PairedBlock] = []
    left = 0
    for index, part in enumerate(parts):  # grows while it is walked
        rows = []
        for pair in paired(*part.terms):
            place = ""
            if any(term is not None and term.parts for term in pair):
                key = cases.worst.dimension.name, *(term and (term.amount, term.parts) for term in pair)
                if key in known:
                    place = f" [{known[key]}]"
                else:
                    if key not in numbers:
                        numbers[key] = len(parts)
                        parts.append(_split(pair, len(parts), key))
                    place = f" [{numbers[key]}]"
            rows.append(_row(pair, scales, place))
        if rows and most <= 0:
            left += len(rows)
            continue
        shown = tuple(rows[:most])
        left += len(rows) - len(shown)
        most -= len(shown)
        blocks.append(PairedBlock(part.title, shown, *_totals(part.totals, scales), _in_bytes(part, scales)))
        if index and len(shown) == len(rows):
            known[part.key] = f"{name} {index}"
    return tuple(blocks), left


def paired(worst: Sequence[Term], typical: Sequence[Term]) -> list[Pair]:
    """Return the terms of both cases side by side, those of the same words together."""
    waiting: dict[tuple[str, str], list[Term]] = {}
    for term in typical:
        waiting.setdefault((term.label, term.how), []).append(term)
    found: list[Pair] = []
    for term in worst:
        mates = waiting.get((term.label, term.how))
        found.append((term, mates.pop(0) if mates else None))
    return found + [(None, term) for mates in waiting.values() for term in mates]


def _split(pair: Pair, number: int, key: Hashable) -> _Part:
    first = next(term for term in pair if term is not None)
    each = ", each" if any(term is not None and term.times != 1 for term in pair) else ""
    worst, typical = pair
    return _Part(
        f"[{number}] {first.label}{each}",
        (worst.parts if worst else (), typical.parts if typical else ()),
        (worst.amount if worst else None, typical.amount if typical else None),
        key,
    )


def _row(pair: Pair, scales: tuple[Scale, Scale | None], place: str) -> PairedRow:
    first = next(term for term in pair if term is not None)
    label = first.label + (f" ({first.how})" if first.how else "") + place
    totals = tuple(None if term is None else term.total for term in pair)
    each = {
        (term.times, term.amount): f"{term.times} x {scale.number(term.amount)} {scale.unit}"
        for term, scale in zip(pair, scales, strict=True)
        if term is not None and scale is not None and term.times != 1
    }
    return PairedRow(
        *_totals((totals[0], totals[1]), scales), label, f"= {'; '.join(each.values())}" if each else ""
    )


def _totals(totals: tuple[int | None, int | None], scales: tuple[Scale, Scale | None]) -> tuple[str, str]:
    worst, typical = (
        "" if scale is None else "-" if total is None else f"{scale.number(total)} {scale.unit}"
        for total, scale in zip(totals, scales, strict=True)
    )
    return worst, typical


def _in_bytes(part: _Part, scales: tuple[Scale, Scale | None]) -> str:
    total = part.totals[0]
    return amount(total, BITS) if scales[0].unit == "bit" and total is not None and total % 8 == 0 else ""
