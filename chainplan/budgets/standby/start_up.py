"""Start-up: from the controller's power-up to the first complete set of readings in its memory.

    start-up = host start + wake + addressing + first run of every reading task (+ retry reserve)

- *wake*: the host sets up one wake signal per chain; it goes from node to node, each of which takes its wake
  time before it passes it on: the cables and wake times of the whole chain add up. A node listens its `ready`
  time later, and the host goes on when all do;
- *addressing*: one node after another, each with a set-up by the host and the node's addressing time;
- *first set*: every task that reads runs once, in the plan's order, back to back and whatever its phase. Each
  waits the longest conversion before it reads, an overlapped one and one without a trigger too: there is
  nothing earlier to be read yet.

As in a scan (:mod:`chainplan.budgets.scanning.runs`), ports run side by side, chains on one port one after
another, one core serves the ports in rotation, and a stage begins on all ports when the one before has ended
on all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import accumulate
from typing import NamedTuple

from chainplan.budgets.scanning.ports import HostPorts, Legs, planned
from chainplan.budgets.scanning.runs import Run, TaskWork, conversion_waits
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.chain.network import Chain, Controller, ScanSettings, makes, outlines
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.quantity import TIME
from chainplan.remembered import remembered_for_all


class Milestone(NamedTuple):
    """What is done, and when at the latest and typically, fs since power-up."""

    name: str
    worst: int
    typical: int


class Stage(NamedTuple):
    """A part of the start-up and its time, fs; `parts` lays out what the time is made of.

    `achieves` says what is done when it ends, `reads` whether a read in it may need a retry.
    """

    label: str
    length: int
    parts: Callable[[], tuple[Term, ...]]
    achieves: str = ""
    reads: bool = False


@dataclass(frozen=True)
class StartUp:
    """How one controller starts up: its stages in the worst case, and the retry reserve.

    `missing` says what the plan leaves open that belongs to the sum, `note` what it leaves out.
    """

    scan: ControllerScan
    stages: tuple[Stage, ...]
    reserve: Term
    missing: str
    note: str

    @property
    def controller(self) -> str:
        """Return the controller's name."""
        return self.scan.controller.name

    @cached_property
    def typical_stages(self) -> tuple[Stage, ...]:
        """Return its stages in the typical case."""
        return tuple(_stages(self.scan, Case.TYPICAL))

    @property
    def longest(self) -> int:
        """Return the longest start-up, the total of `time`, fs."""
        return sum(stage.length for stage in self.stages) + self.reserve.total

    @property
    def usual(self) -> int:
        """Return the typical start-up, the total of `typical`, fs."""
        return sum(stage.length for stage in self.typical_stages)

    @cached_property
    def time(self) -> Sum:
        """Return the longest start-up with its terms."""
        return Sum(
            f"start-up of {self.controller}",
            TIME,
            nonzero(*map(_term, self.stages), self.reserve),
            "controller's start + wake + addressing + first run of every reading task + retry reserve",
        )

    @cached_property
    def typical(self) -> Sum:
        """Return the typical start-up with its terms."""
        return Sum(f"typical start-up of {self.controller}", TIME, nonzero(*map(_term, self.typical_stages)))

    @property
    def milestones(self) -> tuple[Milestone, ...]:
        """Return what is done when; at the latest, all retries have been needed before it."""
        found = []
        late = usual = 0
        for slow, middle in zip(self.stages, self.typical_stages, strict=True):
            late, usual = late + slow.length, usual + middle.length
            if slow.achieves:
                found.append(
                    Milestone(slow.achieves, late + (self.reserve.total if slow.reads else 0), usual)
                )
        if self.stages[-1].reads:
            found.append(Milestone("first complete set in memory", self.longest, self.usual))
        return tuple(found)


def _term(stage: Stage) -> Term:
    return Term(stage.label, stage.length, parts=stage.parts())


@budget
def start_ups(scans: dict[str, ControllerScan]) -> list[StartUp]:
    """How each controller gets from power-up to its first complete set of readings."""
    return [start_up(scan) for scan in scans.values()]


def start_up(scan: ControllerScan) -> StartUp:
    """Return one controller's start-up, worst and typical, with its milestones."""
    return StartUp(
        scan,
        tuple(_stages(scan, Case.WORST)),
        scan.reserve,
        _missing(scan),
        "" if scan.controller.settings.start else "the controller's own start is not in the plan",
    )


def _stages(scan: ControllerScan, case: Case) -> Iterator[Stage]:
    controller = scan.controller
    start = controller.settings.start
    yield Stage("controller starts", start[case] if start else 0, lambda: (), "controller ready")
    yield _stage(
        "wake along the chains", _wakes(controller, case), controller.settings, case, "all nodes awake"
    )
    yield _addressing(outlines(controller.chains), controller.settings, case)
    reading = [(work, run) for work, run in zip(scan.works, scan.runs[case], strict=True) if _reads(work)]
    last_cells = next((work for work, _ in reversed(reading) if work.task.reads == "cell voltages"), None)
    for work, usual in reading:
        first = _first_run(work, scan.outlines)
        run = Run(first, scan.ways[case]) if first.wait != work.wait else usual
        achieved = "all cell voltages in memory" if work is last_cells else ""
        yield Stage(f"first run of {work.name}", run.length, partial(_terms_of, run), achieved, reads=True)


