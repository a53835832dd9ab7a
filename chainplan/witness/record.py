"""What a simulation observed: streaming statistics that can be merged over many simulations."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from chainplan.witness.tally import Tally


@dataclass(slots=True)
class TaskRecord:
    """One task on one controller. Times are in fs, amounts in bits."""

    runs: int = 0
    length: Tally = field(default_factory=Tally)
    """From a run's begin to its end, retries included."""
    age: Tally = field(default_factory=Tally)
    """Per run: the oldest value of all just before it was replaced, where nothing was lost meanwhile."""
    age_beyond: Tally = field(default_factory=Tally)
    """The same where a read was lost between sampling and replacement, which no bound allows for."""
    skew: Tally = field(default_factory=Tally)
    """Per run whose trigger all nodes heard: spread of the sampling instants of all channels."""
    wire: Tally = field(default_factory=Tally)
    """Per run: bits that passed the head ports, retries apart."""
    retries: int = 0
    lost: int = 0
    """Reads that failed for good in their run."""
    stale: int = 0
    """Reads whose answers brought nothing new: results not ready, or a trigger not heard."""

    def merge(self, other: TaskRecord) -> None:
        """Add what another simulation observed."""
        self.runs += other.runs
        for mine, theirs in (
            (self.length, other.length),
            (self.age, other.age),
            (self.age_beyond, other.age_beyond),
            (self.skew, other.skew),
            (self.wire, other.wire),
        ):
            mine.merge(theirs)
        self.retries += other.retries
        self.lost += other.lost
        self.stale += other.stale


@dataclass(slots=True)
class ControllerRecord:
    """One controller. Times are in fs, amounts in bits."""

    scans: int = 0
    scan_time: Tally = field(default_factory=Tally)
    """Of scans that lost no read."""
    scan_time_beyond: Tally = field(default_factory=Tally)
    """Of scans that lost a read, which no bound allows for."""
    wire: Tally = field(default_factory=Tally)
    """Per scan: bits that passed the head ports, retries apart."""
    tasks: dict[str, TaskRecord] = field(default_factory=dict)
    detection: dict[str, Tally] = field(default_factory=dict)
    """Per injected fault: from the fault to the end of the evaluation that finds it (FDTI)."""
    handling: dict[str, Tally] = field(default_factory=dict)
    """Per injected fault: from the fault to the safe state (FHTI)."""
    beyond: Counter[str] = field(default_factory=Counter)
    """Per injected fault: finds that met more lost readings than the fault tolerates, or a wait for an
    answer that never came on top of the reserve of retries. No bound allows for them: they stay apart."""
    recovery: Tally = field(default_factory=Tally)
    """From the fixing of a cut to the end of the first scan without a lost read."""
    start_up: dict[str, Tally] = field(default_factory=dict)
    """Per milestone of the start-up: since power-up. What was lost for good is counted in `beyond`."""
    asleep_detection: dict[str, Tally] = field(default_factory=dict)
    """Per hazard that sleeping nodes watch for: from the fault to the end of the evaluation that finds it."""
    asleep_handling: dict[str, Tally] = field(default_factory=dict)
    """The same to the safe state."""
    known: dict[str, Tally] = field(default_factory=dict)
    """Per broken place: from the fault to the end of the evaluation that finds the chain broken."""
    read_again: dict[str, Tally] = field(default_factory=dict)
    """Per broken place: from the fault until all that is left of the chain has been read again."""
    scan_after: dict[str, Tally] = field(default_factory=dict)
    """Per broken place: the scans on what is left."""
    frames: Counter[int] = field(default_factory=Counter)
    """Frames by length in bits."""
    bad_frames: Counter[int] = field(default_factory=Counter)
    """Of these, those that were hit by bit errors."""
    late_starts: int = 0
    """Scans that the one before had not left room to start in time."""

    def merge(self, other: ControllerRecord) -> None:
        """Add what another simulation observed."""
        self.scans += other.scans
        self.late_starts += other.late_starts
        self.scan_time.merge(other.scan_time)
        self.scan_time_beyond.merge(other.scan_time_beyond)
        self.wire.merge(other.wire)
        self.recovery.merge(other.recovery)
        for name, task in other.tasks.items():
            self.tasks.setdefault(name, TaskRecord()).merge(task)
        for mine, theirs in (
            (self.detection, other.detection),
            (self.handling, other.handling),
            (self.start_up, other.start_up),
            (self.asleep_detection, other.asleep_detection),
            (self.asleep_handling, other.asleep_handling),
            (self.known, other.known),
            (self.read_again, other.read_again),
            (self.scan_after, other.scan_after),
        ):
            for name, tally in theirs.items():
                mine.setdefault(name, Tally()).merge(tally)
        self.beyond.update(other.beyond)
        self.frames.update(other.frames)
        self.bad_frames.update(other.bad_frames)

    @property
    def lost(self) -> int:
        """Return the number of reads lost for good."""
        return sum(task.lost for task in self.tasks.values())


@dataclass(slots=True)
class Record:
    """What was observed on every controller of a network."""

    controllers: dict[str, ControllerRecord] = field(default_factory=dict)

    def merge(self, other: Record) -> None:
        """Add what another simulation observed."""
        for name, controller in other.controllers.items():
            self.controllers.setdefault(name, ControllerRecord()).merge(controller)
