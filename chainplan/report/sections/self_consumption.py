"""Supply: what the boards of each string draw from their cells, and how far that drives the cells apart."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from itertools import groupby

from rich.text import Text

from chainplan.budgets.standby.self_consumption import (
    ALWAYS,
    IMBALANCE,
    NEVER,
    NodeSupply,
    Spread,
    StringSupply,
)
from chainplan.figures.terms import Case
from chainplan.quantity import CAPACITY, CURRENT, RATIO, format_span
from chainplan.report.alike import gathered, tightest
from chainplan.report.blocks import Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, listed, percent, plural
from chainplan.report.sections.common import View

MOST_BOARDS = 24
"""Boards of one string that get a row: the lowest and the uppermost."""

MOST_STRINGS = 8
"""Strings that differ and get a table each."""


DRAWS = (IMBALANCE,)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return every string's boards, strings alike together; nothing where no node's currents are given."""
    strings = [each for each in view.evaluation.self_consumption if any(_given(node) for node in each.nodes)]
    groups = alike(strings)
    shown = tightest(groups, MOST_STRINGS, lambda group: -(group[0].spread.largest if group[0].spread else 0))
    for group in shown:
        names = listed([string.string for string in group])
        yield Heading("Self-consumption", f"{names}: what its nodes draw from their cells")
        if group[0].missing:
            yield Paragraph(f"Not worked out: {group[0].missing}.")
        else:
            yield from _string(view, group[0])
    if len(shown) < len(groups):
        left = sum(map(len, groups)) - sum(map(len, shown))
        yield Paragraph(f"Not shown: {plural(left, 'string')} more, with no more imbalance.")
    if groups:
        yield Text()
        yield Paragraph(EXPLANATION)


EXPLANATION = (
    "Every node draws from its own cells. Nearer to the head it passes on more; a board of another type "
    "draws otherwise. Current: mean while awake, of the board's node that draws most. Imbalance: how far two "
    "cells of the string are driven apart in 30 days, in the worst case with the tolerances of two nodes at "
    "opposite ends. Retries are left out."
)


def _given(node: NodeSupply) -> bool:
    return bool(node.node.type.currents.model_fields_set)


def alike(strings: Sequence[StringSupply]) -> list[list[StringSupply]]:
    """Return strings whose nodes do and draw the same together, to be written once."""
    return gathered(strings, _key)


def _key(string: StringSupply) -> Hashable:
    return tuple(
        (id(each.node.type), each.activity.communicating, each.activity.measuring, each.cycle)
        for each in string.nodes
    )


def _string(view: View, string: StringSupply) -> Iterator[ReportPart]:
    boards = [list(nodes) for _, nodes in groupby(string.nodes, key=lambda each: each.node.board)]
    columns = [
        Column("board"),
        Column("communicates", figures=True),
        Column("measures", figures=True),
        Column("current,\ntypical", figures=True),
        Column("current,\nat most", figures=True),
    ]
    half = MOST_BOARDS // 2
    shown = boards if len(boards) <= MOST_BOARDS else boards[:half] + boards[-half:]
    yield Table(columns, [_board(nodes) for nodes in shown])
    if len(shown) < len(boards):
        yield Paragraph(f"Not shown: {plural(len(boards) - len(shown), 'board')} between them.")
    yield Text()
    yield _spreads(view, string)


def _board(nodes: Sequence[NodeSupply]) -> list[Cell]:
    return [
        nodes[0].node.board + (f" ({plural(len(nodes), 'node')})" if len(nodes) > 1 else ""),
        percent(max(node.share("communicating") for node in nodes)),
        percent(max(node.share("measuring") for node in nodes)),
        amount(max(node.awake_current(Case.TYPICAL) for node in nodes), CURRENT),
        amount(max(node.awake_current(Case.WORST) for node in nodes), CURRENT, "up"),
    ]


def _spreads(view: View, string: StringSupply) -> ReportPart:
    columns = [
        Column("imbalance in 30 days"),
        Column("worst case", figures=True),
        Column("typical", figures=True),
        Column("between"),
    ]
    cases = [("always awake", ALWAYS), ("always asleep", NEVER)]
    if string.awake is not None and string.awake not in (ALWAYS, NEVER):
        cases.append((f"awake {format_span(string.awake, RATIO)} of the time", string.awake))
    return Table(columns, [_spread(name, string.at(awake)) for name, awake in cases])


def _spread(name: str, spread: Spread) -> list[Cell]:
    return [
        name,
        amount(spread.worst.total, CAPACITY, "up"),
        amount(spread.typical.total, CAPACITY),
        f"{spread.most} and {spread.least}" if spread.worst.total else "-",
    ]
