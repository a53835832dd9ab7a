"""Every single fault walked: who is blind, when it is known, and how the controller reads on.

The faults and what they do are those of :mod:`chainplan.chain.degraded`; the times are worked out in
:mod:`chainplan.budgets.faults.known` and :mod:`chainplan.budgets.faults.recovery`. A segment open and a
segment shorted have one outcome and are walked as one fault.

A cell is *seen* while the node that measures it is read by its controller, and *blind* when it is not, once
the controller has done what it can. A *single point of failure* is a part whose one fault blinds cells of
other nodes than itself: in the graph of controllers, segments and nodes the bridges and cut vertices
(Whitney, 1932) that have cells behind them. A dead controller is listed with them and left out of the
headline: whoever listens to it must notice that it has gone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from typing import NamedTuple

from chainplan.budgets.faults.known import Detection, Known
from chainplan.budgets.faults.pairs import StringPairs, string_pairs
from chainplan.budgets.faults.recovery import Recoveries, Recovery
from chainplan.budgets.faults.rescan import Rescan, Rescans
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.chain.build import Unit
from chainplan.chain.degraded import (
    FAULT_KINDS,
    Fault,
    FaultKind,
    Gap,
    Left,
    gaps_of,
    jams_for_good,
    single_faults,
    unmonitored_nodes,
    what_is_left,
)
from chainplan.chain.network import Network, Node
from chainplan.figures.budget import budget, part_of_plan
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.plan.schedule import Hazard
from chainplan.quantity import RATIO
from chainplan.remembered import remembered

_WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""


class Outcome(NamedTuple):
    """What one fault does. `nodes` and `cells` count those that are blind in the end."""

    fault: Fault
    gaps: tuple[Gap, ...]
    left: tuple[Left, ...]
    nodes: int
    cells: int
    others: int
    """Blind cells of other nodes than the faulty one itself."""
    known: Known | None
    """None where nothing its controller reads shows the fault."""

    @property
    def name(self) -> str:
        """Return the fault in words."""
        return self.fault.name

    @property
    def figure(self) -> str:
        """Return what the names of its sums begin with."""
        return f"faults/{self.fault.name}"


@dataclass(frozen=True, eq=False)
class FaultBudget:
    """The outcomes of all single faults of a plan. What takes longer is worked out when first asked for."""

    network: Network
    scans: dict[str, ControllerScan]
    units: dict[str, Unit]
    chain_losses: dict[str, Hazard]

    @cached_property
    def cells(self) -> int:
        """Return how many cells are seen without a fault."""
        return sum(node.cells for node in self.network.nodes.values())

    @cached_property
    def outcomes(self) -> tuple[Outcome, ...]:
        """Return every single fault with its outcome, the most harmful first.

        More blind cells come first, then more blind nodes, then what is never known and what is known late.
        """
        found = [self._outcome(fault) for fault in single_faults(self.network)]
        return tuple(sorted(found, key=_harm))

    def _outcome(self, fault: Fault) -> Outcome:
        gaps = gaps_of(self.network, fault)
        left = what_is_left(self.network, gaps)
        nodes = cells = 0
        for part in left:
            summed = self._cells_before[part.chain]
            end = len(summed) - 1 - part.behind
            nodes += end - part.ahead
            cells += summed[end] - summed[part.ahead]
        own = 0
        if fault.kind in ("node silent", "node babbling"):
            own = self.network.chains[fault.chain].nodes[fault.place - 1].cells
        known = None
        if fault.kind != "controller dead":
            known = self._detections[fault.controller].known(fault, gaps, self.jams(fault))
        return Outcome(fault, gaps, left, nodes, cells, cells - own, known)

    def jams(self, fault: Fault) -> bool:
        """Tell whether a fault makes every read of its chain fail for good."""
        babbles = fault.kind == "node babbling"
        return babbles and jams_for_good(self.network.chains[fault.chain], fault.place)

    @cached_property
    def _cells_before(self) -> dict[str, list[int]]:
        """Return, for every chain, how many cells its first 0, 1, ... nodes measure."""
        return {
            chain.name: [0, *accumulate(node.cells for node in chain.nodes)]
            for chain in self.network.chains.values()
        }

    @cached_property
    def _detections(self) -> dict[str, Detection]:
        return {
            name: Detection(scan, self.units[name].evaluation, self.chain_losses)
            for name, scan in self.scans.items()
        }

    @cached_property
    def _rescans(self) -> dict[str, Rescans]:
        return {name: _rescans_of(scan) for name, scan in self.scans.items()}

    @cached_property
    def _recoveries(self) -> dict[str, Recoveries]:
        return {name: Recoveries(rescans) for name, rescans in self._rescans.items()}

    @cached_property
    def _recovered(self) -> dict[Fault, Recovery]:
        return {}

    @property
    def counted(self) -> Iterator[Outcome]:
        """Yield the outcomes that the headline is about: all but those of a dead controller."""
        return (outcome for outcome in self.outcomes if outcome.fault.kind != "controller dead")

    @cached_property
    def worst(self) -> Outcome | None:
        """Return the fault after which fewest cells are still monitored."""
        return next(self.counted, None)

    @cached_property
    def worst_of_kind(self) -> dict[FaultKind, Outcome]:
        """Return the most harmful fault of every kind that the plan can have."""
        found: dict[FaultKind, Outcome] = {}
        for outcome in self.outcomes:
            found.setdefault(outcome.fault.kind, outcome)
        return {kind: found[kind] for kind in FAULT_KINDS if kind in found}

    @cached_property
    def single_points(self) -> tuple[Outcome, ...]:
        """Return the single points of failure, dead controllers among them."""
        return tuple(outcome for outcome in self.outcomes if outcome.others)

    @cached_property
    def unknown(self) -> tuple[Outcome, ...]:
        """Return the faults that nothing their controller reads ever shows; dead controllers apart."""
        return tuple(outcome for outcome in self.counted if outcome.known is None)

    @cached_property
    def pairs(self) -> tuple[StringPairs, ...]:
        """Return, for every string, which pairs of faults blind it though neither does alone."""
        return string_pairs(self.network)

    def seen(self, outcome: Outcome) -> Sum:
        """Return the share of all cells that is still seen after a fault, rounded down, with its terms."""
        blind = -(-outcome.cells * _WHOLE // self.cells) if self.cells else 0
        return Sum(
            f"cells still seen: {outcome.name}",
            RATIO,
            (
                Term("all cells", _WHOLE, how=f"{self.cells} cells"),
                *nonzero(Term("blind", -blind, how=f"{outcome.cells} of {self.cells} cells")),
            ),
            "(cells - blind cells) / cells",
        )

    def unmonitored_nodes(self, outcome: Outcome) -> Iterator[Node]:
        """Yield the nodes that are read no more."""
        return unmonitored_nodes(self.network, outcome.left)

    def recovery(self, outcome: Outcome) -> Recovery:
        """Return the time until every cell that is left is monitored again."""
        fault = outcome.fault
        if fault not in self._recovered:
            recoveries = self._recoveries[fault.controller]
            self._recovered[fault] = recoveries.after(fault, outcome.left, outcome.known)
        return self._recovered[fault]

    def rescan(self, outcome: Outcome) -> Rescan:
        """Return how the fault's controller scans on."""
        return self._rescans[outcome.fault.controller].after(outcome.left)

    def wire_bits(self, outcome: Outcome) -> Sum:
        """Return the bits on the wires in the heaviest scan after the fault, with its terms."""
        return self._rescans[outcome.fault.controller].wire_bits(outcome.left)

    def unknown_of(self, controller: str) -> tuple[list[Outcome], int]:
        """Return a controller's faults that nothing it reads ever shows, and the number of all its faults."""
        mine = [each for each in self.counted if each.fault.controller == controller]
        return [each for each in mine if each.known is None], len(mine)

    def on_return_path(self, outcome: Outcome) -> bool:
        """Tell whether nothing has failed but the way from the last node of rings to their back port."""
        chains = self.network.chains
        return all(gap.start == gap.end == len(chains[gap.chain].nodes) for gap in outcome.gaps)

    def unheeded(self, hidden: Iterable[Outcome]) -> dict[str, int]:
        """Return the tasks that would show faults, were they counted by a `chain loss` hazard: how many."""
        found: Counter[str] = Counter()
        for each in hidden:
            detection = self._detections[each.fault.controller]
            found.update(detection.unheeded(each.fault, each.gaps, self.jams(each.fault)))
        return dict(found)

    def shown(self, controller: str) -> Sum:
        """Return the share of a controller's faults that a read shows, rounded down, with its terms."""
        hidden, count = self.unknown_of(controller)
        never = -(-len(hidden) * _WHOLE // count) if count else 0
        return Sum(
            f"faults that a read of {controller} shows",
            RATIO,
            (
                Term("all faults", _WHOLE, how=f"{count} faults"),
                *nonzero(Term("never known", -never, how=f"{len(hidden)} of {count} faults")),
            ),
            "(faults - faults never known) / faults",
        )

    def latest_known(self, controller: str) -> Outcome | None:
        """Return the fault of a controller that is known last, of those that are ever known."""
        mine = [each for each in self.counted if each.fault.controller == controller and each.known]
        return max(mine, key=lambda each: each.known.total if each.known else 0, default=None)

    def slowest_recovery(self, controller: str) -> tuple[Outcome | None, tuple[Outcome, ...]]:
        """Return a controller's fault with the slowest recovery, and those whose recovery is not known.

        Faults after which nothing has to recover are neither.
        """
        slowest: tuple[int, Outcome] | None = None
        open_ends = []
        for outcome in self.counted:
            if outcome.fault.controller != controller:
                continue
            recovery = self.recovery(outcome)
            if recovery.unknown:
                open_ends.append(outcome)
            if recovery.total is not None and (slowest is None or recovery.total > slowest[0]):
                slowest = recovery.total, outcome
        return slowest[1] if slowest else None, tuple(open_ends)


_rescans_of = remembered(Rescans)


def _harm(outcome: Outcome) -> tuple[int, int, float]:
    """Return the sorting key of harm; equal ones keep their order."""
    late = -outcome.known.total if outcome.known else float("-inf")
    return -outcome.cells, -outcome.nodes, late


@part_of_plan
def chain_losses(hazards: dict[str, Hazard]) -> dict[str, Hazard]:
    """The hazards by which a controller calls a chain lost."""
    return {name: hazard for name, hazard in hazards.items() if hazard.kind == "chain loss"}


@budget
def faults(
    network: Network,
    scans: dict[str, ControllerScan],
    units: dict[str, Unit],
    chain_losses: dict[str, Hazard],
) -> FaultBudget:
    """What every single fault does; a fault is walked when its outcome is first asked for."""
    return FaultBudget(network, scans, units, chain_losses)
