"""Every case that stresses a segment's isolation, with the arithmetic that a reader can add up.

:mod:`chainplan.chain.potentials` finds the worst case of many segments quickly. Here one segment is looked at
slowly: in each case the potentials of all conductors that can be an extreme are written down as sums of
terms, and the pair that differs most is kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import NamedTuple

from chainplan.chain.floating import Floating
from chainplan.chain.network import Break, Network, Node, Segment
from chainplan.chain.potentials import (
    FLOATING,
    INTACT,
    Potentials,
    Situation,
    Taps,
    board_reach,
    closest_across,
    node_reach,
    reference_reach,
)
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.quantity import VOLTAGE


class Stress(NamedTuple):
    """A segment in one case: signed sums in uV, far end less near end; the magnitude is what counts.

    ``references`` lies between the two nodes' references (chassis, for a port) and stresses the barrier,
    ``conductors`` between the worst pair of conductors of the two boards and sets the spacing.
    """

    case: str
    references: Sum
    conductors: Sum
    note: str = ""


class End(NamedTuple):
    """One end of a segment: conductors of a string, and what to call the lowest and the uppermost."""

    string: str
    reach: Taps
    low: str
    high: str


Potential = tuple[Term, ...]
"""One conductor's potential above a common zero, as terms, uV."""


def situations(network: Network, segment: Segment, potentials: Potentials) -> Iterator[Situation]:
    """Yield the cases of a segment in the order of a report: intact, breaks, earth faults, floating."""
    near, far = segment_ends(network, segment)
    yield INTACT
    if near is None or far is None:
        end = far if near is None else near
        assert end is not None  # a segment has a node at one end at least
        string = end[0].string
        openings = potentials.openings[string]
        yield from (Situation("fault", string, pole) for pole in ("HV-", "HV+"))
        yield from (openings.situation("open, fault", index) for index in range(len(openings.cells)))
        return
    strings = dict.fromkeys((near[0].string, far[0].string))
    if len(strings) == 1:
        yield from _breaks_within(potentials, near, far)
        return
    for string in strings:
        openings = potentials.openings[string]
        yield from (openings.situation("open", index) for index in range(len(openings.cells)))
    yield FLOATING
    for string in strings:
        yield from (Situation("floating, fault", string, pole) for pole in ("HV-", "HV+"))


def _breaks_within(
    potentials: Potentials, near: tuple[Node, Taps], far: tuple[Node, Taps]
) -> Iterator[Situation]:
    openings = potentials.openings[near[0].string]
    pairs = (near[1], far[1]), (reference_reach(near[0]), reference_reach(far[0]))
    others = 0
    for index, cell in enumerate(openings.cells):
        tap = openings.string.taps[cell]
        if any(closest_across(one, other, cell, tap) is not None for one, other in pairs):
            yield openings.situation("open", index)
        else:
            others += 1
    if others:
        place = "the only other break" if others == 1 else f"any of {others} other breaks"
        if others == len(openings.cells):
            place = place.replace("other ", "")
        yield Situation("other breaks", near[0].string, place)


def segment_ends(
    network: Network, segment: Segment
) -> tuple[tuple[Node, Taps] | None, tuple[Node, Taps] | None]:
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


def explain(network: Network, segment: Segment, situation: Situation, potentials: Potentials) -> Stress:
    """Return a segment's voltages in one case, with their terms; ``potentials`` are those of the network."""
    near, far = segment_ends(network, segment)
    same_board = near is not None and far is not None and near[0].board == far[0].board
    references: list[End | None] = []
    conductors: list[End | None] = []
    for end in (near, far):
        if end is None:
            references.append(None)
            conductors.append(None)
            continue
        node, reach = end
        name = node.name if same_board else node.board
        label = f"reference of {node.name}"
        references.append(End(node.string, reference_reach(node), label, label))
        conductors.append(End(node.string, reach, f"lowest tap of {name}", f"uppermost tap of {name}"))
    title = f"{segment.name}, {situation.name}"
    return Stress(
        situation.name,
        _largest(f"{title}: between references", potentials, situation, *references),
        _largest(f"{title}: between conductors", potentials, situation, *conductors),
        _note(potentials, situation, near, far),
    )


def _largest(
    label: str, potentials: Potentials, situation: Situation, near: End | None, far: End | None
) -> Sum:
    """Return the largest difference, far less near, of the potentials that the ends can take."""
    here = _potentials(potentials, situation, near, far)
    there = _potentials(potentials, situation, far, near)
    up, down = max(product(there, here), key=lambda pair: abs(_total(pair[0]) - _total(pair[1])))
    less = tuple(
        Term(term.label, -term.amount, how=f"subtracted, {term.how}" if term.how else "subtracted")
        for term in down
    )
    return Sum(label, VOLTAGE, nonzero(*up, *less), "potential of the far end less that of the near end")


def _total(potential: Potential) -> int:
    return sum(term.amount for term in potential)


def _potentials(
    potentials: Potentials, situation: Situation, end: End | None, other: End | None
) -> list[Potential]:
    """Return the extreme potentials an end can take in a case; ``other`` is the segment's other end.

    An end that is None is at chassis. The zero is HV- of the string that the case is about, or chassis where
    leakage decides.
    """
    if end is None:
        assert other is not None  # a segment has a node at one end at least
        return _chassis(potentials, situation, other)
    kind, own = situation.kind, situation.string == end.string
    if kind in ("open", "open, fault"):
        return _opened(potentials, situation, end) if own else _hung(potentials, situation, end)
    if kind == "floating, fault" and own:
        return _at_fault(potentials.floating[end.string], end, situation.place)
    if kind in ("floating", "floating, fault"):
        return _floats(potentials.floating[end.string], end)
    if kind == "intact" and other is None:  # to chassis, by leakage
        return _floats(potentials.joined[end.string], end)
    return _whole(end)


