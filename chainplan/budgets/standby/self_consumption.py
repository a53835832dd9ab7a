"""Supply: what each node draws from its own cells, and how far that drives the cells of a string apart.

A node draws its own current in each state (asleep, at rest, measuring, communicating), from all its cells in
series alike, so every cell gives the node's current. With the shares of time of
:mod:`chainplan.budgets.standby.activity`, in 30 days of 24 hours, awake for the share a of them:

    charge = 720 h * (a * sum of current * share of time per state awake + (1 - a) * sleep current)
    imbalance = largest charge of a node of the string - smallest of another

Charge is current times time (SI brochure, 9th edition). Where a node measures and communicates at once, both
currents count above the current at rest. Worst case: tolerances of different nodes at opposite ends, those of
the scan period and of the share awake, which all nodes of a controller have in common, at the same end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import product
from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.standby.activity import Activity, activities
from chainplan.chain.network import Network, Node
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.parts import Currents
from chainplan.plan.schedule import Hazard
from chainplan.plan.standby import SupplyPlan
from chainplan.quantity import CAPACITY, RATIO, Span

HOURS = 30 * 24
"""Hours in the month of the target."""

WHOLE = int(RATIO.units[""])
ALWAYS, NEVER = Span.exact(WHOLE), Span.exact(0)
STATES = ("sleep", "idle", "measuring", "communicating")


def _quotient(part: int, whole: int, case: Case) -> int:
    """Return part / whole, rounded down for the least, up for the most, to the nearest for the typical."""
    if case is Case.TYPICAL:
        return (2 * part + whole) // (2 * whole)
    return part // whole if case is Case.BEST else -(-part // whole)


class NodeSupply(NamedTuple):
    """What one node does, and what that costs its cells. `cycle` is its controller's major cycle, fs."""

    controller: str
    activity: Activity
    cycle: Span

    @property
    def node(self) -> Node:
        """Return the node."""
        return self.activity.node

    def charge(self, case: Case, awake: int, cycle: int) -> Sum:
        """Return what the node draws from each of its cells in 30 days, nAh.

        `case` says at the least, typically or at the most; `awake` is the share of time in ticks of a ratio,
        `cycle` the length of a major cycle in fs.
        """
        labels = ("asleep", "awake at rest", "measuring", "communicating")
        return Sum(
            f"charge drawn by {self.node.name} in 30 days",
            CAPACITY,
            nonzero(*map(Term, labels, self.parts(case, awake, cycle))),
            "hours in 30 days * share of time in each state * its current",
            "charge is current times time (SI brochure, 9th edition, coulomb)",
        )

    def parts(self, case: Case, awake: int, cycle: int) -> tuple[int, int, int, int]:
        """Return what it draws asleep, awake at rest, measuring and communicating, as in :meth:`charge`."""
        activity = self.activity
        currents = activity.node.type.currents
        communicating = activity.communicating[case]
        measuring = activity.measuring[case]
        if activity.free:  # converts whenever it does not communicate
            measuring = max(cycle - activity.communicating[Case.WORST - case], 0)
        else:
            measuring += _quotient(activity.checking[case] * cycle, WHOLE, case)
        rest = cycle - measuring - communicating
        # More time at work than there is is both at once: what counts above the rest's current is its lowest.
        idle = currents.idle[case if rest >= 0 else Case.WORST - case]
        hours = HOURS * awake
        return (
            _quotient(currents.sleep[case] * HOURS * (WHOLE - awake), WHOLE, case),
            _quotient(idle * hours * rest, WHOLE * cycle, case),
            _quotient(currents.measuring[case] * hours * measuring, WHOLE * cycle, case),
            _quotient(currents.communicating[case] * hours * communicating, WHOLE * cycle, case),
        )

    def awake_current(self, case: Case) -> Fraction:
        """Return the mean current while awake, nA: at the least, typically, at the most."""
        if case is Case.TYPICAL:
            return Fraction(self.charge(case, WHOLE, self.cycle.typical).total, HOURS)
        ends = [self.charge(case, WHOLE, cycle).total for cycle in (self.cycle.min, self.cycle.max)]
        return Fraction(min(ends) if case is Case.BEST else max(ends), HOURS)

    def share(self, what: str) -> Fraction:
        """Return the typical share of the time awake in which it is `measuring` or `communicating`."""
        if what == "measuring" and self.activity.free:
            return 1 - self.share("communicating")
        times: Span = getattr(self.activity, what)
        checking = Fraction(self.activity.checking.typical, WHOLE) if what == "measuring" else 0
        return Fraction(times.typical, self.cycle.typical) + checking


