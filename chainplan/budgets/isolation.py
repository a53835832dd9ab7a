"""The isolation budget: what each segment's barriers and distances must hold, against what they offer.

The worst voltage between the two nodes' references (chassis, for a controller's port) is the working voltage
of the barriers; the worst voltage between any two conductors of the two boards sets the spacing between them.
Which cases are looked at is written in :mod:`chainplan.chain.potentials`, how they are held against the parts
in :mod:`chainplan.budgets.isolation_checks`; one segment's cases with their arithmetic come from
:mod:`chainplan.budgets.isolation_cases`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import chain as joined
from itertools import groupby
from typing import Literal, NamedTuple

from chainplan.budgets.isolation_checks import BETWEEN_BOARDS, Check, Guard, Judge, Judged, Status, Subject
from chainplan.chain.network import Break, Chain, Network, Node, Segment, Separation, segment_name
from chainplan.chain.potentials import Potentials, Reach, Worst, board_reaches, node_reach
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind, Sense, always
from chainplan.figures.terms import Sum
from chainplan.plan.layout import InsulationRules
from chainplan.plan.parts import BarrierType, Insulation
from chainplan.quantity import LENGTH, VOLTAGE
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
    potentials = _potentials(network.strings)
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


_potentials = remembered(Potentials)
_judge = remembered(Judge)


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
    nodes: tuple[Node, ...], reaches: list[Reach], potentials: Potentials, *, is_ring: bool
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
    nodes: tuple[Node, ...], reaches: list[Reach], potentials: Potentials
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


# Figures ---------------------------------------------------------------------------------------------------


class Stressed(NamedTuple):
    """A segment under its worst stress, and what its arithmetic is laid out from."""

    network: Network
    segment: SegmentIsolation

    def sum(self, between: Literal["references", "conductors"]) -> Sum:
        """Return the worst voltage between its references or conductors, signed, with its terms."""
        from chainplan.budgets.isolation_cases import explain  # late: verdicts need no terms

        worst: Worst = getattr(self.segment, between)
        potentials = _potentials(self.network.strings)
        stress = explain(self.network, self.segment.segment, worst.situation, potentials)
        figure: Sum = getattr(stress, between)
        return figure


WORKING_VOLTAGE = Kind[Stressed](
    "isolation working voltage",
    VOLTAGE,
    ("segment",),
    "isolation",
    lambda each: each.segment.references.voltage,
    sums=lambda each: (each.sum("references"), None),
    named="isolation/{}/references",
    where=lambda each: each.segment.references.situation.name,
)


@WORKING_VOLTAGE.of
def working_voltages(isolation: IsolationBudget, network: Network) -> Iterator[Figure]:
    """Worst voltage between the references of a segment's two ends, which its barriers carry."""
    for segment in isolation.segments:
        yield WORKING_VOLTAGE(segment.segment.name, item=Stressed(network, segment))


CONDUCTOR_VOLTAGE = Kind[Stressed](
    "voltage between conductors",
    VOLTAGE,
    ("segment",),
    "isolation",
    lambda each: each.segment.conductors.voltage,
    sums=lambda each: (each.sum("conductors"), None),
    named="isolation/{}/conductors",
    where=lambda each: each.segment.conductors.situation.name,
)


@CONDUCTOR_VOLTAGE.of
def conductor_voltages(isolation: IsolationBudget, network: Network) -> Iterator[Figure]:
    """Worst voltage between any two conductors of the boards at a segment's ends: it sets their spacing."""
    for segment in isolation.segments:
        yield CONDUCTOR_VOLTAGE(segment.segment.name, item=Stressed(network, segment))


class _Place(NamedTuple):
    """The first of the segments that are judged alike, what it carries, and how many there are."""

    segment: str
    references: Worst
    conductors: Worst
    judged: Judged
    times: int


class Deciding(NamedTuple):
    """A check of a segment that decides for its chain, and what the segment carries."""

    place: _Place
    check: Check
    note: str

    @property
    def stress(self) -> Worst:
        """Return the voltage that the check rests upon, with the case that brings it."""
        return self.place.conductors if self._between_boards else self.place.references

    @property
    def figure(self) -> str:
        """Return the name of that voltage's sum."""
        between = "conductors" if self._between_boards else "references"
        return f"isolation/{self.place.segment}/{between}"

    @property
    def _between_boards(self) -> bool:
        return self.check.place == BETWEEN_BOARDS

    @property
    def where(self) -> str:
        """Return the segment, the part that is checked, and the case."""
        if self.check.margin is None:
            return ""
        return f"{self.place.segment}, {self.check.place}: {self.stress.situation.name}"


