"""Voltages between the boards of cell strings, and to chassis, in the cases that stress isolation.

All voltages are whole uV. A :class:`Reach` is a set of neighbouring conductors of one string: the taps of a
board (worst pair of conductors: distances) or a node's reference alone (what a barrier carries). S is the
full string's voltage, t a tap's voltage above HV-, all cells full.

**Same string.** Whole, two taps differ by t1 - t2. With a break open and the HV terminals pulled together by
a discharged DC link, everything above the break moves down by S + a, where a is the break's allowance for
arc and overshoot: taps on different sides then differ by S + a - (t1 - t2), taps on the same side as before.
Less drastic states (a link that is partly charged or not connected) lie between these two, and chassis plays
no role. What stands above a break is what has at least as many cells below it as the break has; of a board
that straddles it each tap follows its own side, a straddling node's reference is that of its lower end.

**To chassis** (a controller is at chassis potential). Leakage holds chassis somewhere between the string's
lowest and highest conductor, an earth fault holds it at one: a whole string's tap sees at most
max(t, S - t), with the fault at a pole. With a break open at t_k the conductors reach further apart: a fault
at the far edge of the break gives S + a - |t - t_k|. A break in another string leaves this one as it is.

**Two strings in parallel**, for a chain that crosses:

- contactors closed: HV- (and HV+) are common.
- one string's break open: its poles are at one potential (its HV+ lower by a). The other string stays whole
  and hangs by its HV- or by its HV+, whichever is worse. That covers a common minus pole, a common plus pole
  and strings held together by leakage alone, in any ratio.
- contactors open: each string floats; chassis stands above its HV- by the conductance-weighted mean of its
  poles, c = S * G+ / (G+ + G-), and one string at a time may have an earth fault at any tap. Here full cells
  are not the worst: floating strings need not be equally charged, so every cell counts from empty to full,
  whichever is worse. Where the plan gives no leakage (or one that reaches 0 ohm) c is undetermined: anything
  from 0 to S.

One break and one earth fault at a time. Left out are a string that is open on a discharged link while another
string hangs on one of its poles and moves chassis, by leakage or by a fault (which could bring up to the sum
of both string voltages to chassis), and one that is open on a link and has an earth fault while another
string floats.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from functools import cached_property
from itertools import accumulate, count, groupby
from operator import attrgetter
from typing import Literal, NamedTuple

from chainplan.chain.floating import Floating, chassis_share, floating_strings
from chainplan.chain.network import CellString, Node

Kind = Literal["intact", "other breaks", "open", "open, fault", "fault", "floating", "floating, fault"]


_WORDS: dict[Kind, str] = {
    "intact": "intact",
    "other breaks": "{where} open",
    "open": "{where} open, DC link discharged",
    "open, fault": "{where} open, DC link discharged, earth fault at an edge of it",
    "fault": "earth fault at {where}",
    "floating": "contactors open",
    "floating, fault": "contactors open, earth fault at {where}",
}


class Situation(NamedTuple):
    """A case that is looked at. `place` is a break or a pole of `string`, `number` the break's in it."""

    kind: Kind
    string: str = ""
    place: str = ""
    number: int = -1

    @property
    def name(self) -> str:
        """Return the case in words."""
        return _WORDS[self.kind].format(where=f"{self.place} of {self.string}")


INTACT = Situation("intact")
FLOATING = Situation("floating")


class Worst(NamedTuple):
    """The largest magnitude of a voltage over all cases, uV, and the case that brings it."""

    voltage: int
    situation: Situation


class Taps(NamedTuple):
    """Conductors of one string from a lowest to an uppermost tap: cells below them, and uV above HV-."""

    first: int
    last: int
    low: int
    high: int


def reference_reach(node: Node) -> Taps:
    """Return a node's reference as a reach of one tap."""
    return Taps(node.first_cell, node.first_cell, node.reference, node.reference)


def node_reach(node: Node) -> Taps:
    """Return the taps of a node."""
    return Taps(node.first_cell, node.first_cell + node.cells, node.reference, node.top)


def board_reach(nodes: Sequence[Node]) -> Taps:
    """Return the taps of the board on which the nodes sit."""
    reaches = [node_reach(node) for node in nodes]
    if len(reaches) == 1:
        return reaches[0]
    first, last, low, high = zip(*reaches, strict=True)
    return Taps(min(first), max(last), min(low), max(high))