@dataclass(frozen=True)
class Spread:
    """How far the charges drawn from a string's cells lie apart: who draws most and least."""

    string: str
    kinds: Sequence[NodeSupply]
    awake: Span
    ends: tuple[_Drawn, _Drawn]

    @cached_property
    def typical_ends(self) -> tuple[_Drawn, _Drawn]:
        """Return who draws most and least in the typical case."""
        awake = self.awake.typical
        drawn = [_Drawn.by(each, Case.TYPICAL, awake, each.cycle.typical) for each in self.kinds]
        return max(drawn, key=_total), min(drawn, key=_total)

    @property
    def most(self) -> str:
        """Return the node that draws most in the worst case."""
        return self.ends[0].node.node.name

    @property
    def least(self) -> str:
        """Return the node that draws least in the worst case."""
        return self.ends[1].node.node.name

    @property
    def largest(self) -> int:
        """Return the largest imbalance, the total of `worst`, without its terms, nAh in 30 days."""
        return self.ends[0].total - self.ends[1].total

    @property
    def usual(self) -> int:
        """Return the typical imbalance, the total of `typical`, without its terms, nAh in 30 days."""
        return self.typical_ends[0].total - self.typical_ends[1].total

    @cached_property
    def worst(self) -> Sum:
        """Return the largest imbalance with its terms."""
        return _difference(f"imbalance of {self.string} in 30 days", *self.ends)

    @cached_property
    def typical(self) -> Sum:
        """Return the typical imbalance with its terms."""
        return _difference(f"typical imbalance of {self.string} in 30 days", *self.typical_ends)


@dataclass(frozen=True)
class StringSupply:
    """The nodes of one string from HV- upward. `missing` says what the plan leaves open that is needed."""

    string: str
    nodes: tuple[NodeSupply, ...]
    awake: Span | None
    missing: str

    @cached_property
    def spread(self) -> Spread | None:
        """Return the imbalance at the plan's share of time awake; None where that is not known."""
        return None if self.missing or self.awake is None else self.at(self.awake)

    def at(self, awake: Span) -> Spread:
        """Return the imbalance at a share of time awake, in ticks of a ratio."""
        return _spread(self.string, self.nodes, awake)


@budget
def self_consumption(
    network: Network,
    scans: dict[str, ControllerScan],
    supply: SupplyPlan | None,
    hazards: dict[str, Hazard],
) -> list[StringSupply]:
    """What the nodes of each string draw from its cells."""
    found: dict[str, list[NodeSupply]] = {name: [] for name in network.strings}
    for name, scan in scans.items():
        period = scan.controller.settings.scan_period
        scans_in_cycle = scan.phases.major_cycle
        # A scan that overruns makes the cycle longer, by how much depends on the scan.
        ends = (period.min, period.typical, scan.period)
        cycle = Span(*(scans_in_cycle * end for end in ends))
        for activity in activities(scan, hazards):
            if activity.node.cells:  # one without cells has its supply from elsewhere
                found[activity.node.string].append(NodeSupply(name, activity, cycle))
    return [
        StringSupply(
            string,
            tuple(sorted(nodes, key=lambda each: each.node.first_cell)),
            supply.awake if supply else None,
            _missing(nodes),
        )
        for string, nodes in found.items()
        if nodes
    ]


def _missing(nodes: Sequence[NodeSupply]) -> str:
    known: dict[int, Node] = {}
    for each in nodes:
        node = each.activity.node
        known.setdefault(id(node.type), node)
    for node in known.values():
        currents: Currents = node.type.currents
        unknown = [state for state in STATES if state not in currents.model_fields_set]
        if unknown:
            return f"the type of node {node.name} gives no current for {', '.join(unknown)}"
    return ""


def _spread(string: str, nodes: Sequence[NodeSupply], awake: Span) -> Spread:
    kinds = _kinds(nodes)
    worst = max(_corners(kinds, awake), key=lambda pair: pair[0].total - pair[1].total)
    return Spread(string, kinds, awake, worst)


class _Drawn(NamedTuple):
    """What a node draws, nAh in 30 days, and what to ask for its terms."""

    total: int
    node: NodeSupply
    case: Case
    awake: int
    cycle: int

    @classmethod
    def by(cls, node: NodeSupply, case: Case, awake: int, cycle: int) -> _Drawn:
        return cls(sum(node.parts(case, awake, cycle)), node, case, awake, cycle)

    def terms(self, sign: int) -> tuple[Term, ...]:
        terms = self.node.charge(self.case, self.awake, self.cycle).terms
        return tuple(Term(term.label, sign * term.amount) for term in terms)


