"""The host of one controller: it simulates scan after scan, task after task, exchange after exchange."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator
from dataclasses import dataclass, field
from random import Random

from chainplan.plan.layout import HostBus
from chainplan.quantity import Span
from chainplan.witness.bus import LEFT_OPEN, Rule, SimulatedBus, Way
from chainplan.witness.draw import Draw, Values
from chainplan.witness.faults import Faults, LostReads
from chainplan.witness.kernel import Kernel, Process, Signal
from chainplan.witness.messages import WireMessage, Work, lay_out, simulated_chains
from chainplan.witness.pack import Pack
from chainplan.witness.ports import simulate_on_ports
from chainplan.witness.record import ControllerRecord, TaskRecord
from chainplan.witness.samples import SampledValue, Sampler
from chainplan.witness.watch import CellWatch, Judge, LossWatch
from chainplan.witness.wire import Passage, Watcher
from chainplan.witness.wiring import Crossing, PackWiring


@dataclass(slots=True)
class Attempts:
    """A message of a task's current run, and how it went."""

    message: WireMessage
    port: str
    number: int = -1
    """A read's place in the run's list; a trigger has none."""
    attempts: int = 0
    ended: int = 0
    good: bool = False
    missing: bool = False
    """Whether its last attempt was given up, for no answer came."""


@dataclass(slots=True)
class TaskJob:
    """A task at work, from run to run."""

    work: Work
    sampler: Sampler
    record: TaskRecord
    triggers: list[Attempts]
    reads: list[Attempts]
    trigger_lists: dict[str, list[Attempts]]
    read_lists: dict[str, list[Attempts]]
    """The same, port by port."""
    cells: list[CellWatch]
    losses: list[LossWatch]
    wait: int
    """What the host waits for conversions between triggers and reads, fs."""
    runs: int = 0
    memory: dict[int, tuple[SampledValue, int]] = field(default_factory=dict)
    """Per read: its values in the host's memory, and what was disturbed by the begin of the run that sampled
    them."""
    old: dict[int, int] = field(default_factory=dict)
    """Per read: in how many runs in a row some of its answers have brought old values."""
    disturbed: tuple[int, int] = (0, 0)
    """What was disturbed by the begin of the last run and of this one."""
    oldest: int | None = None
    """The greatest age a value had in this run just before it was replaced, nothing disturbed meanwhile."""
    oldest_beyond: int | None = None
    """The same of values that were disturbed."""
    heard: bool = True
    """Whether every node heard this run's trigger."""
    bits: int = 0


