"""When the values of a task's run are sampled.

A node samples its first channel when the trigger has reached it whole, each further one a step later. Where
the task pauses balancing, its inputs must settle first: every sampling instant moves by the node's settling,
and the wait before the reads grows by the longest of them (:mod:`chainplan.budgets.scanning.runs`).
"""

from __future__ import annotations

from collections.abc import Iterator

from chainplan.budgets.scanning.exchange import Exchange, channels
from chainplan.budgets.scanning.runs import Run, pause_on
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import frame_time
from chainplan.chain.network import Chain, Node, makes
from chainplan.figures.terms import Case
from chainplan.plan.parts import Conversion
from chainplan.plan.schedule import Task
from chainplan.remembered import remembered


class Sampling:
    """When each value of a run is sampled, fs since the run began, in one case."""

    def __init__(self, scan: ControllerScan, index: int, case: Case) -> None:
        self.work = scan.works[index]
        self.case = case
        self.run: Run = scan.runs[case][index]
        self.chains = scan.ways[case].chains
        self.ways = scan.ways[case].ways
        self.triggers = {step.exchange.chain: step for step in self.run.triggers}
        self._frames = {
            name: frame_time(self.chains[name].protocol, step.exchange.request, case)
            for name, step in self.triggers.items()
        }
        self._reads = {step.exchange: step for step in self.run.reads}

    def arrival(self, chain: Chain, node: int) -> int:
        """Return when the trigger has reached a node whole."""
        frame = self._frames[chain.name]
        return self.triggers[chain.name].wire + frame + self.ways[chain.name].reach(node, frame)

    def earliest(self, exchange: Exchange) -> tuple[int, Node]:
        """Return when the oldest value of a read was sampled, and its node.

        Without a trigger a node converts on its own: a value may be one whole conversion old, or two where
        results stand until the next round has ended. Of equal nodes the nearest to the head has the trigger
        first.
        """
        chain = self.chains[exchange.chain]
        found: tuple[int, Node] | None = None
        for index, node in self._earliest_nodes(chain, exchange):
            conversion = conversion_on(self.work.task, node)
            if chain.name in self.triggers:
                step = conversion.step[self.case] if conversion else 0
                settled = self.arrival(chain, index) + pause_on(self.work.task, node)[self.case]
                sampled = settled + exchange.first_channel * step
            else:
                sampled = self._reads[exchange].wire - _oldest(conversion, self.case)
            if found is None or sampled < found[0]:
                found = sampled, node
        assert found is not None  # a read without samples is never laid out
        return found

    def _earliest_nodes(self, chain: Chain, exchange: Exchange) -> Iterator[tuple[int, Node]]:
        if exchange.node is not None:
            yield exchange.node, chain.nodes[exchange.node]
            return
        for make in makes(chain.nodes):
            if channels(self.work.task, make.node) > exchange.first_channel:
                yield make.first, make.node


def _oldest(conversion: Conversion | None, case: Case) -> int:
    """Return how old a value of a node that converts on its own can be, fs; typically half of that."""
    if conversion is None:
        return 0
    if case is Case.TYPICAL:
        return (
            conversion.time.typical if conversion.publishes == "whole round" else conversion.time.typical // 2
        )
    return conversion.until_ready(free=True)


sampling_of = remembered(Sampling)
"""The samplings of a scan's tasks, each laid out once."""


def earliest_sample(scan: ControllerScan, index: int, case: Case) -> int:
    """Return when the oldest value of all of a run's reads was sampled, fs since the run began."""
    sampling = sampling_of(scan, index, case)
    return min(sampling.earliest(step.exchange)[0] for step in sampling.run.reads)


def conversion_on(task: Task, node: Node) -> Conversion | None:
    """Return the conversion a task starts on a node, if the node has it."""
    return node.type.conversions.get(task.conversion or task.reads)
