"""What a plan lays out: strings, chains and the way each chain is walked, before any figure is judged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from chainplan.chain.network import CellString, Chain
from chainplan.printout.svg import Svg
from chainplan.printout.walk import walk_svg
from chainplan.quantity import LENGTH, VOLTAGE
from chainplan.report.blocks import Block, Column, Heading, Paragraph, Table
from chainplan.report.figures import amount, listed, plural
from chainplan.report.sections.common import View
from chainplan.report.sections.isolation import alike

MOST_ROWS = 24
MOST_DRAWN = 8
"""Chains that differ and are drawn."""


def layout_blocks(view: View, ident: Callable[[], str]) -> Iterator[Block | Svg]:
    """Yield the tables of strings and chains, then every chain that differs; `ident` names drawings."""
    yield Heading("Layout", "strings, chains, and which board hangs where")
    yield _strings(view)
    yield _chains(view)
    groups = alike(view.evaluation.isolation.chains.values())
    for group in groups[:MOST_DRAWN]:
        names = [each.chain.name for each in group]
        yield Heading("Layout", f"chain {listed(names, view.most_names)}")
        if len(names) > 1:
            yield Paragraph(f"These chains are alike; names are those of {names[0]}.")
        yield walk_svg(ident(), view.evaluation.network, group[0].chain)
    if groups:
        yield Paragraph(NOTE)
    if len(groups) > MOST_DRAWN:
        left = sum(map(len, groups[MOST_DRAWN:]))
        yield Paragraph(f"Not drawn: {plural(left, 'chain')} more.")


NOTE = (
    "Boxes in the order of the chain; beside each line the segment's number and its length at most. "
    "Potentials are above HV- of the string, all cells full. Two strokes mark a place where the string can "
    "open between two neighbours."
)


def _strings(view: View) -> Block:
    groups: dict[object, list[CellString]] = {}
    for string in view.evaluation.network.strings.values():
        groups.setdefault((string.taps, string.breaks, len(string.boards)), []).append(string)
    columns = [
        Column("string"),
        Column("cells", figures=True),
        Column("boards", figures=True),
        Column("voltage,\ncells full", figures=True),
        Column("can open at, cells below"),
    ]
    rows = [
        [
            listed([string.name for string in group], view.most_names),
            str(len(group[0].taps) - 1),
            str(len(group[0].boards)),
            amount(group[0].voltage, VOLTAGE, "up"),
            ", ".join(f"{each.kind} {each.name} ({each.cells_below})" for each in group[0].breaks) or "-",
        ]
        for group in groups.values()
    ]
    return Table(columns, _capped(rows))


def _chains(view: View) -> Block:
    groups: dict[object, list[Chain]] = {}
    for chain in view.evaluation.network.chains.values():
        key = (chain.family, chain.controller, chain.is_ring, len(chain.nodes))
        groups.setdefault(key, []).append(chain)
    columns = [
        Column("chain"),
        Column("shape"),
        Column("controller"),
        Column("ports"),
        Column("nodes", figures=True),
        Column("segments", figures=True),
        Column("cable, at most", figures=True),
        Column("protocol"),
    ]
    rows = [
        [
            listed([chain.name for chain in group], view.most_names),
            "ring" if group[0].is_ring else "open",
            group[0].controller,
            listed([port for chain in group for port in (chain.head, chain.back) if port], 8),
            str(len(group[0].nodes)),
            str(len(group[0].segments)),
            amount(sum(each.hop.length.max for each in group[0].segments), LENGTH, "up"),
            group[0].plan.protocol,
        ]
        for group in groups.values()
    ]
    return Table(columns, _capped(rows))


def _capped(rows: Sequence[list[str]]) -> list[list[str]]:
    """Return the first rows; a last one counts what is left out."""
    if len(rows) <= MOST_ROWS:
        return list(rows)
    left = len(rows) - MOST_ROWS
    return [*rows[:MOST_ROWS], [f"and {left} more", *[""] * (len(rows[0]) - 1)]]