_About = tuple[Subject, bool]
"""The subject of a check, and whether it lies between the boards' conductors."""


@remembered_for_all
def _decided(
    name: str, carried: tuple[tuple[Worst, Worst], ...], judged: tuple[Judged, ...]
) -> dict[_About, list[tuple[str, Deciding]]]:
    """Return what decides for a chain, and what part of it that is, of everything that is asked for."""
    alike: dict[int, list[int]] = {}
    for place, each in enumerate(judged):
        alike.setdefault(id(each.checks), []).append(place)
    groups: dict[_About, list[tuple[_Place, Check]]] = {}
    for first, *others in alike.values():
        place_ = _Place(segment_name(name, first + 1), *carried[first], judged[first], 1 + len(others))
        for check in judged[first].checks:
            if is_asked(judged[first], check):
                groups.setdefault((check.subject, check.place == BETWEEN_BOARDS), []).append((place_, check))
    return {about: list(_deciding(checks, _sense(about[0]))) for about, checks in groups.items()}


def _sense(subject: Subject) -> Sense:
    return "at most" if subject == "working voltage" else "at least"


def is_asked(judged: Judged | SegmentIsolation, check: Check) -> bool:
    """Tell whether a check is asked for: not where the other barrier holds all, or nothing is needed."""
    if check.status != "not checked":
        return True
    if check.subject == "working voltage":
        return judged.rating is None
    return check.subject != "test voltage" or check.needed is not None


def _checked(name: str, subject: Subject, meaning: str, *, between_boards: bool = False) -> Kind[Deciding]:
    """Declare a figure that is judged for a whole chain, on the segment with the least margin."""
    sense = _sense(subject)
    kind = Kind[Deciding](
        name,
        LENGTH if subject in ("creepage", "clearance") else VOLTAGE,
        ("chain", "part"),
        "isolation",
        lambda each: each.check.needed if sense == "at most" else each.check.offered,
        named=lambda each: each.figure,
        sense=sense,
        where=lambda each: each.where,
        note=lambda each: each.note,
        asked=always,
    )

    def figures(isolation: IsolationBudget) -> Iterator[Figure]:
        for chain, found in isolation.chains.items():
            decided = _decided(chain, found.carried, found.judged)
            for rest, each in decided.get((subject, between_boards), ()):
                check = each.check
                limit = check.offered if sense == "at most" else check.needed
                yield kind(chain, rest, item=each, limit=limit, judged=True)

    figures.__doc__ = meaning
    kind.of(figures)
    return kind


def _deciding(checks: list[tuple[_Place, Check]], sense: Sense) -> Iterator[tuple[str, Deciding]]:
    """Yield the check with the least margin, and beside it that the rest is not known."""

    def margin_share(each: tuple[_Place, Check]) -> float:
        limit = each[1].offered if sense == "at most" else each[1].needed
        return (each[1].margin or 0) / max(limit or 0, 1)

    known = [each for each in checks if each[1].margin is not None]
    unknown = [each for each in checks if each[1].margin is None]
    count = sum(place.times for place, _ in checks)
    left_out = sum(place.times for place, _ in unknown)
    if known:
        note = f"{left_out} of {count} not checked" if left_out else ""
        yield "", Deciding(*min(known, key=margin_share), note)
    if unknown:
        reason = unknown[0][1].reason + (f" ({left_out} times)" if left_out > 1 else "")
        yield "other segments" if known else "", Deciding(*unknown[0], reason)


BARRIER_VOLTAGE = _checked(
    "barrier working voltage", "working voltage", "What a chain's barriers carry, within their rating."
)
BARRIER_CREEPAGE = _checked(
    "barrier creepage", "creepage", "Creepage of a chain's barriers, as IEC 60664-1 asks for their voltage."
)
BARRIER_CLEARANCE = _checked(
    "barrier clearance",
    "clearance",
    "Clearance of a chain's barriers, as IEC 60664-1 asks for their voltage.",
)
BARRIER_TEST_VOLTAGE = _checked(
    "barrier test voltage",
    "test voltage",
    "Test voltage of a chain's barriers, beside what their voltage asks.",
)
BOARD_CREEPAGE = _checked(
    "creepage between boards",
    "creepage",
    "Creepage between the boards at a segment's ends, as IEC 60664-1 asks for their voltage.",
    between_boards=True,
)
BOARD_CLEARANCE = _checked(
    "clearance between boards",
    "clearance",
    "Clearance between the boards at a segment's ends, as IEC 60664-1 asks for their voltage.",
    between_boards=True,
)
