"""Balancing: how much of the time it may run, the current that leaves, and hours to take a charge off.

A task with `pause_balancing` stops a node's balancing from the trigger's arrival to the conversion's end:

    pause = settling + conversion                      per run of the task, each at its longest
    duty  = 1 - sum of (pause / task period)           over the major cycle, whose scans are at their shortest
    effective current = current * duty                 half of it where odd and even cells take turns
    hours = charge / effective current / awake         charge is current times time (SI brochure, 9th ed.)

Pauses of several tasks that overlap are counted one by one, so the duty is guaranteed. It is a share of the
time in which the scan runs, and that is the least share of time awake that the plan's `supply` says; with
`asleep: yes` cells are bled on without a pause. Without a `supply` the hours are hours awake.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import ceil
from typing import NamedTuple

from chainplan.budgets.scanning.runs import TaskWork, pause_on
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.values.sampling import conversion_on
from chainplan.chain.network import Chain, Network, Node
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.layout import StringPlan
from chainplan.plan.order import copies
from chainplan.plan.parts import CellType
from chainplan.plan.schedule import Targets
from chainplan.plan.standby import Balancing, BalancingTarget, SupplyPlan
from chainplan.quantity import RATIO, TIME, Span, outward

FS_PER_HOUR = 3600 * 10**15
_WHOLE = int(RATIO.units[""])


class NodeBalancing(NamedTuple):
    """How nodes of one make that are read alike balance their cells.

    ``left`` is what is left for balancing of one major cycle, with its terms, fs, and ``cycle`` that cycle's
    length, fs; both at the least, then typically. ``awake`` is the share of all time in which they balance.
    """

    controller: str
    nodes: tuple[str, ...]
    kind: Balancing
    pausing: tuple[str, ...]
    """The tasks that pause it."""
    left: Sum
    typical_left: Sum
    cycle: int
    typical_cycle: int
    awake: Span

    def duty(self, case: Case = Case.WORST) -> Fraction:
        """Return the share of the time awake in which balancing may run: guaranteed, or typical."""
        left, cycle = (
            (self.typical_left, self.typical_cycle) if case is Case.TYPICAL else (self.left, self.cycle)
        )
        return Fraction(max(left.total, 0), cycle)

    def effective_current(self, case: Case = Case.WORST) -> Fraction:
        """Return the mean current of a cell that is bled, nA: the guaranteed one, or the typical one."""
        current = self.kind.current.typical if case is Case.TYPICAL else self.kind.current.min
        return current * self.duty(case) / self.turns

    @property
    def turns(self) -> int:
        """Return how many neighbours share the time: two where odd and even cells alternate."""
        return 2 if self.kind.alternate else 1

    def hours(self, charge: int, case: Case = Case.WORST) -> Sum | None:
        """Return the time to take a charge (nAh) off a cell, fs, with its terms; None where it never ends."""
        duty = self.duty(case)
        awake = self.awake.typical if case is Case.TYPICAL else self.awake.min
        if not duty or not awake:
            return None
        current = self.kind.current.typical if case is Case.TYPICAL else self.kind.current.min
        bleeding = Fraction(charge * FS_PER_HOUR, current)
        alone = ceil(bleeding)
        whole = max(ceil(bleeding * self.turns / duty), alone * self.turns)
        asleep = ceil(Fraction(whole * _WHOLE, awake)) - whole
        return Sum(
            f"balancing time of {self.nodes[0]}",
            TIME,
            nonzero(
                Term("bleeding at full current", alone),
                Term("the neighbours' turn", alone * (self.turns - 1)),
                Term("pauses for conversions", whole - alone * self.turns),
                Term("asleep meanwhile", asleep),
            ),
            "charge / current, divided by the share of the time in which balancing may run",
            "charge is current times time (SI brochure, 9th edition, coulomb)",
        )


@budget
def node_balancing(
    scans: dict[str, ControllerScan], supply: SupplyPlan | None
) -> dict[str, list[NodeBalancing]]:
    """How the nodes of each controller balance, those that do it alike together."""
    awake = supply.awake if supply else Span.exact(_WHOLE)
    return {name: balancing_budget(scan, awake) for name, scan in scans.items()}


def balancing_budget(scan: ControllerScan, awake: Span) -> list[NodeBalancing]:
    """Return how the nodes of a controller that can balance do it, those that do it alike together."""
    groups: dict[tuple[object, ...], tuple[Node, list[TaskWork], list[str]]] = {}
    for chain in scan.controller.chains:
        triggered = [work for work in scan.works if _triggers(work, chain)]
        for node in chain.nodes:
            if node.type.balancing is None or not node.cells:
                continue
            pausing = [work for work in triggered if conversion_on(work.task, node)]
            key = (id(node.type), *(work.name for work in pausing))
            groups.setdefault(key, (node, pausing, []))[2].append(node.name)
    return [_node_balancing(scan, awake, *group) for group in groups.values()]


def _triggers(work: TaskWork, chain: Chain) -> bool:
    """Tell whether a task pauses balancing on a chain."""
    return bool(work.task.pause_balancing and work.triggers) and bool(work.on(chain))


def _node_balancing(
    scan: ControllerScan, awake: Span, node: Node, pausing: list[TaskWork], names: list[str]
) -> NodeBalancing:
    assert node.type.balancing is not None  # only such nodes are grouped
    scans = scan.phases.major_cycle
    period = scan.controller.settings.scan_period

    def left(case: Case, scan_period: int) -> Sum:
        pauses = []
        for work in pausing:
            conversion = conversion_on(work.task, node)
            assert conversion is not None  # only such tasks are listed
            pause = pause_on(work.task, node)[case] + conversion.time[case]
            runs = scans // work.task.every
            pauses.append(Term(f"pause for {work.name}", -pause, runs, "settling and conversion"))
        return Sum(
            f"time left for balancing of {names[0]} in a major cycle",
            TIME,
            nonzero(Term("scan period", scan_period, scans), *pauses),
            "major cycle - every pause in it",
        )

    return NodeBalancing(
        scan.controller.name,
        tuple(names),
        node.type.balancing,
        tuple(work.name for work in pausing),
        left(Case.WORST, period.min),
        left(Case.TYPICAL, period.typical),
        scans * period.min,
        scans * period.typical,
        Span.exact(_WHOLE) if node.type.balancing.asleep else awake,
    )


class BalancingTime(NamedTuple):
    """How long the slowest cell of a group of nodes takes to lose what the target says.

    `time` is None where balancing never gets to run; `needed` is then the share of time it would need.
    `missing` says what the plan does not tell.
    """

    group: NodeBalancing
    time: Sum | None
    typical: Sum | None
    needed: int
    """Share of time that would just do, ticks of a ratio."""
    missing: str = ""

    @property
    def never(self) -> bool:
        """Tell whether balancing never gets to run."""
        return self.time is None and not self.missing


@budget
def balancing_times(
    node_balancing: dict[str, list[NodeBalancing]],
    network: Network,
    strings: dict[str, StringPlan],
    cell_types: dict[str, CellType],
    targets: Targets,
) -> dict[str, list[BalancingTime]]:
    """How long balancing takes on each controller; nothing where no target says what."""
    target = targets.balancing
    if target is None:
        return {}
    capacities = None if target.charge else _Capacities(network, strings, cell_types)
    return {name: _times(groups, target, capacities) for name, groups in node_balancing.items()}


def _times(
    groups: list[NodeBalancing], target: BalancingTarget, capacities: _Capacities | None
) -> list[BalancingTime]:
    """Return for each group of nodes the time its slowest cell needs for the target's charge."""
    found = []
    for group in groups:
        if target.charge is not None:
            charge: Span | None = target.charge
        else:
            assert capacities is not None
            assert target.imbalance is not None  # one of the two is given
            charge = _share(target.imbalance, capacities.largest(group))
        if charge is None:
            found.append(BalancingTime(group, None, None, 0, "a cell type gives no `capacity`"))
            continue
        full = Fraction(charge.max * FS_PER_HOUR * group.turns, group.kind.current.min)
        found.append(
            BalancingTime(
                group,
                group.hours(charge.max),
                group.hours(charge.typical, Case.TYPICAL),
                ceil(full * _WHOLE / target.within.min),
            )
        )
    return found


