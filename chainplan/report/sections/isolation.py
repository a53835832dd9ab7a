"""The isolation ladder: each node's potential, each segment's stress against its rating, distances."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence

from rich.text import Text

from chainplan.budgets.isolation.figures import (
    BARRIER_CLEARANCE,
    BARRIER_CREEPAGE,
    BARRIER_TEST_VOLTAGE,
    BARRIER_TRANSIENT,
    BARRIER_VOLTAGE,
    BOARD_CLEARANCE,
    BOARD_CREEPAGE,
    CONDUCTOR_VOLTAGE,
    TRANSIENT_CONDUCTOR_VOLTAGE,
    TRANSIENT_VOLTAGE,
    WORKING_VOLTAGE,
)
from chainplan.budgets.isolation.segments import ChainIsolation, SegmentIsolation
from chainplan.plan.conditions import INTACT
from chainplan.quantity import VOLTAGE
from chainplan.report.alike import gathered, tightest
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, listed, plural, signed_amount
from chainplan.report.sections.common import ORDER, STATUS_WIDTH, View, status_text
from chainplan.report.sections.isolation_checks import checks_table
from chainplan.report.sections.ladder import draw_chain

MOST_SEGMENTS = 24
"""Segments of one chain that get a row in the table below the ladder; of more the tightest."""

MOST_CHAINS = 8
"""Chains that differ and get a table each."""


DRAWS = (
    BARRIER_VOLTAGE,
    BARRIER_TRANSIENT,
    BARRIER_CREEPAGE,
    BARRIER_CLEARANCE,
    BARRIER_TEST_VOLTAGE,
    BOARD_CREEPAGE,
    BOARD_CLEARANCE,
    WORKING_VOLTAGE,
    CONDUCTOR_VOLTAGE,
    TRANSIENT_VOLTAGE,
    TRANSIENT_CONDUCTOR_VOLTAGE,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return every chain's ladder, chains alike together."""
    groups = alike(view.evaluation.isolation.chains.values())
    shown = tightest(groups, MOST_CHAINS, lambda group: min(map(_chain_order, group[0].segments)))
    for group in shown:
        names = listed([chain.chain.name for chain in group])
        yield Heading("Isolation", f"{names}: worst of all states")
        yield from _ladder(view, group)
        yield Text()
        yield checks_table(view, group[0])
    left = sum(map(len, groups)) - sum(map(len, shown))
    if left:
        yield Paragraph(
            f"Not shown: {plural(left, 'chain')} that are no tighter. The summary judges them too."
        )
    yield Text()
    yield Bullets(NOTES)


NOTES = (
    "Potentials: from the node's reference to its uppermost tap, above HV- of its string, all cells full. A "
    "controller is at chassis.",
    "Stress: largest lasting voltage between the references at the segment's two ends, in any state of the "
    "strings, the DC link and chassis with as many abnormal conditions at once as the plan asks for. Arc and "
    "overshoot of a break count for milliseconds: for the transient rating, clearance and test voltage. "
    "Distances between boards go by their two most distant conductors.",
    "Distances by IEC 60664-1 from transcriptions: check against the standard's own text.",
)


def alike(chains: Iterable[ChainIsolation]) -> list[list[ChainIsolation]]:
    """Return chains with the same figures in every segment together, to be drawn once."""
    return gathered(chains, _key)


def _key(chain: ChainIsolation) -> Hashable:
    rungs = tuple((rung.reference, rung.top) for rung in chain.ladder)
    segments = tuple(
        (each.references.voltage, each.conductors.voltage, each.rating, each.checks)
        for each in chain.segments
    )
    return chain.chain.family, rungs, segments


def _ladder(view: View, group: Sequence[ChainIsolation]) -> Iterator[ReportPart]:
    chain = group[0]
    if len(group) > 1:
        yield Paragraph(f"These chains are alike; names are those of {chain.chain.name}.")
        yield Text()
    yield draw_chain(view, chain)
    told = [segment for segment in chain.segments if segment.status != "met" or not _intact(segment)]
    if not told:
        return
    yield Text()
    columns = [
        Column("segment", figures=True),
        Column("to"),
        Column("verdict", most=STATUS_WIDTH),
        Column("margin", figures=True),
        Column("stress", figures=True),
        Column("rating", figures=True),
        Column("worst in the state"),
    ]
    shown = tightest(told, MOST_SEGMENTS, _tightness)
    yield Table(columns, [_row(view, segment) for segment in shown])
    if len(shown) < len(told):
        yield Paragraph(f"Not shown: {plural(len(told) - len(shown), 'segment')} with more margin.")
    if len(told) < len(chain.segments):
        yield Paragraph("Every other segment is met, and worst with the strings intact.")


def _intact(segment: SegmentIsolation) -> bool:
    return segment.references.situation.combination == INTACT


def _chain_order(segment: SegmentIsolation) -> tuple[int, tuple[int, int]]:
    """Return what sorts chains: their missed segments, then unknown ones, then the least margin."""
    return ORDER[segment.status], _tightness(segment)


def _tightness(segment: SegmentIsolation) -> tuple[int, int]:
    """Return what sorts segments: without a rating first, then the least margin."""
    return (0, 0) if segment.margin is None else (1, segment.margin)


def _row(view: View, segment: SegmentIsolation) -> list[Cell]:
    rating = segment.rating
    return [
        str(segment.segment.number),
        segment.segment.far,
        status_text(view, segment.status),
        signed_amount(segment.margin, VOLTAGE),
        amount(segment.references.voltage, VOLTAGE, "up"),
        "none" if rating is None else amount(rating, VOLTAGE, "down"),
        segment.references.situation.name,
    ]
