"""Reach: how long a segment or a chain and how many boards could be, and which target stops each."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.headroom.reach import ChainReach, Reach, reach_budget
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, listed, runs_of
from chainplan.report.sections.common import View, by_target, two_lines

if TYPE_CHECKING:
    from chainplan.budgets.line.length import ChainLength

MOST_CHAINS = 8
"""Chains that get a table each."""

MOST_TARGETS = 3
"""Targets named in a row."""

OF_THE_WIRE = ("link margin", "wait for an answer", "node addresses")
"""Targets that a length or a number of boards is first thought of with."""

_WHAT = {
    "segment": "one segment longer",
    "chain": "all cables longer in proportion",
    "boards": "boards, added at the far end",
}


def render(view: View) -> Iterator[ReportPart]:
    """Return how far every chain could go, copies of a chain together."""
    budget = reach_budget(view.evaluation)
    if budget.skipped:
        yield Heading("Limits", "until a target is missed in the worst case")
        yield Paragraph(f"The limits are {budget.skipped}.")
        return
    for found in budget.chains[:MOST_CHAINS]:
        yield Heading("Limits", f"{found.chain}: until a target is missed in the worst case")
        yield from _chain(view, found)
    left = len(budget.chains) - MOST_CHAINS
    notes = [f"Not shown: {left} chains more; the results as data have them."] if left > 0 else []
    yield Text()
    yield Bullets([*notes, *NOTES])


NOTES = (
    "Every length and number of boards here was put through all budgets, and so was one step more (1 mm, one "
    "board). Of equal segments the one nearest to the head was made longer; copies of a chain were altered "
    "together.",
    "A further board is one more like the last one, with its cells next to its own: the string and its "
    "voltage grow with it. Strings in parallel that are not on the chain stay as they are.",
)


def _chain(view: View, found: ChainReach) -> Iterator[ReportPart]:
    lengths = view.evaluation.lengths.values()
    unknown = any(_loss_unknown(each) for each in lengths if each.chain.family == found.chain)
    columns = [
        Column("now", figures=True),
        Column("at most", figures=True),
        Column("of"),
        Column("then missed"),
    ]
    yield Table(columns, [_row(view, reach, unknown) for reach in found.reaches])
    remarks = list(_remarks(found, unknown))
    if remarks:
        yield Text()
        yield Bullets(remarks)


def _row(view: View, reach: Reach, unknown: bool) -> list[Cell]:
    most = amount(reach.most, reach.dimension, "down")
    if not reach.stopped_by:
        most = "not checked" if unknown and reach.kind != "boards" else f"{most} or more"
    what = _WHAT[reach.kind]
    if reach.segments:
        number = runs_of(reach.segments)
        what += f": number {number}" if len(reach.segments) == 1 else f": one of {number}"
    remark = "less than the plan has" if reach.most < reach.now else ""
    if most == "not checked":
        remark = "a cable, connector or barrier gives no loss"
    if not reach.monotone:
        remark = "; ".join(part for part in (remark, "something larger holds again") if part)
    return [
        amount(reach.now, reach.dimension, "up"),
        most,
        two_lines(view, what, remark),
        "; ".join(by_target(reach.stopped_by, 2)[:MOST_TARGETS]) or "-",
    ]


def _remarks(found: ChainReach, unknown: bool) -> Iterator[str]:
    if unknown:
        yield "Loss is not known everywhere on this chain: where it is not, time alone limits a length here."
    if found.missed_anyhow:
        anyhow = sorted(found.missed_anyhow, key=lambda verdict: verdict.target not in OF_THE_WIRE)
        names = listed(by_target(anyhow, 2))
        yield f"Missed even at zero length or with a single board, and left out: {names}."


def _loss_unknown(length: ChainLength) -> bool:
    return length.links is None or bool(length.unknown)