def _stage(label: str, lists: Lists, plan: ScanSettings, case: Case, achieved: str) -> Stage:
    """Return a stage in which every port works through its list."""
    ends = _ends(lists, plan, case)
    length = max(ends.values(), default=0)
    return Stage(label, length, partial(_parts, lists, ends, plan, case), achieved)


@remembered_for_all
def _addressing(chains: tuple[Chain, ...], plan: ScanSettings, case: Case) -> Stage:
    return _stage("addressing", _addressings(chains, case), plan, case, "all nodes addressed")


def _terms_of(run: Run) -> tuple[Term, ...]:
    return run.terms


def _reads(work: TaskWork) -> bool:
    return work.task.kind != "write"


@remembered_for_all
def _first_run(work: TaskWork, chains: tuple[Chain, ...]) -> TaskWork:
    """Return a task's work with the wait for its conversions, whether it waits in later runs or not."""
    read = {exchange.chain for exchange in work.requests}
    settling, conversion = max(
        (waits for chain in chains if chain.name in read for waits in conversion_waits(work.task, chain)),
        key=sum,
        default=(0, 0),
    )
    return work._replace(wait=settling + conversion, settling=settling)


Lists = dict[str, list[tuple[Term, ...]]]
"""What each port does one after another, a set-up before each: every item as its terms."""


def _wakes(controller: Controller, case: Case) -> Lists:
    lists: Lists = {}
    for chain in controller.chains:
        lists.setdefault(chain.head, []).append(wake_terms(chain, case))
    return lists


def wake_terms(chain: Chain, case: Case) -> tuple[Term, ...]:
    """Return what a wake signal takes from the head port until all nodes of a chain listen, fs."""
    cables = sum([segment.hop.delay[case] for segment in chain.segments[: len(chain.nodes)]])
    passed = accumulate(
        segment.hop.delay[case] + node.type.wake[case]
        for segment, node in zip(chain.segments, chain.nodes, strict=False)
    )
    ready = [at + node.type.ready[case] for at, node in zip(passed, chain.nodes, strict=True)]
    wakes = Counter([node.type.wake[case] for node in chain.nodes])
    return nonzero(
        *(Term("wake of a node", wake, count) for wake, count in wakes.items()),
        Term("cables on the way", cables),
        Term("until the last node listens", max(ready) - ready[-1] + chain.nodes[-1].type.ready[case]),
    )


def _addressings(chains: tuple[Chain, ...], case: Case) -> Lists:
    lists: Lists = {}
    for chain in chains:
        for node in chain.nodes:
            item = nonzero(Term("addressing of a node", node.type.addressing[case]))
            lists.setdefault(chain.head, []).append(item)
    return lists


def _ends(lists: Lists, plan: ScanSettings, case: Case) -> dict[str, int]:
    """Run the ports' lists side by side from 0; return when each port has ended, fs."""
    host = HostPorts(plan.set_up[case], plan.set_up_by == "one core", {}, "by turns")
    legs = {
        port: [Legs(0, sum([term.total for term in item]), 0, 0) for item in items]
        for port, items in lists.items()
    }
    return {port: places[-1].end for port, places in planned(legs, host).items()}


def _parts(lists: Lists, ends: dict[str, int], plan: ScanSettings, case: Case) -> tuple[Term, ...]:
    """Return what a stage is made of: the list of the port that ends last, and what that port waits."""
    last = max(ends, key=ends.__getitem__, default=None)
    if last is None:
        return ()
    amounts: Counter[tuple[str, int]] = Counter()
    for item in lists[last]:
        amounts["host set-up", plan.set_up[case]] += 1
        for term in item:
            amounts[term.label, term.amount] += term.times
    parts = [Term(name, amount, times) for (name, amount), times in amounts.items()]
    waiting = Term("waiting for the host core", ends[last] - sum(part.total for part in parts))
    return nonzero(*parts, waiting)


def _missing(scan: ControllerScan) -> str:
    """Say which times a node type does not give; a time of zero has to be written down to count."""
    for chain in scan.controller.chains:
        for make in makes(chain.nodes):
            for key in ("wake", "addressing"):
                if key not in make.node.type.model_fields_set:
                    return f"the type of node {make.node.name} gives no `{key}` time"
    return ""


START_UP = Kind[StartUp](
    "start-up",
    TIME,
    ("controller",),
    "start-up",
    lambda start: start.longest,
    lambda start: start.usual,
    sums=lambda start: (start.time, start.typical),
    named="start-up/{}",
    note=lambda start: start.note,
    target="start_up",
)


@START_UP.of
def start_up_times(start_ups: list[StartUp]) -> Iterator[Figure]:
    """From a controller's power-up to the first complete set of readings in its memory."""
    for start in start_ups:
        if start.missing:
            yield START_UP(start.controller, note=start.missing)
        else:
            yield START_UP(start.controller, item=start)
