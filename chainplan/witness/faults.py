"""What can go wrong in a simulation: bit errors, lost readings, cell faults, cut segments, dead nodes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from chainplan.chain.network import Chain
from chainplan.quantity import Span
from chainplan.witness.debounce import Debouncing
from chainplan.witness.noise import SimulatedNoise

_NONE = Span(0, 0, 0)
_ONCE = Debouncing()


@dataclass(frozen=True, slots=True)
class LostReads:
    """Reads that fail by decree, to steer a scan into a corner.

    In every `every`-th run of `task` (from run `first` on) the first `attempts` attempts at its reads fail,
    or only those at read number `read` (in the order of the run's list over all ports).
    """

    task: str
    every: int = 1
    first: int = 0
    attempts: int = 1
    read: int | None = None
    controller: str | None = None
    """Where; None is on every controller that has the task."""
    missing: bool = False
    """Whether no answer comes at all; otherwise one comes that its check shows to be bad."""

    def fails(self, task: str, run: int, read: int, attempt: int) -> bool:
        """Tell whether an attempt (counted from 0) at a read fails."""
        return (
            task == self.task
            and run >= self.first
            and (run - self.first) % self.every == 0
            and attempt < self.attempts
            and self.read in (None, read)
        )


@dataclass(frozen=True, slots=True)
class DeafRuns:
    """Runs of a task whose trigger no node hears: `runs` in a row, in every `every` runs from `first` on."""

    task: str
    every: int
    first: int
    runs: int

    def now(self, task: str, run: int) -> bool:
        """Tell whether a run of a task is one of them."""
        return task == self.task and run >= self.first and (run - self.first) % self.every < self.runs


@dataclass(frozen=True, slots=True)
class CellFault:
    """A fault at a cell or temperature sensor that the readings of a task show, again and again.

    ``just after a sample``: for every read of the task by itself, the channel sampled first has been
    sampled just before what the fault does to it could show. ``random``: any channel, at any instant.
    It is cleared as soon as it is detected, and the next one falls.

    It shows `lag` (the sensor's) and the conversion's settling time after it has come. It is detected when
    the host's evaluation task has recognised it by its `debouncing`; finds that met more lost readings than
    it tolerates are counted apart. With ``evaluation`` ``just missed`` that task has always just begun before
    a reading is in memory; with ``any time`` it runs at its own pace.
    """

    name: str
    task: str
    debouncing: Debouncing = _ONCE
    stale_runs: int = 0
    """Runs in a row with old values that the bound reckons with."""
    lag: Span = _NONE
    instant: Literal["just after a sample", "random"] = "just after a sample"
    evaluation: Literal["just missed", "any time"] = "just missed"
    reaction: tuple[Span, ...] = ()
    """From the command to the safe state: what the actuator takes."""
    controller: str | None = None
    """Where it falls; None is on every controller that has the task."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A segment that carries nothing from an instant on, until it is fixed.

    `segment` counts from 1 at the head. A dead `node` is a cut of the segment before it, on whichever side a
    message comes from; `segment` is the one on the head's side. The cut falls at `at` (fs), or as soon as the
    segment is no longer needed in run number `run` of `task`.
    """

    chain: str
    segment: int
    at: int | None = None
    task: str | None = None
    run: int = 0
    until: int | None = None
    node: bool = False

    def __post_init__(self) -> None:
        if (self.at is None) == (self.task is None):
            raise ValueError("a cut falls either at an instant or after a task's run")
        if self.segment < 1:
            raise ValueError("segments are counted from 1")

    def seen_along(self, chain: Chain) -> int:
        """Return the number of the segment that carries nothing, along a chain as it is simulated."""
        if not chain.ring:
            return self.segment
        return len(chain.nodes) + 2 - self.segment - self.node


@dataclass(frozen=True, slots=True)
class ChainLoss:
    """How the loss of a part of a chain is detected: by bad runs of a task.

    `overlooked` tells run by run, as far as it goes, whether a bad one counts as a lost reading.
    """

    name: str
    task: str
    debouncing: Debouncing = _ONCE
    overlooked: tuple[bool, ...] = ()
    evaluation: Literal["just missed", "any time"] = "just missed"
    reaction: tuple[Span, ...] = ()
    controller: str | None = None


@dataclass(frozen=True, slots=True)
class Faults:
    """Everything that is injected into a simulation, and what is watched for it."""

    noise: SimulatedNoise | None = None
    lost: tuple[LostReads, ...] = ()
    deaf: tuple[DeafRuns, ...] = ()
    cell: tuple[CellFault, ...] = ()
    cuts: tuple[Cut, ...] = ()
    loss: tuple[ChainLoss, ...] = ()