def _share(imbalance: Span, capacity: Span | None) -> Span | None:
    """Return a share of a capacity, nAh, rounded outward."""
    if capacity is None:
        return None
    return outward(*(Fraction(part * whole, _WHOLE) for part, whole in zip(imbalance, capacity, strict=True)))


class _Capacities:
    """The capacity of every cell of every string, by its place from HV-."""

    def __init__(
        self, network: Network, strings: dict[str, StringPlan], cell_types: dict[str, CellType]
    ) -> None:
        self._nodes = network.nodes
        self._cells: dict[str, list[Span | None]] = {}
        for base, string in strings.items():
            cells: list[Span | None] = []
            for item in string.stack:
                count = (item.modules or 1) * (item.cells or 0)
                cells += [cell_types[item.cell_type or string.cell_type].capacity] * count
            self._cells.update(dict.fromkeys(copies(base, string.count), cells))

    def largest(self, group: NodeBalancing) -> Span | None:
        """Return the largest capacity of any cell of a group; None where one is not given."""
        largest: Span | None = None
        for name in group.nodes:
            node = self._nodes[name]
            cells = self._cells[node.string][node.first_cell : node.first_cell + node.cells]
            for capacity in dict.fromkeys(cells):
                if capacity is None:
                    return None
                if largest is None or capacity.max > largest.max:
                    largest = capacity
        return largest


