"""The isolation budget: what each segment's barriers and distances must hold, against what they offer.

The worst voltage between the two nodes' references (chassis, for a controller's port) is the working voltage
of the barriers; the worst voltage between any two conductors of the two boards sets the spacing between them.
Which cases are looked at is written in :mod:`chainplan.chain.potentials`, how they are held against the parts
in :mod:`chainplan.budgets.isolation.checks`; one segment's cases with their arithmetic come from
:mod:`chainplan.budgets.isolation.cases`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import chain as joined
from itertools import groupby
from typing import NamedTuple

from chainplan.budgets.isolation.checks import Check, Guard, InsulationJudge, Judged, Status
from chainplan.chain.network import Break, Chain, Network, Node, Segment, Separation
from chainplan.chain.potentials import Potentials, Taps, Worst, board_reaches, node_reach
from chainplan.figures.budget import budget
from chainplan.plan.layout import InsulationRules
from chainplan.plan.parts import BarrierType, Insulation
from chainplan.remembered import remembered, remembered_for_all
from chainplan.tables.insulation import is_voltage_class_b


class SegmentIsolation(NamedTuple):
    """A segment's worst voltages and all its checks; ``rating`` is what its barriers hold together, uV.

    With one barrier, or two that do not share, that is the weaker rating; with two that share, twice it.
    """

    segment: Segment
    insulation: Insulation
    references: Worst
    conductors: Worst
    rating: int | None
    checks: tuple[Check, ...]

    @property
    def working_voltage(self) -> int:
        """Return the voltage that the barriers carry in the worst case, uV."""
        return self.references.voltage

    @property
    def margin(self) -> int | None:
        """Return the rating less the working voltage, uV; None without a barrier."""
        return None if self.rating is None else self.rating - self.references.voltage

    @property
    def status(self) -> Status:
        """Return whether the barriers hold the working voltage."""
        margin = self.margin
        if margin is None:
            return "not checked"
        return "met" if margin >= 0 else "missed"

    @property
    def missed(self) -> tuple[Check, ...]:
        """Return the checks that are missed, distances and test voltages included."""
        return tuple(check for check in self.checks if check.status == "missed")

    @property
    def class_b(self) -> bool:
        """Tell whether the worst voltage between conductors is of voltage class B (ISO 6469-3)."""
        return is_voltage_class_b(self.conductors.voltage)


class Rung(NamedTuple):
    """A node on the ladder drawing: its reference and its top above HV- of its string, all cells full, uV."""

    node: str
    string: str
    reference: int
    top: int


@dataclass(frozen=True)
class ChainIsolation:
    """One chain's segments, in the order of the chain: what they carry, and how that is judged.

    `carried` holds the worst voltages between references and between conductors. Chains that differ in cables
    alone have the very same ones, judged the very same way.
    """

    chain: Chain
    guards: tuple[Guard, ...]
    carried: tuple[tuple[Worst, Worst], ...]
    judged: tuple[Judged, ...]

    @cached_property
    def segments(self) -> tuple[SegmentIsolation, ...]:
        """Return all segments with their worst voltages and checks."""
        return tuple(
            SegmentIsolation(segment, guard.insulation, *worst, *judged)
            for segment, guard, worst, judged in zip(
                self.chain.segments, self.guards, self.carried, self.judged, strict=True
            )
        )

    @property
    def ladder(self) -> tuple[Rung, ...]:
        """Return the nodes in the order of the chain; segment i leads to node i, the first from the head."""
        return tuple(Rung(node.name, node.string, node.reference, node.top) for node in self.chain.nodes)


class StraddledBoard(NamedTuple):
    """A warning: a board's cells lie on both sides of a break, which carries ``voltage`` uV when open.

    ``node`` is the node whose own cells do; it is empty where the break lies between two nodes.
    """

    board: str
    node: str
    string: str
    opening: Break
    voltage: int


@dataclass(frozen=True)
class IsolationBudget:
    """Every chain's segments, the boards that straddle a break, and what had to be assumed."""

    chains: dict[str, ChainIsolation]
    straddled: tuple[StraddledBoard, ...]
    notes: tuple[str, ...]

    @property
    def segments(self) -> Iterator[SegmentIsolation]:
        """Return all segments, chain by chain."""
        return joined.from_iterable(chain.segments for chain in self.chains.values())

    @property
    def tightest(self) -> SegmentIsolation | None:
        """Return the segment with the least margin of its barriers; None if no segment has a barrier."""
        rated = [segment for segment in self.segments if segment.margin is not None]
        return min(rated, key=lambda segment: segment.margin or 0, default=None)

    def count(self) -> Counter[Status]:
        """Return how many checks are met, missed and not checked."""
        return Counter(check.status for segment in self.segments for check in segment.checks)