def _whole(end: End) -> list[Potential]:
    return [(Term(end.low, end.reach.low),), (Term(end.high, end.reach.high),)]


def _chassis(potentials: Potentials, situation: Situation, other: End) -> list[Potential]:
    """Return where chassis can stand above HV- of the string of the segment's other end."""
    openings = potentials.openings[other.string]
    if situation.kind == "fault":
        return [(Term("HV+ at chassis", openings.voltage if situation.place == "HV+" else 0),)]
    if situation.kind == "open, fault":
        opening = openings.string.breaks[situation.number]
        edge = openings.string.taps[opening.cells_below]
        upper = Term(f"upper edge of {opening.name} at chassis", edge)
        return [
            (Term(f"lower edge of {opening.name} at chassis", edge),),
            (upper, *_moved(openings.voltage, opening, other.string)),
        ]
    return [()]  # chassis is the zero


def _moved(voltage: int, opening: Break, string: str) -> Potential:
    """Return the terms by which everything above an open break moves."""
    return (
        Term(f"string voltage of {string}", -voltage, how="moved down"),
        Term(f"allowance of {opening.name}", -opening.allowance, how="arc and overshoot"),
    )


def _opened(potentials: Potentials, situation: Situation, end: End) -> list[Potential]:
    openings = potentials.openings[end.string]
    opening = openings.string.breaks[situation.number]
    edge = openings.string.taps[opening.cells_below]
    reach = end.reach
    found: list[Potential] = []
    if reach.first < opening.cells_below:
        if reach.last > opening.cells_below:
            top = Term(f"lower edge of {opening.name}", edge)
        else:
            top = Term(end.high, reach.high)
        found += [(Term(end.low, reach.low),), (top,)]
    if reach.first >= opening.cells_below or reach.last > opening.cells_below:
        if reach.first < opening.cells_below:
            bottom = Term(f"upper edge of {opening.name}", edge)
        else:
            bottom = Term(end.low, reach.low)
        moved = _moved(openings.voltage, opening, end.string)
        found += [(bottom, *moved), (Term(end.high, reach.high), *moved)]
    return found


def _hung(potentials: Potentials, situation: Situation, end: End) -> list[Potential]:
    """Return the potentials of a whole string with its HV- or its HV+ at the poles of the opened string."""
    opening = potentials.openings[situation.string].string.breaks[situation.number]
    by_plus = (
        Term(f"string voltage of {end.string}", -potentials.openings[end.string].voltage, how="HV+ common"),
        Term(f"allowance of {opening.name}", -opening.allowance, how="arc and overshoot"),
    )
    return [*_whole(end), *((*potential, *by_plus) for potential in _whole(end))]


def _floats(floating: Floating, end: End) -> list[Potential]:
    """Return a string's potentials to chassis by leakage: lowest and highest."""
    first, last = end.reach.first, end.reach.last
    least, most = floating.empty[first], floating.full[last]
    low, high = floating.lowest(first), floating.highest(last)
    return [
        (Term(end.low, least, how="cells below empty"), _place(end, least - low, "cells above full")),
        (Term(end.high, most, how="cells below full"), _place(end, most - high, "cells above empty")),
    ]


def _place(end: End, chassis: int, how: str) -> Term:
    return Term(f"chassis above HV- of {end.string}", -chassis, how=how)


def _at_fault(floating: Floating, end: End, pole: str) -> list[Potential]:
    """Return a floating string's potentials to chassis with an earth fault at a pole."""
    first, last = end.reach.first, end.reach.last
    if pole == "HV-":
        return [
            (Term(end.low, floating.empty[first], how="cells below empty"),),
            (Term(end.high, floating.full[last], how="cells below full"),),
        ]
    above = floating.full[-1] - floating.full[first]
    least = floating.empty[-1] - floating.empty[last]
    return [
        (Term(f"cells above {end.low}", -above, how="full"),),
        (Term(f"cells above {end.high}", -least, how="empty"),),
    ]


def _note(
    potentials: Potentials,
    situation: Situation,
    near: tuple[Node, Taps] | None,
    far: tuple[Node, Taps] | None,
) -> str:
    strings = [end[0].string for end in (near, far) if end is not None]
    if situation.kind == "other breaks":
        return "both ends are on the same side: as intact"
    if situation.kind == "fault":
        return "a fault at a tap between the poles stresses less than the worse of the two poles"
    if situation.kind == "open" and len(set(strings)) > 1:
        return "the other string stays whole, its HV- or its HV+ at the joined poles, whichever is worse"
    if situation.kind == "intact" and len(strings) == 1:
        return "" if potentials.joined[strings[0]].determined else _undetermined(["a string"])
    if situation.kind.startswith("floating"):
        leaking = [name for name in strings if situation.kind == "floating" or name != situation.string]
        return _undetermined([name for name in leaking if not potentials.floating[name].determined])
    return ""


def _undetermined(strings: list[str]) -> str:
    if not strings:
        return ""
    return (
        f"leakage of {' and '.join(strings)} is not given or reaches 0 ohm: chassis may stand anywhere "
        "between HV- and HV+, the worst place is taken"
    )
