"""Voltages between the boards of cell strings, and to chassis, in the worst of all states.

All voltages are whole uV. A :class:`Taps` is a set of neighbouring conductors of one string: those of a board
(worst pair of conductors: distances) or a node's reference alone (what a barrier carries). Which states count
is written in :mod:`chainplan.chain.hanging`, what they bring in :mod:`chainplan.chain.gaps`.

An open break splits the conductor there into a lower and an upper edge; a board that straddles it has both.
What stands above a break is what has at least as many cells below it as the break has; a straddling node's
reference is that of its lower end.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import groupby, product
from operator import attrgetter
from typing import NamedTuple

from chainplan.chain.floating import Floating
from chainplan.chain.gaps import A, F, L, PotentialGap, PotentialGaps, T, best_of
from chainplan.chain.hanging import Rules, name_of, weight
from chainplan.chain.network import CellString, Node
from chainplan.remembered import remembered


class Taps(NamedTuple):
    """Conductors of one string from a lowest to an uppermost tap: cells below them, and uV above HV-."""

    first: int
    last: int
    low: int
    high: int


def reference_reach(node: Placed) -> Taps:
    """Return a node's reference as a reach of one tap."""
    return Taps(node.first_cell, node.first_cell, node.reference, node.reference)


def node_reach(node: Placed) -> Taps:
    """Return the taps of a node."""
    return Taps(node.first_cell, node.first_cell + node.cells, node.reference, node.top)


def board_reach(nodes: Sequence[Placed]) -> Taps:
    """Return the taps of the board on which the nodes sit."""
    reaches = [node_reach(node) for node in nodes]
    if len(reaches) == 1:
        return reaches[0]
    first, last, low, high = zip(*reaches, strict=True)
    return Taps(min(first), max(last), min(low), max(high))


def board_reaches(nodes: Sequence[Placed]) -> list[Taps]:
    """Return, for each node of a chain, the taps of its board; a chain passes a board's nodes in a row."""
    reaches: list[Taps] = []
    for _, members in groupby(nodes, key=_board):
        board = list(members)
        reaches += [board_reach(board)] * len(board)
    return reaches


_board = attrgetter("board")


class Standing(NamedTuple):
    """Where a node stands in its string: of a node all that its voltages need."""

    name: str
    board: str
    string: str
    cells: int
    first_cell: int
    reference: int
    top: int


@remembered
def standing(nodes: tuple[Node, ...]) -> tuple[Standing, ...]:
    """Return where the nodes of a chain stand: equal for nodes of other types in the same places."""
    return tuple(Standing(*[getattr(node, key) for key in Standing._fields]) for node in nodes)


Placed = Node | Standing
_End = tuple[str, Taps] | None
"""A string and the conductors of it that count; None for a controller's port."""


class Conductor(NamedTuple):
    """A conductor of a string: so many cells below it, between so many breaks below and the next above."""

    string: str
    tap: int
    region: int


class State(NamedTuple):
    """The state of a pack that brings a voltage: the way, and the two conductors; None is chassis.

    ``rises`` tells that the higher conductor is the segment's far end.
    """

    way: PotentialGap
    high: Conductor | None
    low: Conductor | None
    rises: bool

    @property
    def name(self) -> str:
        """Return the state in words."""
        return self.way.words

    @property
    def combination(self) -> str:
        """Return the name of its conditions together."""
        return name_of(self.way.code)


class Worst(NamedTuple):
    """The largest voltage over all states, uV, and the state that brings it."""

    voltage: int
    situation: State


Stretch = tuple[Conductor, Conductor]
"""Lowest and uppermost conductor of what a reach has between two breaks."""


