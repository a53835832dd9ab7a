"""Every combination of conditions that stresses a segment, with arithmetic that a reader can add up."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from chainplan.chain.gaps import A, J, L, T
from chainplan.chain.network import Network, Node, Segment
from chainplan.chain.potentials import Conductor, Potentials, Taps, Worst, board_reach, node_reach
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.quantity import VOLTAGE

NodeEnd = tuple[Node, Taps] | None
"""A segment's end: the node with the conductors that count there; None for a controller's port."""


class Stress(NamedTuple):
    """A segment under one combination of conditions, each voltage in its worst state."""

    combination: str
    references: Worst
    conductors: Worst


def segment_ends(network: Network, segment: Segment) -> tuple[NodeEnd, NodeEnd]:
    """Return a segment's two nodes with the conductors that count there; None for a controller's port.

    The conductors are those of the whole board, between two nodes of one board those of each node.
    """
    nodes = network.chains[segment.chain].nodes
    near = segment.number - 2 if segment.number > 1 else None
    far = segment.number - 1 if segment.number <= len(nodes) else None
    if near is not None and far is not None and nodes[near].board == nodes[far].board:
        return (nodes[near], node_reach(nodes[near])), (nodes[far], node_reach(nodes[far]))
    return (
        None if near is None else (nodes[near], _board_around(nodes, near)),
        None if far is None else (nodes[far], _board_around(nodes, far)),
    )


def _board_around(nodes: tuple[Node, ...], place: int) -> Taps:
    board = nodes[place].board
    start, stop = place, place + 1
    while start > 0 and nodes[start - 1].board == board:
        start -= 1
    while stop < len(nodes) and nodes[stop].board == board:
        stop += 1
    return board_reach(nodes[start:stop])


def stresses(network: Network, segment: Segment, potentials: Potentials) -> list[Stress]:
    """Return every combination of a segment that counts; ``potentials`` are those of the network."""
    found = potentials.each_combination(*segment_ends(network, segment))
    return [
        Stress(references.situation.combination, references, conductors) for references, conductors in found
    ]


def explain(network: Network, segment: Segment, worst: Worst, between: str, potentials: Potentials) -> Sum:
    """Return one of a segment's voltages with its terms, signed: far end less near end.

    ``between`` is `references` or `conductors`; the voltage is of ``potentials``.
    """
    near, far = segment_ends(network, segment)
    state = worst.situation
    names = tuple(_names(near, far, between))
    higher, lower = reversed(names) if state.rises else names
    terms = [
        *_of_point(potentials, state.way.high, state.high, state.low, higher, high=True),
        *(Term(each.label, each.amount, how=each.how) for each in state.way.addends),
        *map(_subtracted, _of_point(potentials, state.way.low, state.low, state.high, lower, high=False)),
    ]
    if not state.rises:
        terms = list(map(_subtracted, terms))
    label = f"{segment.name}, {state.name}: between {between}"
    return Sum(label, VOLTAGE, nonzero(*terms), "potential of the far end less that of the near end")


def _subtracted(term: Term) -> Term:
    how = term.how.removeprefix("subtracted").removeprefix(", ")
    if how == term.how:
        how = f"subtracted, {how}" if how else "subtracted"
    return term._replace(amount=-term.amount, how=how)


Names = dict[int, str]
"""What conductors of an end are called, by the number of cells below them."""


def _names(near: NodeEnd, far: NodeEnd, between: str) -> Iterator[Names]:
    same_board = near is not None and far is not None and near[0].board == far[0].board
    for end in (near, far):
        if end is None:
            yield {}
            continue
        node, reach = end
        name = node.name if same_board else node.board
        if between == "references":
            yield {node.first_cell: f"reference of {node.name}"}
        else:
            yield {reach.last: f"uppermost tap of {name}", reach.first: f"lowest tap of {name}"}


def _of_point(
    potentials: Potentials,
    form: int | None,
    point: Conductor | None,
    other: Conductor | None,
    names: Names,
    *,
    high: bool,
) -> Iterator[Term]:
    """Yield what the potential of a conductor is made of, at its highest or lowest; nothing for chassis."""
    if point is None:
        return
    string, tap = potentials.strings[point.string], point.tap
    label = names.get(tap, f"edge of a break of {point.string}")
    if form in (L, J):
        floating = potentials.floating(form, point, other)
        below = string.taps[tap] if high else string.empty[tap]
        place = (floating.highest(tap) if high else floating.lowest(tap)) - below
        full, empty = ("full", "empty") if high else ("empty", "full")
        yield Term(label, below, how=f"cells below {full}")
        yield Term(f"chassis above HV- of {string.name}", place, how=f"by leakage, cells above {empty}")
    elif form == A:
        above = string.empty[-1] - string.empty[tap] if high else string.voltage - string.taps[tap]
        yield Term(f"cells above {label}", -above, how="empty" if high else "full")
    elif form == T and not high:
        yield Term(label, string.empty[tap], how="cells below empty")
    else:
        yield Term(label, string.taps[tap])