def board_reaches(nodes: Sequence[Node]) -> list[Taps]:
    """Return, for each node of a chain, the taps of its board; a chain passes a board's nodes in a row."""
    reaches: list[Taps] = []
    for _, members in groupby(nodes, key=_board):
        board = list(members)
        reaches += [board_reach(board)] * len(board)
    return reaches


_board = attrgetter("board")


_Peak = tuple[int, int]
"""A largest value and the number of the break it belongs to."""


class Openings(NamedTuple):
    """A string's breaks from HV- upward, with the largest of what counts in a case on either side of a tap.

    Entry i of an ``up_to`` list looks over breaks 0 to i, of an ``onward`` list over breaks i to the last.
    """

    string: CellString
    voltage: int
    cells: tuple[int, ...]
    allowances: tuple[int, ...]
    allowance_up_to: list[_Peak]
    allowance_onward: list[_Peak]
    edge_up_to: list[_Peak]
    """Largest allowance + t_k."""
    edge_onward: list[_Peak]
    """Largest allowance - t_k."""

    @classmethod
    def of(cls, string: CellString) -> Openings:
        """Look over the breaks of a string."""
        cells = tuple(each.cells_below for each in string.breaks)
        allowances = tuple(each.allowance for each in string.breaks)
        taps = [string.taps[cell] for cell in cells]
        raised = [allowance + tap for allowance, tap in zip(allowances, taps, strict=True)]
        lowered = [allowance - tap for allowance, tap in zip(allowances, taps, strict=True)]
        return cls(
            string,
            string.taps[-1],
            cells,
            allowances,
            _peaks_up_to(allowances),
            _peaks_onward(allowances),
            _peaks_up_to(raised),
            _peaks_onward(lowered),
        )

    def largest(self, start: int, stop: int) -> _Peak:
        """Return the largest allowance of breaks `start` to `stop` - 1; there must be one."""
        some = self.allowances[start:stop]
        most = max(some)
        return most, start + some.index(most)

    def below(self, reach: Taps) -> int:
        """Return how many breaks lie wholly below a reach: their numbers are 0 to one less than this."""
        return bisect_right(self.cells, reach.first)

    def above(self, reach: Taps) -> int:
        """Return the number of the first break that lies wholly above a reach."""
        return bisect_left(self.cells, max(reach.last, reach.first + 1))

    def inside(self, reach: Taps) -> range:
        """Return the numbers of the breaks that a reach straddles."""
        return range(bisect_right(self.cells, reach.first), bisect_left(self.cells, reach.last))

    def situation(self, kind: Kind, index: int) -> Situation:
        """Return a case with a break of this string open."""
        return Situation(kind, self.string.name, self.string.breaks[index].name, index)


def _peaks_up_to(values: Sequence[int]) -> list[_Peak]:
    return list(accumulate(zip(values, count(), strict=False), max))


def _peaks_onward(values: Sequence[int]) -> list[_Peak]:
    numbered = zip(reversed(values), range(len(values) - 1, -1, -1), strict=True)
    return list(accumulate(numbered, max))[::-1]


def closest_across(one: Taps, other: Taps, cell: int, tap: int) -> int | None:
    """Return how near two reaches come across a break, as uV in the whole string; None if it parts no pair.

    ``cell`` is the number of cells below the break, ``tap`` the voltage there. With the break open the two
    conductors found differ by S + a less this voltage, which is the largest difference across the break.
    """
    best = None
    for below, above in ((one, other), (other, one)):
        if below.first < cell and (above.last > cell or above.first >= cell):
            gap = max(above.low, tap) - min(below.high, tap)
            best = gap if best is None else min(best, gap)
    return best


def within_string(openings: Openings, one: Taps, other: Taps) -> Worst:
    """Return the largest voltage between two reaches of one string; only breaks between them matter."""
    low, high = (one, other) if one.first <= other.first else (other, one)
    worst = Worst(max(high.high - low.low, low.high - high.low), INTACT)
    cells = openings.cells
    if bisect_right(cells, low.first) == bisect_right(cells, max(low.last, high.last)):
        return worst
    found: list[_Peak] = []
    start, stop = openings.above(low), openings.below(high)
    if start < stop:  # breaks in the gap: only their allowances differ
        allowance, index = openings.largest(start, stop)
        found.append((openings.voltage + allowance - (high.low - low.high), index))
    for index in (*openings.inside(low), *openings.inside(high)):
        closest = closest_across(low, high, cells[index], openings.string.taps[cells[index]])
        if closest is not None:
            found.append((openings.voltage + openings.allowances[index] - closest, index))
    for voltage, index in found:
        if voltage > worst.voltage:
            worst = Worst(voltage, openings.situation("open", index))
    return worst