class Potentials:
    """A network's strings, looked over once for many segments.

    With ``lasting`` no arc and overshoot counts, which are gone after milliseconds.
    """

    def __init__(self, strings: dict[str, CellString], rules: Rules, *, lasting: bool = False) -> None:
        if lasting:
            strings = {
                name: each._replace(breaks=tuple(opening._replace(allowance=0) for opening in each.breaks))
                for name, each in strings.items()
            }
        self.strings = strings
        self.gaps = PotentialGaps(strings, rules)
        self._cells = {name: [each.cells_below for each in string.breaks] for name, string in strings.items()}
        self._best_to_chassis = cache(lambda name, region: best_of(self.gaps.to_chassis(name, region)))
        self._best_between = cache(lambda *of: best_of(self.gaps.between(*of)))
        self._best_across = cache(self._of_across)

    def _of_across(
        self, name: str, lower: int, upper: int
    ) -> tuple[tuple[PotentialGap, ...], tuple[PotentialGap, ...]]:
        """Return the ways in which the lower of two conductors stands higher, and those for the upper one."""
        found = list(self.gaps.across(name, lower, upper))
        return best_of(way for falls, way in found if falls), best_of(
            way for falls, way in found if not falls
        )

    def stretches(self, string: str, reach: Taps) -> Iterator[Stretch]:
        """Yield what a reach has between breaks, from the lowest."""
        cells = self._cells[string]
        first = bisect_right(cells, reach.first)
        last = bisect_left(cells, max(reach.last, reach.first + 1))
        for region in range(first, last + 1):
            low = cells[region - 1] if region > first else reach.first
            high = cells[region] if region < last else reach.last
            yield Conductor(string, low, region), Conductor(string, high, region)

    def inside(self, string: str, reach: Taps) -> range:
        """Return the numbers of the breaks that a reach straddles."""
        cells = self._cells[string]
        return range(bisect_right(cells, reach.first), bisect_left(cells, reach.last))

    def across(
        self, near: tuple[Placed, Taps] | None, far: tuple[Placed, Taps] | None
    ) -> tuple[Worst, Worst]:
        """Return the largest voltages of a segment: between references, between any two conductors.

        An end is a node with the conductors that count, or None for a controller's port.
        """
        references, conductors = (
            max(self.voltages(here, there), key=_order) for here, there in _ends(near, far)
        )
        return references, conductors

    def each_combination(
        self, near: tuple[Placed, Taps] | None, far: tuple[Placed, Taps] | None
    ) -> list[tuple[Worst, Worst]]:
        """Return the same for every combination of conditions by itself."""
        found: list[dict[str, Worst]] = []
        for here, there in _ends(near, far):
            worst: dict[str, Worst] = {}
            for each in self.voltages(here, there, every=True):
                name = each.situation.combination
                if name not in worst or _order(each) > _order(worst[name]):
                    worst[name] = each
            found.append(worst)
        references, conductors = found
        names = sorted(references.keys() | conductors.keys(), key=lambda name: ("+" in name, name))
        return [
            (references[name], conductors[name])
            for name in names
            if name in references and name in conductors
        ]

    def voltages(self, near: _End, far: _End, *, every: bool = False) -> Iterator[Worst]:
        """Yield what the ways between two reaches come to; with `every`, not only the worst of their kind."""
        if near is None or far is None:
            end = far if near is None else near
            assert end is not None  # a segment has a node at one end at least
            for stretch in self.stretches(*end):
                point = stretch[0]
                best = self.gaps.to_chassis if every else self._best_to_chassis
                for way in best(point.string, point.region):
                    high = None if way.high is None else stretch[1]
                    low = None if way.low is None else stretch[0]
                    yield self._worst(way, high, low, rises=(high is None) == (far is None))
            return
        for here, there in product(self.stretches(*near), self.stretches(*far)):
            if here[0].string == there[0].string:
                yield from self._within(here, there, every=every)
                continue
            for one, other in ((here, there), (there, here)):
                of = one[0].string, other[0].string, (one[0].region, other[0].region)
                for way in self.gaps.between(*of) if every else self._best_between(*of):
                    yield self._worst(way, one[1], other[0], rises=one is there)
                yield self._in_parallel(one[1], other[0], rises=one is there)

    def _within(self, here: Stretch, there: Stretch, *, every: bool) -> Iterator[Worst]:
        for one, other in ((here, there), (there, here)):
            yield self._worst(_WHOLE, one[1], other[0], rises=one is there)
        lower, upper = (here, there) if here[0].region < there[0].region else (there, here)
        of = lower[0].string, lower[0].region, upper[0].region
        if of[1] == of[2]:
            return
        falls, rises = self._best_across(*of)
        if every:
            found = list(self.gaps.across(*of))
            falls, rises = (tuple(way for down, way in found if down is wanted) for wanted in (True, False))
        for way in falls:
            yield self._worst(way, lower[1], upper[0], rises=lower is there)
        for way in rises:
            yield self._worst(way, upper[1], lower[0], rises=upper is there)

    def _in_parallel(self, one: Conductor, other: Conductor, *, rises: bool) -> Worst:
        """Return how far one conductor stands above one of a string in parallel, both joined by both poles.

        Both strings have the link's voltage, so cells below the one and above the other bound it together.
        """
        here, there = self.strings[one.string], self.strings[other.string]
        ways = (PotentialGap(T, T, 0, 0, ("intact",)), PotentialGap(A, A, 0, 0, ("intact",)))
        if here.empty[-1] > there.voltage or there.empty[-1] > here.voltage:
            return Worst(0, State(ways[0], one, other, rises))
        return min((self._worst(way, one, other, rises=rises) for way in ways), key=_order)

    def _worst(
        self, way: PotentialGap, high: Conductor | None, low: Conductor | None, *, rises: bool
    ) -> Worst:
        voltage = way.amount
        if high is not None:
            voltage += self._highest(way.high, high, low)
        if low is not None:
            voltage -= self._lowest(way.low, low, high)
        return Worst(voltage, State(way, high, low, rises))

    def _highest(self, form: int | None, point: Conductor, other: Conductor | None) -> int:
        string, tap = self.strings[point.string], point.tap
        if form == T:
            return string.taps[tap]
        if form == A:
            return string.empty[tap] - string.empty[-1]
        return self.floating(form, point, other).highest(tap)

    def _lowest(self, form: int | None, point: Conductor, other: Conductor | None) -> int:
        string, tap = self.strings[point.string], point.tap
        if form == T:
            return string.empty[tap]
        if form == F:
            return string.taps[tap]
        if form == A:
            return string.taps[tap] - string.voltage
        return self.floating(form, point, other).lowest(tap)

    def floating(self, form: int | None, point: Conductor, other: Conductor | None) -> Floating:
        """Return how a conductor's string stands to chassis by leakage; `other` may be of another one."""
        if form == L:
            return self.gaps.floating[point.string]
        return self.gaps.joined(point.string, "" if other is None else other.string)


def _order(worst: Worst) -> tuple[int, int]:
    """Return what sorts voltages: the largest, of equal ones that with the fewest conditions."""
    return worst.voltage, -weight(worst.situation.way.code)


_WHOLE = PotentialGap(T, F, 0, 0, ("intact",))


def _ends(near: tuple[Placed, Taps] | None, far: tuple[Placed, Taps] | None) -> Iterator[tuple[_End, _End]]:
    """Yield the ends' references, then all their conductors."""
    for reach_of in (lambda end: reference_reach(end[0]), lambda end: end[1]):
        here, there = (None if end is None else (end[0].string, reach_of(end)) for end in (near, far))
        yield here, there
