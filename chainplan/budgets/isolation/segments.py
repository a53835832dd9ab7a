"""The isolation budget: what each segment's barriers and distances must hold, against what they offer.

The worst voltage between the two nodes' references (chassis, for a controller's port) is what the barriers
carry; the worst voltage between any two conductors of the two boards sets the spacing between them. Each is
two figures: for good (hours: the working voltage), and for milliseconds, with arc and overshoot of a break
that opens. Which states are looked at is written in :mod:`chainplan.chain.hanging`, how they are checked
against the parts in :mod:`chainplan.budgets.isolation.checks`; one segment's combinations with their
arithmetic come from :mod:`chainplan.budgets.isolation.cases`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import chain as joined
from itertools import groupby
from typing import NamedTuple

from chainplan.budgets.isolation.checks import Check, Guard, InsulationJudge, Judged, Status, Stressed
from chainplan.chain.hanging import Rules
from chainplan.chain.network import Break, CellString, Chain, Network, Node, Segment, Separation
from chainplan.chain.potentials import Potentials, Standing, Taps, Worst, board_reaches, node_reach, standing
from chainplan.figures.budget import budget
from chainplan.plan.layout import InsulationRules
from chainplan.plan.parts import BarrierType, Insulation
from chainplan.remembered import MOST_OBJECTS, remembered, remembered_for_all
from chainplan.tables.insulation import is_voltage_class_b


class SegmentIsolation(NamedTuple):
    """A segment's worst voltages and all its checks; ``rating`` is what its barriers hold together, uV.

    ``references`` and ``conductors`` last, the ``transient_`` ones are there for milliseconds. With one
    barrier, or two that do not share, the rating is the weaker one; with two that share, twice it.
    """

    segment: Segment
    insulation: Insulation
    references: Worst
    conductors: Worst
    transient_references: Worst
    transient_conductors: Worst
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


Voltages = tuple[Worst, Worst, Worst, Worst]
"""Between references and between conductors, for good; then the same for milliseconds."""


class Rung(NamedTuple):
    """A node on the ladder drawing: its reference and its top above HV- of its string, all cells full, uV."""

    node: str
    string: str
    reference: int
    top: int


@dataclass(frozen=True)
class ChainIsolation:
    """One chain's segments, in the order of the chain: what they carry, and how that is judged.

    `carried` holds the worst voltages in the order of :class:`SegmentIsolation`. Chains that differ in cables
    alone have the very same ones, judged the very same way.
    """

    chain: Chain
    guards: tuple[Guard, ...]
    carried: tuple[Voltages, ...]
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
    both = potentials_of(network.strings, insulation)
    chains = {}
    straddled: list[StraddledBoard] = []
    for chain in network.chains.values():
        carried, boards = _carried(both, standing(chain.nodes), chain.is_ring)
        separations = [segment.hop.separation for segment in chain.segments]
        guards = _guards(chain.nodes, barrier_types, insulation, *separations)
        chains[chain.name] = ChainIsolation(chain, guards, carried, _judged(insulation, carried, guards))
        straddled += boards
    return IsolationBudget(chains, tuple(straddled), tuple(_notes(network, both.lasting, insulation)))


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
    rules: InsulationRules, carried: tuple[Voltages, ...], guards: tuple[Guard, ...]
) -> tuple[Judged, ...]:
    judge = _judge(rules)
    return tuple(
        judge.checks(guard, Stressed(*(worst.voltage for worst in each)))
        for guard, each in zip(guards, carried, strict=True)
    )


def _insulation(rules: InsulationRules, near: Node | None, far: Node | None) -> Insulation:
    """Return the insulation between two nodes; a controller's port, None, is at chassis potential."""
    if near is None or far is None:
        return rules.to_chassis
    return rules.between_boards if near.string == far.string else rules.between_strings


class BothPotentials(NamedTuple):
    """A pack's potentials for good, and for milliseconds: the same where no break has an allowance."""

    lasting: Potentials
    transient: Potentials


@remembered_for_all
def potentials_of(strings: dict[str, CellString], insulation: InsulationRules) -> BothPotentials:
    """Return the potentials of a pack's strings under the plan's rules, the same ones for equal strings."""
    return _potentials(tuple(strings.values()), Rules(insulation))


@lru_cache(maxsize=MOST_OBJECTS)
def _potentials(strings: tuple[CellString, ...], rules: Rules) -> BothPotentials:
    named = {string.name: string for string in strings}
    transient = Potentials(named, rules)
    arcs = any(opening.allowance for string in strings for opening in string.breaks)
    return BothPotentials(Potentials(named, rules, lasting=True) if arcs else transient, transient)


_judge = remembered(InsulationJudge)


class _Carried(NamedTuple):
    worst: tuple[Voltages, ...]
    straddled: tuple[StraddledBoard, ...]


@remembered
def _carried(both: BothPotentials, nodes: tuple[Standing, ...], is_ring: bool) -> _Carried:
    """Return the worst voltages of a chain's segments, and its boards that straddle a break."""
    reaches = board_reaches(nodes)
    lasting = list(_worst_along(nodes, reaches, both.lasting, is_ring=is_ring))
    transient = lasting
    if both.transient is not both.lasting:
        transient = list(_worst_along(nodes, reaches, both.transient, is_ring=is_ring))
    worst = tuple((*one, *other) for one, other in zip(lasting, transient, strict=True))
    return _Carried(worst, tuple(_straddled(nodes, reaches, both.transient)))


def _worst_along(
    nodes: tuple[Standing, ...], reaches: list[Taps], potentials: Potentials, *, is_ring: bool
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
    nodes: tuple[Standing, ...], reaches: list[Taps], potentials: Potentials
) -> Iterator[StraddledBoard]:
    for board, members in groupby(zip(nodes, reaches, strict=True), key=lambda pair: pair[0].board):
        placed = list(members)
        first, reach = placed[0]
        string = potentials.strings[first.string]
        for number in potentials.inside(first.string, reach):
            opening = string.breaks[number]
            cell = opening.cells_below
            cut = (node.name for node, _ in placed if node.first_cell < cell < node.first_cell + node.cells)
            voltage = string.voltage + opening.allowance
            yield StraddledBoard(board, next(cut, ""), first.string, opening, voltage)


def _notes(network: Network, potentials: Potentials, rules: InsulationRules) -> Iterator[str]:
    """Yield what had to be assumed, and what the plan leaves out, with its reasons."""
    yield (
        f"Isolation: up to {rules.conditions_together} abnormal conditions at once (break, stuck contactor, "
        "earth fault), in any strings, while strings are switched on one by one, the DC link discharged or "
        "charged" + ("." if rules.external is None else ", also by the external source.")
    )
    yield (
        "Isolation: strings lie in parallel and are never switched in series; nothing but "
        + ("the cells" if rules.external is None else "the cells and the external source")
        + " brings voltage, without ripple. Enter the cell voltage at which the pack opens as its maximum."
    )
    yield (
        "Isolation: spacing is looked at between neighbours on a chain alone, not between boards side by "
        "side that are none, nor between a board's own connectors."
    )
    for name, reason in rules.leave_out.items():
        yield f"Isolation: `{name}` is left out by the plan: {reason}"
    unknown = [name for name in network.strings if not potentials.gaps.floating[name].determined]
    if unknown and len(network.strings) > 1:
        more = f" and {len(unknown) - 3} more" if len(unknown) > 3 else ""  # names that say enough
        yield (
            f"Leakage of {', '.join(unknown[:3])}{more} is not in the plan or reaches 0 ohm: chassis may "
            "stand at any of a string's conductors; the worst place is taken."
        )
