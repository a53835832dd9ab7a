"""Monitoring: which task shows which kind of hazard, how often and where, and what nothing shows.

A cell is covered against a kind of hazard when some task reads, of its node, what shows that kind
(:data:`chainplan.plan.readings.READINGS`); against over- and under-temperature when a task reads a
temperature on its board. Register upsets and lost chains are counted by nodes.

How often: the diagnostic test time interval (ISO 26262-1:2018, 3.35, from memory) from one run's begin to the
next one's,

    interval = task period + scan jitter + shift of the task's slot between the two scans + retry reserve

where the reserve stands for repeated reads of the tasks before it. Debouncing, lost readings and evaluation
come on top: that is the FDTI of a hazard of the plan (:mod:`chainplan.budgets.values.latency`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cached_property
from typing import Literal, NamedTuple

from chainplan.budgets.scanning.exchange import channels
from chainplan.budgets.scanning.scan import ControllerScan, works_on
from chainplan.budgets.values.interval import TaskInterval, task_interval
from chainplan.budgets.values.latency import HazardLatency
from chainplan.chain.ends import as_sent
from chainplan.chain.network import CellString, Chain, Network, Node, outlines
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.plan.readings import HAZARD_KINDS, READ_BY, READINGS, HazardKind
from chainplan.plan.schedule import Hazard, Targets, Task
from chainplan.quantity import COUNT, TIME
from chainplan.remembered import remembered_for_all

Unit = Literal["cell", "node"]

_BY_BOARD = READINGS["temperatures"].shows
"""Kinds that a sensor anywhere on a board shows for all its cells."""


def unit_of(kind: HazardKind) -> Unit:
    """Return what is counted of a kind of hazard."""
    return "node" if kind in ("register upset", "chain loss") else "cell"


class MonitoringGap(NamedTuple):
    """Boards of one string on which nothing shows a kind of hazard."""

    string: str
    boards: tuple[int, ...]
    """Positions in the string, in order; all of its boards where `whole`."""
    whole: bool
    units: int
    """Cells, or nodes, that are not covered."""
    reason: str


class KindMonitoring(NamedTuple):
    """How far one kind of hazard is covered."""

    kind: HazardKind
    unit: Unit
    """What is counted."""
    total: int
    covered: Sum
    """Covered cells or nodes, a count."""
    tests: tuple[TaskInterval, ...]
    """Every task that shows it, controller by controller."""
    slowest: TaskInterval | None
    """The test of the place that is tested least often, by the most frequent of its tasks."""
    hazards: tuple[HazardLatency, ...]
    """The hazards of this kind in the plan, with their FDTI."""
    gaps: tuple[MonitoringGap, ...]


class Monitoring:
    """The whole table; what is known of a kind is worked out when first asked for."""

    def __init__(
        self,
        network: Network,
        tasks: dict[str, Task],
        hazards: dict[str, Hazard],
        scans: dict[str, ControllerScan],
        latencies: Iterable[HazardLatency],
    ) -> None:
        self._network, self._tasks, self._hazards = network, tasks, hazards
        self._by_task = {
            (name, work.name): task_interval(scan, index)
            for name, scan in scans.items()
            for index, work in enumerate(scan.works)
            if work.task.kind != "write"
        }
        self._chains = outlines(network.chains.values())
        self._latencies = tuple(latencies)
        self._known: dict[HazardKind, KindMonitoring] = {}

    @property
    def tests(self) -> tuple[TaskInterval, ...]:
        """Return every task that reads, on every controller."""
        return tuple(self._by_task.values())

    @cached_property
    def idle(self) -> dict[str, str]:
        """Return the tasks that read but show no hazard of the plan, and why."""
        return _idle(self._tasks, self._hazards)

    @property
    def kinds(self) -> dict[HazardKind, KindMonitoring]:
        """Return every kind, in the order of :data:`~chainplan.plan.readings.HAZARD_KINDS`."""
        return {kind: self.of(kind) for kind in HAZARD_KINDS}

    def of(self, kind: HazardKind) -> KindMonitoring:
        """Return how far one kind of hazard is covered."""
        if kind not in self._known:
            named = tuple(each for each in self._latencies if self._hazards[each.hazard].kind == kind)
            extent = _extent(kind, self._tasks, self._network.strings, self._chains)
            self._known[kind] = _kind(kind, extent, self._by_task, named)
        return self._known[kind]


@budget
def monitoring(
    network: Network,
    tasks: dict[str, Task],
    hazards: dict[str, Hazard],
    scans: dict[str, ControllerScan],
    latencies: list[HazardLatency],
) -> Monitoring:
    """Which hazards the tasks cover, how often and where."""
    return Monitoring(network, tasks, hazards, scans, latencies)


_Task = tuple[str, str]
"""Controller and name of a task there."""

_Asked = dict[str, list[_Task]]
"""By node: every task that asks it something it has."""


def _asked(tasks: dict[str, Task], chains: tuple[Chain, ...]) -> _Asked:
    found: _Asked = {node.name: [] for chain in chains for node in chain.nodes}
    for chain in chains:
        for work in works_on(tasks, outlines([chain])):
            if work.task.kind == "write":
                continue
            asked: dict[str, None] = {}
            met = as_sent(work.task, chain).nodes
            for exchange in work.requests:
                nodes = met if exchange.node is None else met[exchange.node : exchange.node + 1]
                asked.update(dict.fromkeys(node.name for node in nodes))
            for name in asked:
                found[name].append((chain.controller, work.name))
    return found


class _Extent(NamedTuple):
    """What of a kind's monitoring follows from which bits are sent, and not from how long that takes."""

    unit: Unit
    total: int
    covered: Sum
    used: tuple[_Task, ...]
    groups: tuple[tuple[_Task, ...], ...]
    """Every set of tasks that some place is tested by, once, in the order of the places."""
    gaps: tuple[MonitoringGap, ...]


