"""A broken chain: found out, switched to reading from both ends, addressed anew, and read again.

A segment carries nothing any more, or a node falls silent, just after its place was last needed, or at any
time. The controller scans on and waits for answers that do not come, until its evaluation finds the chain
lost. It finishes the scan under way, turns a ring round, addresses the nodes that are now reached from the
back and the one that has become the last, and scans on at its old pace what is left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random
from typing import Literal

from chainplan.chain.degraded import Left, degraded_network, tasks_after
from chainplan.chain.network import Chain, Node
from chainplan.plan.layout import EvaluationPlan
from chainplan.plan.order import back_name
from chainplan.plan.schedule import Task
from chainplan.quantity import Span
from chainplan.witness.debounce import Debouncing
from chainplan.witness.draw import Draw, Values
from chainplan.witness.faults import ChainLoss, Cut, Faults, LostReads
from chainplan.witness.host import SimulatedHost, TaskJob
from chainplan.witness.kernel import Process
from chainplan.witness.messages import lay_out, simulated_chains
from chainplan.witness.pack import Pack
from chainplan.witness.record import ControllerRecord, Record
from chainplan.witness.tally import Tally
from chainplan.witness.watch import Judge
from chainplan.witness.wiring import PackWiring

Moment = Literal["as late as can be", "as a scan begins", "action misses a start", "any time"]
"""When the controller finds out, within what its evaluation leaves open: at the very last; just when a scan
has begun, which is finished first; so that its action ends just after a planned start; or as it happens."""

_NONE = Faults()


@dataclass(frozen=True, slots=True)
class SimulatedBreak:
    """A simulation of one fault: segment or node number `place` (1 at the head) of a chain carries nothing.

    It falls when its place was last needed in run `run` of `task`, or without a `task` at any instant of the
    first `run` scans. With `retried` the longest read that is left is always lost as often as there are
    retries in reserve. `after` scans are simulated once everything has been read again.
    """

    name: str
    chain: str
    what: Literal["segment", "node"]
    place: int
    task: str | None
    run: int
    found: Moment = "as late as can be"
    retried: bool = False
    after: int = 0

    def __call__(
        self,
        pack: Pack,
        phases: dict[str, tuple[int, ...]],
        scans: int,
        draw: Draw,
        seed: int,
        faults: Faults,
    ) -> Record:
        """Simulate at most so many scans; return when the break was known and all that is left read again.

        No further fault is simulated: `faults` have no part.
        """
        del faults
        controller = pack.network.chains[self.chain].controller
        host = _BrokenHost(self, pack, phases[controller], draw, f"{seed} {controller}")
        return Record({controller: host.recover(scans)})

    def left(self, chain: Chain, *, switches: bool) -> Left:
        """Return what can still be read: up to the break from the head, and from the back of a ring.

        Where the controller does not switch to both ends, nothing comes from there, and a frame that ran
        across the ring arrives no more.
        """
        beyond = len(chain.nodes) - self.place + (self.what == "segment")
        if not chain.is_ring:
            return Left(chain.name, self.place - 1, 0)
        if switches:
            return Left(chain.name, self.place - 1, beyond)
        return Left(chain.name, 0 if chain.plan.read_from == "across" else self.place - 1, 0)


class _BrokenHost(SimulatedHost):
    """A controller one of whose chains breaks."""

    def __init__(
        self, broken: SimulatedBreak, pack: Pack, phases: tuple[int, ...], draw: Draw, seed: str
    ) -> None:
        self._broken = broken
        self._pack = pack
        self._chain = pack.network.chains[broken.chain]
        controller = pack.network.controllers[self._chain.controller]
        node = broken.what == "node"
        if broken.task is None:
            most = controller.settings.scan_period.max * broken.run
            cut = Cut(broken.chain, broken.place, at=Random(f"{seed} break").randrange(most), node=node)
        else:
            cut = Cut(broken.chain, broken.place, task=broken.task, run=broken.run, node=node)
        sharp = broken.found != "any time"
        faults = Faults(cuts=(cut,), loss=tuple(_watches(pack, sharp=sharp)))
        super().__init__(pack, controller.name, phases, draw, seed, faults)
        self._losses = [loss for job in self._jobs for loss in job.losses]
        judge = _Adversary(pack.units[controller.name].evaluation, self._values, self._moments)
        for loss in self._losses:
            loss.judge = judge
        self._whole = self._wiring
        working = {job.work.name: job.work.task for job in self._jobs}
        self._bring_back = _bring_back(working, self._chain)
        self._left = broken.left(self._chain, switches=controller.settings.recovery is not None)
        self._sides: set[int] = set()
        """The chains, by number, as which what is left of the broken one is read."""
        self._planned = 0
        self._done: int | None = None
        self._again: int | None = None

    def recover(self, scans: int) -> ControllerRecord:
        """Simulate at most so many scans; return nothing but when the break was known, and all read again."""
        self._found = ControllerRecord()
        self.simulate(scans)
        fell, known = self._whole.fell, self._known
        if fell is not None and known is not None:
            self._found.known[self._broken.name] = _tally(known - fell)
            if self._again is not None:
                self._found.read_again[self._broken.name] = _tally(self._again - fell)
        return self._found

    @property
    def _known(self) -> int | None:
        """Return when the break is known, fs; it may still be to come. None: not yet in sight."""
        return min((loss.found for loss in self._losses if loss.found is not None), default=None)

    def _scan_for_scan(self, scans: int) -> Process:
        kernel, values, plan, after = self._kernel, self._values, self._plan, self._broken.after
        jitter = Span(0, plan.scan_jitter.typical // 2, plan.scan_jitter.max)
        for scan in range(scans):
            values.early = any(values.draw.watches(job.work.name, job.runs) for job in self._due(scan))
            begin = max(self._planned + values.event(jitter), kernel.now)
            known = self._known
            if self._done is None and known is not None and known < begin:
                yield max(known, kernel.now)
                yield from self._act()
            if self._done is None or self._planned >= self._done:  # else its start has passed
                yield max(begin, kernel.now)
                yield from self._scan(scan)
                if self._again is not None:
                    if after == 0:
                        return
                    after -= 1
            values.early = False
            self._planned += values.event(plan.scan_period)
            while plan.overrun == "drop" and self._planned < kernel.now and self._done is None:
                self._planned += values.event(plan.scan_period)

    def _due(self, scan: int) -> list[TaskJob]:
        pairs = zip(self._jobs, self._phases, strict=True)
        return [job for job, phase in pairs if scan % job.work.task.every == phase]

    def _scan(self, scan: int) -> Process:
        begin, lost, reserve = self._kernel.now, self._lost, self._plan.retry_reserve
        for job in self._due(scan):
            reserve = yield from self._run(job, reserve)
        if self._done is not None and self._lost == lost:
            self._found.scan_after.setdefault(self._broken.name, Tally()).add(self._kernel.now - begin)

    def _action(self) -> Iterator[int]:
        """Yield what the controller does one after another before it scans on, fs each."""
        values, plan = self._values, self._plan
        if plan.recovery is not None and self._chain.is_ring:
            yield values.steady_event(plan.recovery.switch)
        for node in self._addressed():
            yield values.steady_event(plan.set_up) + values.steady_event(node.type.addressing)

    def _addressed(self) -> list[Node]:
        nodes, left = self._chain.nodes, self._left
        last = [nodes[left.ahead - 1]] if left.ahead else []
        return [*last, *reversed(nodes[len(nodes) - left.behind :])]

    def _moments(self, latest: int) -> Iterator[int]:
        """Yield the moments up to `latest` at which a find would be worst, scans starting late."""
        plan, found = self._plan, self._broken.found
        if found in ("as a scan begins", "action misses a start"):
            after = plan.scan_jitter.max if found == "as a scan begins" else 1 - sum(self._action())
            moment = self._planned + plan.scan_period.max + after
            while moment <= latest:
                yield moment
                moment += plan.scan_period.max

    def _act(self) -> Process:
        """Do what is to be done about the break; from then on what is left is scanned."""
        for time in self._action():
            yield self._kernel.now + time
        self._done = self._kernel.now
        asked_behind = any(job.work.task.sent_from == "back" for job in self._jobs)
        if self._chain.is_ring and self._plan.recovery is None and asked_behind:
            return  # nobody switches the ring: these tasks go on asking it by its back
        lefts = [self._left]
        tasks = tasks_after(self._pack.tasks, lefts)
        controller = degraded_network(self._pack.network, lefts).controllers[self._name]
        random = self._values.random
        simulated = simulated_chains(controller, tasks)
        self._wiring = PackWiring(
            controller, simulated, self._values, _NONE, random, ControllerRecord(), None
        )
        self._faults = _NONE
        judge = Judge(self._pack.units[self._name].evaluation, self._values)
        before = {job.work.name: (job, phase) for job, phase in zip(self._jobs, self._phases, strict=True)}
        self._jobs = [self._job(work, judge) for work in lay_out(controller, tasks)]
        self._phases = tuple(before[job.work.name][1] for job in self._jobs)
        for job in self._jobs:
            job.runs = before[job.work.name][0].runs
        names = self._chain.name, back_name(self._chain.name)
        self._sides = {number for number, chain in enumerate(controller.chains) if chain.name in names}
        if self._broken.retried:
            self._faults = Faults(lost=tuple(self._longest_read()))

    def _longest_read(self) -> Iterator[LostReads]:
        """Yield what makes the longest of all reads that are left come with the last retry only."""
        reads = [(job, each) for job in self._jobs for each in job.reads if each.message.asks]
        if reads:
            job, read = max(reads, key=lambda pair: self._wiring.longest_wait(pair[1].message))
            yield LostReads(job.work.name, attempts=self._plan.retry_reserve, read=read.number, missing=True)

    def _end_run(self, job: TaskJob, begin: int, missed: int | None) -> None:
        super()._end_run(job, begin, missed)
        if self._done is None or self._again is not None or job.work.name not in self._bring_back:
            return
        reads = [each for each in job.reads if each.message.chain in self._sides]
        brought = [each.good and (not each.message.carried or each.number in job.memory) for each in reads]
        if reads and all(brought):
            self._again = max(each.ended for each in reads)


class _Adversary(Judge):
    """An evaluation whose phase is the worst for what comes after it."""

    def __init__(
        self, evaluation: EvaluationPlan, values: Values, moments: Callable[[int], Iterator[int]]
    ) -> None:
        super().__init__(evaluation, values)
        self._moments = moments

    def done(self, ready: int, when: Literal["just missed", "any time"]) -> int:
        """Return when the evaluation has run: at the very last, or at a wanted moment shortly before."""
        latest = super().done(ready, when)
        return max((each for each in self._moments(latest) if each > latest - self._period), default=latest)


def _watches(pack: Pack, *, sharp: bool) -> Iterator[ChainLoss]:
    """Yield what finds a chain lost: the plan's own hazards, or without one a single bad run of any task.

    `sharp` takes the worst of everything the plan leaves open.
    """
    evaluation: Literal["just missed", "any time"] = "just missed" if sharp else "any time"
    reading = [name for name, task in pack.tasks.items() if task.kind != "write"]
    lost = {name: each for name, each in pack.hazards.items() if each.kind == "chain loss"}
    for name, hazard in lost.items():
        for task in reading:
            if hazard.task in (None, task):
                debouncing = Debouncing.of(hazard)
                overlooked = debouncing.worst(1) if sharp and debouncing.time is None else ()
                yield ChainLoss(name, task, debouncing, tuple(overlooked or ()), evaluation)
    if not lost:
        for task in reading:
            yield ChainLoss("a bad run", task, evaluation=evaluation)


def _bring_back(tasks: dict[str, Task], chain: Chain) -> set[str]:
    """Return the tasks each of which brings a chain's cells back: those that read cells, else all reads."""
    reading = {
        name: task
        for name, task in tasks.items()
        if task.kind != "write"
        and (task.chains is None or chain.name in task.chains or chain.family in task.chains)
    }
    return {name for name, task in reading.items() if task.reads == "cell voltages"} or set(reading)


def _tally(time: int) -> Tally:
    tally = Tally()
    tally.add(time)
    return tally
