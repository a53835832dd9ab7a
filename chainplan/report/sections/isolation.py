"""The isolation ladder: each node's potential, each segment's stress against its rating, distances."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.isolation import ChainIsolation, SegmentIsolation
from chainplan.quantity import VOLTAGE
from chainplan.report.figures import amount, listed, plural, signed_amount
from chainplan.report.sections.common import (
    STATUS_WIDTH,
    Cell,
    Column,
    View,
    bullets,
    heading,
    paragraph,
    status_text,
    table,
)
from chainplan.report.sections.isolation_checks import checks_table

if TYPE_CHECKING:
    from rich.console import RenderableType

MOST_SEGMENTS = 48
"""Segments of one chain that get a row; of a longer chain the tightest."""

MOST_CHAINS = 8
"""Chains that differ and get a table each."""


def render(view: View) -> Iterator[RenderableType]:
    """Return every chain's ladder, chains alike together."""
    groups = alike(view.evaluation.isolation.chains.values())
    for group in groups[:MOST_CHAINS]:
        names = listed([chain.chain.name for chain in group])
        yield heading(view, "Isolation", f"{names}: worst of all cases, cells full")
        yield from _ladder(view, group)
        yield Text()
        yield checks_table(view, group[0])
    left = [chain.chain.name for group in groups[MOST_CHAINS:] for chain in group]
    if left:
        yield paragraph(view, f"Not shown: {plural(len(left), 'chain')} more. The summary judges them too.")
    yield Text()
    yield bullets(view, NOTES)


NOTES = (
    "Potential: reference of the node above HV- of its string, all cells full. A controller is at chassis.",
    "Stress: largest voltage between the references at the segment's two ends, in any of the cases intact, "
    "break open with the DC link discharged, earth fault, contactors open. Distances between boards go by "
    "their two most distant conductors.",
    "Distances by IEC 60664-1 from transcriptions: check against the standard's own text.",
)


def alike(chains: Iterable[ChainIsolation]) -> list[list[ChainIsolation]]:
    """Return chains with the same figures in every segment together, to be drawn once."""
    groups: dict[object, list[ChainIsolation]] = {}
    for chain in chains:
        rungs = tuple((rung.reference, rung.top) for rung in chain.ladder)
        segments = tuple(
            (each.references.voltage, each.conductors.voltage, each.rating, each.checks)
            for each in chain.segments
        )
        groups.setdefault((chain.chain.family, rungs, segments), []).append(chain)
    return list(groups.values())


def _ladder(view: View, group: Sequence[ChainIsolation]) -> Iterator[RenderableType]:
    chain = group[0]
    if len(group) > 1:
        yield paragraph(view, f"These chains are alike; names are those of {chain.chain.name}.")
        yield Text()
    potentials = {rung.node: rung.reference for rung in chain.ladder}
    shown = list(chain.segments)
    if len(shown) > MOST_SEGMENTS:
        tightest = sorted(shown, key=_tightness)[:MOST_SEGMENTS]
        shown = [segment for segment in shown if segment in tightest]
    columns = [
        Column("#", figures=True),
        Column("to"),
        Column("potential\nthere", figures=True),
        Column("verdict", most=STATUS_WIDTH),
        Column("margin", figures=True),
        Column("stress", figures=True),
        Column("rating", figures=True),
        Column("worst in the case"),
    ]
    yield table(view, columns, [_row(view, segment, potentials) for segment in shown])
    left = len(chain.segments) - len(shown)
    if left:
        yield paragraph(
            view, f"Not shown: {plural(left, 'segment')} with more margin, of {len(chain.segments)} in all."
        )


def _tightness(segment: SegmentIsolation) -> tuple[int, int]:
    """Return what sorts segments: without a rating first, then the least margin."""
    return (0, 0) if segment.margin is None else (1, segment.margin)


def _row(view: View, segment: SegmentIsolation, potentials: dict[str, int]) -> list[Cell]:
    rating = segment.rating
    far = segment.segment.far
    return [
        str(segment.segment.number),
        far,
        amount(potentials[far], VOLTAGE, "up") if far in potentials else "chassis",
        status_text(view, segment.status),
        signed_amount(segment.margin, VOLTAGE),
        amount(segment.references.voltage, VOLTAGE, "up"),
        "none" if rating is None else amount(rating, VOLTAGE, "down"),
        segment.references.situation.name,
    ]