def _kind(
    kind: HazardKind,
    extent: _Extent,
    tests: dict[_Task, TaskInterval],
    hazards: tuple[HazardLatency, ...],
) -> KindMonitoring:
    often = [
        min((tests[key] for key in group), key=lambda test: test.interval.total) for group in extent.groups
    ]
    return KindMonitoring(
        kind,
        extent.unit,
        extent.total,
        extent.covered,
        tuple(tests[key] for key in extent.used),
        max(often, key=lambda test: test.interval.total, default=None),
        hazards,
        extent.gaps,
    )


@remembered_for_all
def _extent(
    kind: HazardKind, tasks: dict[str, Task], strings: dict[str, CellString], chains: tuple[Chain, ...]
) -> _Extent:
    unit = unit_of(kind)
    nodes = {node.name: node for chain in chains for node in chain.nodes}
    shown = _shown(kind, tasks, nodes, _asked(tasks, chains))
    amounts = {name: 1 if unit == "node" else node.cells for name, node in nodes.items()}
    left = {name: amounts[name] for name, by in shown.items() if not by and amounts[name]}
    used = tuple(dict.fromkeys(key for by in shown.values() for key in by))
    return _Extent(
        unit,
        sum(amounts.values()),
        _covered(kind, unit, nodes, {name: amounts[name] for name, by in shown.items() if by}),
        used,
        tuple(dict.fromkeys(tuple(by) for name, by in shown.items() if by and amounts[name])),
        tuple(_gaps(kind, nodes, strings, left, bool(used))),
    )


def _shown(kind: HazardKind, tasks: dict[str, Task], nodes: dict[str, Node], asked: _Asked) -> _Asked:
    """Return for every node the tasks that show a kind of hazard there."""
    wanted = READ_BY.get(kind)
    if wanted is None:
        return asked

    def by_node(node: Node) -> list[_Task]:
        return [
            key for key in asked[node.name] if tasks[key[1]].reads == wanted and channels(tasks[key[1]], node)
        ]

    shown = {node.name: by_node(node) for node in nodes.values()}
    if kind not in _BY_BOARD:
        return shown
    boards: _Asked = {}
    for node in nodes.values():
        known = boards.setdefault(node.board, [])
        known += [key for key in shown[node.name] if key not in known]
    return {node.name: boards[node.board] for node in nodes.values()}


def _covered(kind: HazardKind, unit: Unit, nodes: dict[str, Node], amounts: dict[str, int]) -> Sum:
    """Return the covered cells or nodes, string by string."""
    strings: dict[str, int] = {}
    for name, amount in amounts.items():
        string = nodes[name].string
        strings[string] = strings.get(string, 0) + amount
    return Sum(
        f"{unit}s covered against {kind}",
        COUNT,
        nonzero(*(Term(f"string {string}", amount) for string, amount in strings.items())),
        f"{unit}s where some task shows it",
    )