def to_chassis(openings: Openings, reach: Taps) -> Worst:
    """Return the largest voltage between a reach and chassis."""
    voltage = openings.voltage
    name = openings.string.name
    worst = max(
        Worst(reach.high, Situation("fault", name, "HV-")),
        Worst(voltage - reach.low, Situation("fault", name, "HV+")),
        key=_voltage,
    )
    if not openings.cells:
        return worst
    found: list[_Peak] = []
    below, above = openings.below(reach), openings.above(reach)
    if below:
        peak, index = openings.edge_up_to[below - 1]
        found.append((voltage + peak - reach.low, index))
    if above < len(openings.cells):
        peak, index = openings.edge_onward[above]
        found.append((voltage + peak + reach.high, index))
    if below < above:  # a straddled break has one of the reach's conductors at its edge
        peak, index = openings.largest(below, above)
        found.append((voltage + peak, index))
    for stress, index in found:
        if stress > worst.voltage:
            worst = Worst(stress, openings.situation("open, fault", index))
    return worst


def between_strings(one: tuple[Openings, Floating, Taps], other: tuple[Openings, Floating, Taps]) -> Worst:
    """Return the largest voltage between reaches of two strings in parallel.

    Strings that are intact, or float without a fault, never bring more than an earth fault at a pole does.
    """
    candidates: list[Worst] = []
    for (openings, _, reach), (second, floating, far) in ((one, other), (other, one)):
        voltage, name = openings.voltage, openings.string.name
        candidates += (
            Worst(reach.high - floating.lowest(far.first), Situation("floating, fault", name, "HV-")),
            Worst(
                floating.highest(far.last) + voltage - reach.low, Situation("floating, fault", name, "HV+")
            ),
        )
        if not openings.cells:
            continue
        moved_down = voltage + far.high  # less t, plus the allowance: above the break, minus poles common
        left_below = second.voltage - far.low  # plus t and the allowance: below it, plus poles common
        below, above = openings.below(reach), openings.above(reach)
        found: list[_Peak] = []
        if below:
            peak, index = openings.allowance_up_to[below - 1]
            found.append((moved_down - reach.low + peak, index))
        if above < len(openings.cells):
            peak, index = openings.allowance_onward[above]
            found.append((left_below + reach.high + peak, index))
        for index in range(below, above):
            tap = openings.string.taps[openings.cells[index]]
            most = max(moved_down - tap, left_below + tap)
            found.append((most + openings.allowances[index], index))
        candidates += (Worst(stress, openings.situation("open", index)) for stress, index in found)
    return max(candidates, key=_voltage)


def _voltage(worst: Worst) -> int:
    return worst.voltage


class Potentials:
    """A network's strings, looked over once for many segments."""

    def __init__(self, strings: dict[str, CellString]) -> None:
        self.strings = strings
        self.openings = {name: Openings.of(string) for name, string in strings.items()}

    @cached_property
    def floating(self) -> dict[str, Floating]:
        """Return how each string floats by its own leakage."""
        strings = self.strings.values()
        return floating_strings(self.strings, {each.name: chassis_share([each.leakage]) for each in strings})

    @cached_property
    def joined(self) -> dict[str, Floating]:
        """Return how each string stands to chassis with contactors closed: all leakages in parallel."""
        share = chassis_share(each.leakage for each in self.strings.values())
        return floating_strings(self.strings, dict.fromkeys(self.strings, share))

    def across(self, near: tuple[Node, Taps] | None, far: tuple[Node, Taps] | None) -> tuple[Worst, Worst]:
        """Return the largest voltages of a segment: between references, between any two conductors.

        An end is a node with the conductors that count, or None for a controller's port.
        """
        if near is None or far is None:
            end = far if near is None else near
            assert end is not None  # a segment has a node at one end at least
            openings = self.openings[end[0].string]
            return to_chassis(openings, reference_reach(end[0])), to_chassis(openings, end[1])
        (near_node, near_reach), (far_node, far_reach) = near, far
        near_reference, far_reference = reference_reach(near_node), reference_reach(far_node)
        here, there = near_node.string, far_node.string
        openings = self.openings[here]
        if here == there:
            references = within_string(openings, near_reference, far_reference)
            return references, within_string(openings, near_reach, far_reach)
        one, other = (openings, self.floating[here]), (self.openings[there], self.floating[there])
        references = between_strings((*one, near_reference), (*other, far_reference))
        return references, between_strings((*one, near_reach), (*other, far_reach))