def _total(drawn: _Drawn) -> int:
    return drawn.total


def _corners(kinds: Sequence[NodeSupply], awake: Span) -> Iterator[tuple[_Drawn, _Drawn]]:
    """Yield, for each end of what all nodes have in common, which draws most and which other one least.

    Charge is linear in the share awake and in the scan rate, so the largest difference is at such ends. The
    scan periods of several controllers have nothing in common: there each node is taken at its own worst.
    """
    several = len({each.controller for each in kinds}) > 1
    ends: list[tuple[int, ...]] = [(0, 2)] if several else [(0,), (2,)]
    for periods, share in product(ends, {awake.min, awake.max}):
        most, least = (
            _extremes(
                pick, [[_Drawn.by(each, case, share, each.cycle[end]) for each in kinds] for end in periods]
            )
            for pick, case in ((max, Case.WORST), (min, Case.BEST))
        )
        yield _two_nodes(most, least)


def _extremes(pick: Callable[..., _Drawn], rows: list[list[_Drawn]]) -> list[_Drawn]:
    """Return of every column, which is a node's, what it draws at most or at least."""
    return rows[0] if len(rows) == 1 else [pick(column, key=_total) for column in zip(*rows, strict=True)]


def _kinds(nodes: Sequence[NodeSupply]) -> list[NodeSupply]:
    """Return the nodes that can draw most or least, and the next to them.

    Of nodes that differ only in how long they communicate, that are those that do so longest and shortest: at
    rest or not, charge is linear in that time, and where it turns it turns away from the ends. A node that
    converts all the rest of its time depends on both ends of that time: there only equal ones are left out.
    """
    kinds: dict[tuple[object, ...], list[int]] = {}
    for place, each in enumerate(nodes):
        activity = each.activity
        key = (
            each.controller,
            id(activity.node.type),
            activity.measuring,
            activity.free and activity.communicating,
        )
        kinds.setdefault(key, []).append(place)
    kept: set[int] = set()
    for alike in kinds.values():
        for case in Case:
            in_order = sorted((nodes[place].activity.communicating[case], place) for place in alike)
            kept.update(place for _, place in (*in_order[:2], *in_order[-2:]))
    return [nodes[place] for place in sorted(kept)]


def _two_nodes(most: list[_Drawn], least: list[_Drawn]) -> tuple[_Drawn, _Drawn]:
    """Return the largest difference between two different nodes; a single one differs from itself by nil."""
    top = sorted(range(len(most)), key=lambda index: -most[index].total)[:2]
    low = sorted(range(len(least)), key=lambda index: least[index].total)[:2]
    pairs = [(a, b) for a in top for b in low if a != b]
    if not pairs:
        return least[0], least[0]
    a, b = max(pairs, key=lambda pair: most[pair[0]].total - least[pair[1]].total)
    return most[a], least[b]


def _difference(label: str, most: _Drawn, least: _Drawn) -> Sum:
    return Sum(
        label,
        CAPACITY,
        nonzero(
            Term(f"drawn by {most.node.node.name}", most.total, parts=most.terms(1)),
            Term(f"drawn by {least.node.node.name}", -least.total, parts=least.terms(-1)),
        ),
        "largest charge of a node of the string - smallest of another",
        "charge is current times time (SI brochure, 9th edition, coulomb)",
    )


IMBALANCE = Kind[Spread](
    "imbalance in 30 days by supply",
    CAPACITY,
    ("string",),
    "self-consumption",
    lambda spread: spread.largest,
    lambda spread: spread.usual,
    sums=lambda spread: (spread.worst, spread.typical),
    named="supply/{}",
    where=lambda spread: f"{spread.most} against {spread.least}",
    target="imbalance_per_month",
)


@IMBALANCE.of
def imbalances(self_consumption: list[StringSupply]) -> Iterator[Figure]:
    """How far the nodes' own supply drives the cells of a string apart in 30 days."""
    for each in self_consumption:
        if each.spread is not None:
            yield IMBALANCE(each.string, item=each.spread)
        else:
            unsaid = "the plan's `supply` does not say how much of the time the nodes are awake"
            yield IMBALANCE(each.string, note=each.missing or unsaid)