BALANCING_TIME = Kind[BalancingTime](
    "balancing time",
    TIME,
    ("controller", "part"),
    "balancing",
    lambda each: each.time,
    lambda each: each.typical,
    named=lambda each: f"balancing/{each.group.controller}/{each.group.nodes[0]}",
    where=lambda each: _alike(each.group.nodes),
    target="balancing",
    limit=lambda target: target.within.min,
)


@BALANCING_TIME.of
def slowest_balancing(balancing_times: dict[str, list[BalancingTime]]) -> Iterator[Figure]:
    """Until the cells of a controller that lose their charge most slowly have lost what the target says."""
    for name, times in balancing_times.items():
        known = [each for each in times if each.time is not None]
        unknown = next((each for each in times if each.missing), None)
        if not times:
            yield BALANCING_TIME(name, "", note="none of its nodes has `balancing` in the plan")
        if known and not any(each.never for each in times):
            yield BALANCING_TIME(
                name, "", item=max(known, key=lambda each: each.time.total if each.time else 0)
            )
        if unknown is not None:
            rest = "other nodes" if len(known) < len(times) and known else ""
            yield BALANCING_TIME(name, rest, where=_alike(unknown.group.nodes), note=unknown.missing)


BALANCING_DUTY = Kind[BalancingTime](
    "balancing duty",
    RATIO,
    ("controller",),
    "balancing",
    lambda each: 0,
    named=lambda each: f"balancing/{each.group.controller}/{each.group.nodes[0]}/left",
    sense="at least",
    where=lambda each: _alike(each.group.nodes),
    note=lambda each: f"balancing never gets to run: {_why_never(each.group)}",
    asked=lambda plan: plan.targets.balancing,
)


@BALANCING_DUTY.of
def balancing_that_never_ends(balancing_times: dict[str, list[BalancingTime]]) -> Iterator[Figure]:
    """Share of time left for balancing where that is none at all, beside the share that would do."""
    for name, times in balancing_times.items():
        never = next((each for each in times if each.never), None)
        if never is not None:
            yield BALANCING_DUTY(name, item=never, limit=never.needed)


BALANCING_TIMES = Kind[BalancingTime](
    "balancing time of a node",
    TIME,
    ("controller", "node"),
    "balancing",
    lambda each: each.time,
    lambda each: each.typical,
    named="balancing/{}/{}",
)


@BALANCING_TIMES.of
def times_of_nodes(balancing_times: dict[str, list[BalancingTime]]) -> Iterator[Figure]:
    """Until the slowest cell of nodes that balance alike has lost what the target says."""
    for name, times in balancing_times.items():
        for each in times:
            if each.time is not None:
                yield BALANCING_TIMES(name, each.group.nodes[0], item=each)


BALANCING_LEFT = Kind[NodeBalancing](
    "time left for balancing",
    TIME,
    ("controller", "node"),
    "balancing",
    lambda group: group.left,
    lambda group: group.typical_left,
    named="balancing/{}/{}/left",
    sense="at least",
)


@BALANCING_LEFT.of
def time_left(node_balancing: dict[str, list[NodeBalancing]]) -> Iterator[Figure]:
    """What pauses leave for balancing of one major cycle, for nodes that balance alike."""
    for name, groups in node_balancing.items():
        for group in groups:
            yield BALANCING_LEFT(name, group.nodes[0], item=group)


def _why_never(group: NodeBalancing) -> str:
    if group.duty():
        return "the plan's `supply` lets it be asleep all the time"
    return f"{', '.join(group.pausing)} pause it all the time"


def _alike(nodes: tuple[str, ...]) -> str:
    return nodes[0] if len(nodes) == 1 else f"{nodes[0]} and {len(nodes) - 1} alike"
