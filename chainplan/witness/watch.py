"""Watching for faults: from the instant of a fault to the evaluation that finds it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from chainplan.plan.layout import EvaluationPlan, ReadingEvaluation
from chainplan.witness.debounce import Debouncing, Seen, apart, judged
from chainplan.witness.draw import Values
from chainplan.witness.faults import CellFault, ChainLoss
from chainplan.witness.messages import WireMessage
from chainplan.witness.record import ControllerRecord
from chainplan.witness.samples import SampledValue, Sampler
from chainplan.witness.tally import Tally
from chainplan.witness.wire import Passage


class Judge:
    """The host task that judges readings, not in step with the scan."""

    def __init__(self, evaluation: EvaluationPlan, values: Values) -> None:
        self._values = values
        self._run_time = evaluation.run_time
        self._all = isinstance(evaluation, ReadingEvaluation) and evaluation.judges == "all"
        self._period = max(1, values.device("evaluation", evaluation.period))
        self._phase = values.random.randrange(self._period)

    def found(
        self, readings: Sequence[Seen], debouncing: Debouncing, when: Literal["just missed", "any time"]
    ) -> int | None:
        """Return when the evaluation has run that recognises a fault, fs; None while it takes more."""
        if self._all or apart(readings, self._period):
            place = debouncing.recognised(readings)
            return None if place is None else self.done(readings[place].at, when)
        if debouncing.fewest * self._period > readings[-1].at - readings[0].at + 2 * self._period:
            return None
        phases = [self._phase]
        if when == "just missed":  # one of the readings has just been missed
            phases = [reading.at - 1 for reading in readings]
        latest = 0
        for phase in phases:
            seen = judged(readings, self._period, phase)
            place = debouncing.recognised([Seen(begin, reading.lost) for begin, reading in seen])
            if place is None:
                return None
            latest = max(latest, seen[place][0])
        return latest + self._values.steady_event(self._run_time)

    def done(self, ready: int, when: Literal["just missed", "any time"]) -> int:
        """Return when the evaluation that first sees what is in memory at `ready` has run, fs."""
        begin = ready + (self._phase - ready) % self._period
        if when == "just missed":  # the one before began 1 fs too early
            begin = ready - 1 + self._period
        return begin + self._values.steady_event(self._run_time)


def record_find(
    record: ControllerRecord, fault: CellFault | ChainLoss, fell: int, found: int, values: Values
) -> None:
    """Note a fault that fell and was found, and when the safe state is reached."""
    record.detection.setdefault(fault.name, Tally()).add(found - fell)
    safe = found + sum(values.steady_event(span) for span in fault.reaction)
    record.handling.setdefault(fault.name, Tally()).add(safe - fell)


@dataclass(slots=True)
class _Armed:
    """A fault that has fallen: it shows in samples taken later than `hidden`."""

    fell: int
    hidden: int
    seen: list[Seen] = field(default_factory=list)
    held_up: bool = False


@dataclass(slots=True)
class CellWatch:
    """One kind of cell fault, watched over the reads of one task."""

    fault: CellFault
    sampler: Sampler
    reads: list[WireMessage]
    period: int
    """The task's longest period, fs."""
    values: Values
    judge: Judge
    record: ControllerRecord
    _armed: dict[int, _Armed] = field(default_factory=dict)
    _target: tuple[int, int, int] | None = None
    """Read, node and channel of a random fault."""

    def begin_run(self, now: int) -> None:
        """Let a random fault fall somewhere in the time until the task's next run."""
        if self.fault.instant != "random" or self._target is not None:
            return
        random = self.values.random
        index = random.randrange(len(self.reads))
        if self.reads[index].carried:
            node, channels = random.choice(self.reads[index].carried)
            fell = now + random.randrange(self.period)
            self._target = index, node, random.choice(channels)
            self._armed[index] = _Armed(fell, fell + self.values.steady_event(self.fault.lag))

    def read(
        self, index: int, message: WireMessage, passage: Passage, reading: SampledValue, arrived: int
    ) -> None:
        """See a read that brought new values into memory."""
        if self._target is not None:
            target, node, channel = self._target
            found = self.sampler.of_channel(message, node, channel, passage) if target == index else None
            if found is None:
                return
            reading = found
        elif self.fault.instant == "random":
            return
        armed = self._armed.get(index)
        if armed is None:
            lag = self.values.steady_event(self.fault.lag)
            self._armed[index] = _Armed(reading.blind + 1 - lag, reading.blind + 1)
        elif reading.blind >= armed.hidden:
            self._see(index, armed, Seen(arrived, lost=False))

    def lost(self, index: int, now: int) -> None:
        """See a reading lost, or bring nothing new."""
        if index in self._armed:
            self._see(index, self._armed[index], Seen(now, lost=True))

    def read_again(self, index: int, now: int, runs: int) -> None:
        """See a read bring old values for so many runs in a row: a bad one shows once more."""
        armed = self._armed.get(index)
        if armed is not None:
            armed.held_up |= runs > self.fault.stale_runs
            if armed.seen:
                self._see(index, armed, Seen(now, lost=False))

    def _see(self, index: int, armed: _Armed, reading: Seen) -> None:
        armed.seen.append(reading)
        debouncing = self.fault.debouncing
        found_at = self.judge.found(armed.seen, debouncing, self.fault.evaluation)
        if found_at is None and debouncing.tolerates(armed.seen):
            return
        if found_at is None or armed.held_up or not debouncing.tolerates(armed.seen):
            self.record.beyond[self.fault.name] += 1
        else:
            record_find(self.record, self.fault, armed.fell, found_at, self.values)
        del self._armed[index]
        self._target = None

    def held_up(self) -> None:
        """See a scan held up by an answer that never came, with no retry left."""
        for armed in self._armed.values():
            armed.held_up = True


@dataclass(slots=True)
class LossWatch:
    """The loss of a part of a chain, watched over the runs of one task."""

    fault: ChainLoss
    values: Values
    judge: Judge
    record: ControllerRecord
    found: int | None = None
    """When the evaluation that finds the loss has run, fs; it may still be to come."""
    _seen: list[Seen] = field(default_factory=list)

    def end_run(self, fell: int | None, missed: int | None) -> None:
        """See a run end: when the cut fell (None: not yet) and when a read was given up (None: none was)."""
        if fell is None or self.found is not None:
            return
        if missed is None:
            self._seen.clear()
            return
        number = len(self._seen)
        overlooked = number < len(self.fault.overlooked) and self.fault.overlooked[number]
        self._seen.append(Seen(missed, overlooked))
        self.found = self.judge.found(self._seen, self.fault.debouncing, self.fault.evaluation)
        if self.found is not None:
            record_find(self.record, self.fault, fell, self.found, self.values)