def _gaps(
    kind: HazardKind,
    nodes: dict[str, Node],
    all_strings: dict[str, CellString],
    left: dict[str, int],
    used: bool,
) -> Iterator[MonitoringGap]:
    wanted = READ_BY.get(kind)
    reason = "no task reads anything there" if wanted is None else f"no task reads {wanted} there"
    if kind in _BY_BOARD and used:
        reason = "no temperature is read on the board"
    elif not used:
        reason = f"no task reads {wanted or 'anything'}"
    strings: dict[str, dict[str, int]] = {}
    for name, amount in left.items():
        node = nodes[name]
        boards = strings.setdefault(node.string, {})
        boards[node.board] = boards.get(node.board, 0) + amount
    for string, boards in strings.items():
        everything = all_strings[string].boards
        positions = tuple(place for place, board in enumerate(everything, start=1) if board in boards)
        yield MonitoringGap(
            string, positions, len(positions) == len(everything), sum(boards.values()), reason
        )


def place(gap: MonitoringGap) -> str:
    """Return where a gap is: a string, or some of its boards."""
    if gap.whole:
        return f"string {gap.string}"
    runs: list[list[int]] = []
    for position in gap.boards:
        if runs and position == runs[-1][-1] + 1:
            runs[-1].append(position)
        else:
            runs.append([position])
    texts = [str(run[0]) if len(run) == 1 else f"{run[0]}..{run[-1]}" for run in runs]
    return f"{gap.string}.{', '.join(texts)}"


def _idle(tasks: dict[str, Task], hazards: dict[str, Hazard]) -> dict[str, str]:
    """Return the tasks that read but show no hazard of the plan, and why."""
    found = {}
    for name, task in tasks.items():
        kinds = {hazard.kind for hazard in hazards.values() if hazard.task in (None, name)}
        shows = READINGS[task.reads].shows
        if task.kind == "write" or kinds & {*shows, "chain loss"}:
            continue
        what = " and ".join(shows) if shows else "nothing but a lost chain"
        found[name] = f"shows {what}, of which the plan names no hazard"
    return found


class Covered(NamedTuple):
    """A kind of hazard in a monitoring, which is looked at when it is asked for."""

    monitoring: Monitoring
    kind: HazardKind

    @property
    def found(self) -> KindMonitoring:
        """Return how far it is covered."""
        return self.monitoring.of(self.kind)


def _kind_of(unit: Unit) -> Kind[Covered]:
    kind = Kind[Covered](
        f"{unit}s covered",
        COUNT,
        ("kind of hazard",),
        "monitoring",
        lambda each: each.found.covered,
        named="monitoring/{}",
        sense="at least",
        where=lambda each: _where(each.found),
        note=lambda each: "; ".join(dict.fromkeys(gap.reason for gap in each.found.gaps)),
        asked=lambda plan: plan.targets.monitoring,
        yes_no=True,
    )

    def covered(monitoring: Monitoring, targets: Targets) -> Iterator[Figure]:
        for hazard in HAZARD_KINDS:
            if unit_of(hazard) == unit:
                judged = hazard in targets.monitoring
                total = monitoring.of(hazard).total if judged else None
                if total == 0:
                    yield kind(hazard, judged=True, note=f"the plan has no {unit}s")
                else:
                    yield kind(hazard, item=Covered(monitoring, hazard), limit=total)

    covered.__doc__ = f"{unit.capitalize()}s that some task watches against a kind of hazard, of all {unit}s."
    kind.of(covered)
    return kind


CELLS_COVERED = _kind_of("cell")
NODES_COVERED = _kind_of("node")

_MOST_PLACES = 3


def _where(covered: KindMonitoring) -> str:
    places = [place(gap) for gap in covered.gaps]
    left = len(places) - _MOST_PLACES
    shown = ", ".join(places[:_MOST_PLACES]) + (f" and {left} more" if left > 0 else "")
    return f"not on {shown}" if shown else ""


TEST_INTERVAL = Kind[TaskInterval](
    "test interval",
    TIME,
    ("controller", "task"),
    "monitoring",
    lambda test: test.interval,
    lambda test: test.typical_interval,
    named="interval/{}/{}",
)


@TEST_INTERVAL.of
def test_intervals(monitoring: Monitoring) -> Iterator[Figure]:
    """From one run of a task to the next, at the longest (ISO 26262-1:2018, 3.35, from memory)."""
    for test in monitoring.tests:
        yield TEST_INTERVAL(test.controller, test.task, item=test)