class SimulatedHost:
    """One controller under simulation."""

    def __init__(
        self,
        pack: Pack,
        name: str,
        phases: tuple[int, ...],
        draw: Draw,
        seed: str,
        faults: Faults,
        watcher: Watcher | None = None,
    ) -> None:
        controller, tasks = pack.network.controllers[name], pack.tasks
        self._name = name
        self._plan = controller.settings
        self._chains = controller.chains
        self._phases = phases
        self._faults = faults
        self._kernel = Kernel()
        self._buses = {
            name: SimulatedBus(self._kernel, _rule(bus, draw, seed))
            for name, bus in controller.settings.buses.items()
        }
        self._lost = 0
        self._disturbed = 0
        self._values = values = Values(draw, Random(f"{seed} values"))
        self.record = ControllerRecord()
        # Errors are drawn apart from values, so that a seed gives the same pack with errors and without.
        simulated, noise = simulated_chains(controller, tasks), Random(f"{seed} noise")
        self._wiring = PackWiring(controller, simulated, values, faults, noise, self.record, watcher)
        judge = Judge(pack.units[name].evaluation, values)
        works = lay_out(controller, tasks)
        if len(works) != len(phases):
            raise ValueError(f"{controller.name} has {len(works)} tasks that do something, not {len(phases)}")
        self._jobs = [self._job(work, judge) for work in works]

    def _job(self, work: Work, judge: Judge) -> TaskJob:
        sampler = Sampler(work, self._values)
        record = self.record.tasks.setdefault(work.name, TaskRecord())
        triggers = [Attempts(each, port) for port, messages in work.triggers.items() for each in messages]
        reads = [Attempts(each, port) for port, messages in work.reads.items() for each in messages]
        for number, read in enumerate(reads):
            read.number = number
        period = work.task.every * self._plan.scan_period.max
        cells = [
            CellWatch(
                fault, sampler, [each.message for each in reads], period, self._values, judge, self.record
            )
            for fault in self._faults.cell
            if fault.task == work.name and fault.controller in (None, self._name)
        ]
        losses = [
            LossWatch(fault, self._values, judge, self.record)
            for fault in self._faults.loss
            if fault.task == work.name and fault.controller in (None, self._name)
        ]
        lists = _by_port(triggers), _by_port(reads)
        return TaskJob(work, sampler, record, triggers, reads, *lists, cells, losses, work.wait)

    def simulate(self, scans: int) -> ControllerRecord:
        """Simulate a number of scans and return what was observed."""
        self._kernel.start(self._scan_for_scan(scans))
        self._kernel.run()
        return self.record

    def busy_chains(self, scans: int) -> dict[int, list[tuple[int, int]]]:
        """Simulate a number of scans; return when exchanges were under way on each chain (by number), fs."""
        self._wiring.busy = {}
        self.simulate(scans)
        return self._wiring.busy

    def _scan_for_scan(self, scans: int) -> Process:
        kernel, values, record, plan = self._kernel, self._values, self.record, self._plan
        jitter = Span(0, plan.scan_jitter.typical // 2, plan.scan_jitter.max)
        fixed = self._wiring.fixed
        planned = 0
        for scan in range(scans):
            due = [
                job
                for job, phase in zip(self._jobs, self._phases, strict=True)
                if scan % job.work.task.every == phase
            ]
            values.early = any(values.draw.watches(job.work.name, job.runs) for job in due)
            wanted = planned + values.event(jitter)
            record.late_starts += wanted < kernel.now
            yield max(wanted, kernel.now)
            begin, lost, bits, reserve = kernel.now, self._lost, 0, plan.retry_reserve
            for job in due:
                reserve = yield from self._run(job, reserve)
                bits += job.bits
            record.scans += 1
            (record.scan_time if self._lost == lost else record.scan_time_beyond).add(kernel.now - begin)
            record.wire.add(bits)
            if self._lost == lost:
                while fixed and fixed[0] <= begin:
                    record.recovery.add(kernel.now - fixed.pop(0))
            values.early = False  # the period after a watched scan is as long as any
            planned += values.event(plan.scan_period)
            while plan.overrun == "drop" and planned < kernel.now:
                planned += values.event(plan.scan_period)

    def _run(
        self, job: TaskJob, reserve: int, first_wait: int | None = None
    ) -> Generator[int | Signal, None, int]:
        """Simulate one run of a task; return what it leaves of the scan's reserve of retries.

        The very first run after power-up waits `first_wait` for conversions, fs: there is nothing older to
        be read yet.
        """
        kernel, values = self._kernel, self._values
        begin = kernel.now
        job.bits, job.heard, job.oldest, job.oldest_beyond = 0, True, None, None
        job.disturbed = job.disturbed[1], self._disturbed
        for each in (*job.triggers, *job.reads):
            each.attempts, each.ended, each.good = 0, 0, False
        job.sampler.next_run()
        for cell in job.cells:
            cell.begin_run(begin)
        if job.work.turns:
            yield kernel.now + values.event(job.work.task.reversal)
        if job.triggers:
            yield from self._simulate(job, job.trigger_lists)
            yield kernel.now + (job.wait if first_wait is None else first_wait)
        elif first_wait is not None:
            yield kernel.now + first_wait
        if first_wait is not None:
            job.sampler.next_run()  # an overlapped run, too, reads what it has just triggered
        yield from self._simulate(job, job.read_lists)

        spare = reserve > 0
        failed = deque(sorted((each for each in job.reads if not each.good), key=lambda each: each.ended))
        while failed and reserve:
            again = failed.popleft()
            reserve -= 1
            job.record.retries += 1
            yield from self._simulate(job, {again.port: [again]})
            if not again.good:
                failed.append(again)
        # Without a spare retry a read is known to be lost when it has failed, else when the spare is used up.
        missed = min((each.ended if not spare else kernel.now for each in failed), default=None)
        if job.work.turns:
            yield kernel.now + values.event(job.work.task.reversal)
        self._end_run(job, begin, missed)
        if values.draw.watches(job.work.name, job.runs):
            values.early = False
        job.runs += 1
        return reserve

    def _end_run(self, job: TaskJob, begin: int, missed: int | None) -> None:
        record = job.record
        record.runs += 1
        record.length.add(self._kernel.now - begin)
        record.wire.add(job.bits)
        lost = [each for each in job.reads if not each.good]
        if lost:
            self._note_lost(job, lost)
        if job.oldest is not None:
            (record.age_beyond if lost else record.age).add(job.oldest)
        if job.oldest_beyond is not None:
            record.age_beyond.add(job.oldest_beyond)
        if job.triggers and job.heard:
            skew = job.sampler.skew()
            if skew is not None:
                record.skew.add(skew)
        self._wiring.end_run(job.work.name, job.runs)
        for loss in job.losses:
            loss.end_run(self._wiring.fell, missed)

    def _note_lost(self, job: TaskJob, lost: list[Attempts]) -> None:
        job.record.lost += len(lost)
        self._lost += len(lost)
        self._disturbed += len(lost)
        for each in lost:
            for cell in job.cells:
                cell.lost(each.number, self._kernel.now)
        if any(each.missing for each in lost):  # more waiting than the reserve of retries holds
            for other in self._jobs:
                for cell in other.cells:
                    cell.held_up()

    def _simulate(self, job: TaskJob, lists: dict[str, list[Attempts]]) -> Process:
        for name, bus in self._buses.items():
            bus.expect({port: [self._ways_on(name, each) for each in own] for port, own in lists.items()})
        return simulate_on_ports(
            self._kernel,
            lists,
            lambda: self._values.event(self._plan.set_up),
            lambda each: self._exchange(job, each),
            one_core=self._plan.set_up_by == "one core",
        )

    def _exchange(self, job: TaskJob, each: Attempts) -> Process:
        """Simulate an exchange that is set up, from the host bus out to the frame gap after the answers."""
        kernel, message, wiring, port = self._kernel, each.message, self._wiring, each.port
        crossing = wiring.crossing(message)
        out, home = (None if name is None else self._buses[name] for name in wiring.buses(message))
        if out is not None:
            yield from out.take(port, "out")
            yield kernel.now + crossing.out
            if not crossing.streams:
                out.leave()
        decreed = self._decreed(job, each) if self._faults.lost and message.asks else []
        went = wiring.send(message, kernel.now, missing=any(lost.missing for lost in decreed))
        if not message.asks and any(deaf.now(job.work.name, job.runs) for deaf in self._faults.deaf):
            went.reached = 0
        if not each.attempts:
            job.bits += sum(message.frames)
        each.attempts += 1
        each.good = went.good and not decreed
        each.missing = went.missing
        if not message.asks:
            each.good = True  # a broadcast has no answer: whether it was heard nobody knows
            if each.number < 0:
                job.sampler.trigger(message.chain, went.passage.heard, went.reached)
                job.heard &= went.reached == len(went.passage.heard)
        yield went.ended + (0 if went.missing else crossing.held_up)
        if message.asks and home is not None:
            yield from self._fetch(each, home, crossing)
        each.ended = kernel.now
        if message.asks and each.good:
            self._take_in(job, each, went.passage, kernel.now)
        if went.gap:
            yield kernel.now + went.gap
        if out is not None and crossing.streams:
            out.leave()

    def _fetch(self, each: Attempts, bus: SimulatedBus, crossing: Crossing) -> Process:
        """Carry an answer home over the host bus; of one that is given up nothing is left to be carried."""
        if each.missing:
            bus.give_up(each.port)
        elif crossing.streams:
            yield self._kernel.now + crossing.home
        else:
            yield from bus.take(each.port, "home")
            yield self._kernel.now + crossing.home
            bus.leave()

    def _ways_on(self, bus: str, each: Attempts) -> list[Way]:
        """Return which transfers an exchange asks a bus for; a bus that streams is with it once for all."""
        out, home = self._wiring.buses(each.message)
        ways: list[Way] = ["out"] if out == bus else []
        if home == bus and each.message.asks and self._plan.buses[bus].bridge == "whole frames":
            ways.append("home")
        return ways

    def _decreed(self, job: TaskJob, each: Attempts) -> list[LostReads]:
        """Return what has been decreed to make this attempt at a read fail."""
        work = job.work.name
        here = [lost for lost in self._faults.lost if lost.controller in (None, self._name)]
        return [lost for lost in here if lost.fails(work, job.runs, each.number, each.attempts)]

    def _take_in(self, job: TaskJob, each: Attempts, passage: Passage, arrived: int) -> None:
        """Let the answers to a read into memory, where they replace older values."""
        if not each.message.carried:
            return
        reading = job.sampler.reading(each.message, passage)
        before = job.memory.get(each.number)
        if reading is None or (before is not None and _old(job.work, reading, before[0])):
            # Results not ready, or a trigger that some node has not heard.
            if not (job.work.task.overlap and job.runs == 0):
                self._take_in_old(job, each, arrived)
            return
        job.old[each.number] = 0
        if before is not None:
            age = arrived - before[0].sampled
            if self._disturbed == before[1]:
                job.oldest = max(job.oldest or 0, age)
            else:
                job.oldest_beyond = max(job.oldest_beyond or 0, age)
        job.memory[each.number] = reading, job.disturbed[0 if job.work.task.overlap else 1]
        for cell in job.cells:
            cell.read(each.number, each.message, passage, reading, arrived)

    def _take_in_old(self, job: TaskJob, each: Attempts, arrived: int) -> None:
        """Let answers into memory some of which bring what is there already."""
        job.record.stale += 1
        job.old[each.number] = job.old.get(each.number, 0) + 1
        if job.old[each.number] > job.work.task.stale_runs:
            self._disturbed += 1
        for cell in job.cells:
            if job.work.task.freshness:
                cell.lost(each.number, arrived)
            else:
                cell.read_again(each.number, arrived, job.old[each.number])


def _old(work: Work, reading: SampledValue, before: SampledValue) -> bool:
    """Tell whether a node that was triggered brings what it brought before, or a free one nothing new."""
    if work.task.kind != "measure":
        return reading.sampled <= before.sampled
    pairs = zip(reading.instants, before.instants, strict=True)
    return any(now <= then for now, then in pairs)


def _rule(bus: HostBus, draw: Draw, seed: str) -> Rule:
    """Return how a bus serves its ports: as the plan says, or as drawn."""
    if bus.arbitration != "any":
        return bus.arbitration
    return Random(f"{seed} bus").choice(LEFT_OPEN) if draw.bus is None else draw.bus


def _by_port(messages: list[Attempts]) -> dict[str, list[Attempts]]:
    lists: dict[str, list[Attempts]] = {}
    for each in messages:
        lists.setdefault(each.port, []).append(each)
    return lists