@budget
def isolation(
    network: Network, barrier_types: dict[str, BarrierType], insulation: InsulationRules
) -> IsolationBudget:
    """What each segment's isolation carries, against what its barriers and distances hold."""
    potentials = potentials_of(network.strings)
    chains = {}
    straddled: list[StraddledBoard] = []
    for chain in network.chains.values():
        carried, boards = _carried(chain.nodes, potentials, chain.is_ring)
        separations = [segment.hop.separation for segment in chain.segments]
        guards = _guards(chain.nodes, barrier_types, insulation, *separations)
        chains[chain.name] = ChainIsolation(chain, guards, carried, _judged(insulation, carried, guards))
        straddled += boards
    return IsolationBudget(chains, tuple(straddled), _notes(network, potentials))


@remembered_for_all
def _guards(
    nodes: tuple[Node, ...],
    barrier_types: dict[str, BarrierType],
    rules: InsulationRules,
    *separations: Separation,
) -> tuple[Guard, ...]:
    """Return what keeps the ends of every segment of a chain apart."""
    places: list[Node | None] = [None, *nodes, None]
    found = []
    for apart, near, far in zip(separations, places, places[1:], strict=False):
        ends = (apart.near_barrier, apart.far_barrier)
        one, other = ((end, barrier_types[end]) if end else None for end in ends)
        kind = apart.insulation or _insulation(rules, near, far)
        found.append(Guard(one, other, apart.barriers_share, apart.creepage, apart.clearance, kind))
    return tuple(found)


@remembered_for_all
def _judged(
    rules: InsulationRules, carried: tuple[tuple[Worst, Worst], ...], guards: tuple[Guard, ...]
) -> tuple[Judged, ...]:
    judge = _judge(rules)
    return tuple(
        judge.checks(guard, references.voltage, conductors.voltage)
        for guard, (references, conductors) in zip(guards, carried, strict=True)
    )


def _insulation(rules: InsulationRules, near: Node | None, far: Node | None) -> Insulation:
    """Return the insulation between two nodes; a controller's port, None, is at chassis potential."""
    if near is None or far is None:
        return rules.to_chassis
    return rules.between_boards if near.string == far.string else rules.between_strings


potentials_of = remembered(Potentials)
_judge = remembered(InsulationJudge)


class _Carried(NamedTuple):
    worst: tuple[tuple[Worst, Worst], ...]
    straddled: tuple[StraddledBoard, ...]


@remembered
def _carried(nodes: tuple[Node, ...], potentials: Potentials, is_ring: bool) -> _Carried:
    """Return the worst voltages of a chain's segments, and its boards that straddle a break."""
    reaches = board_reaches(nodes)
    worst = tuple(_worst_along(nodes, reaches, potentials, is_ring=is_ring))
    return _Carried(worst, tuple(_straddled(nodes, reaches, potentials)))


def _worst_along(
    nodes: tuple[Node, ...], reaches: list[Taps], potentials: Potentials, *, is_ring: bool
) -> Iterator[tuple[Worst, Worst]]:
    """Yield the worst voltages of every segment of a chain, from its head."""
    last = None
    for node, reach in zip(nodes, reaches, strict=True):
        if last is not None and last[0].board == node.board:
            before = last[0]
            yield potentials.across((before, node_reach(before)), (node, node_reach(node)))
        else:
            yield potentials.across(last, (node, reach))
        last = node, reach
    if is_ring:
        yield potentials.across(last, None)


def _straddled(
    nodes: tuple[Node, ...], reaches: list[Taps], potentials: Potentials
) -> Iterator[StraddledBoard]:
    for board, members in groupby(zip(nodes, reaches, strict=True), key=lambda pair: pair[0].board):
        placed = list(members)
        first, reach = placed[0]
        openings = potentials.openings[first.string]
        for number in openings.inside(reach):
            opening = openings.string.breaks[number]
            cell = opening.cells_below
            cut = (node.name for node, _ in placed if node.first_cell < cell < node.first_cell + node.cells)
            voltage = openings.voltage + opening.allowance
            yield StraddledBoard(board, next(cut, ""), first.string, opening, voltage)


def _notes(network: Network, potentials: Potentials) -> tuple[str, ...]:
    crossed = dict.fromkeys(
        string
        for chain in network.chains.values()
        for one, other in zip(chain.nodes, chain.nodes[1:], strict=False)
        if one.string != other.string
        for string in (one.string, other.string)
    )
    return tuple(
        f"leakage of string {name} is not in the plan or reaches 0 ohm: while contactors are open, chassis "
        "may stand anywhere between its poles; the worst place is taken"
        for name in crossed
        if not potentials.floating[name].determined
    )
