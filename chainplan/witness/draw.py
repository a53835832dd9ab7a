"""Which value every toleranced quantity takes in a simulated pack: a corner, or one drawn at random."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Literal

from chainplan.quantity import Span
from chainplan.witness.bus import Rule

Kind = Literal["best", "typical", "worst", "early then late", "each device", "each event"]


@dataclass(frozen=True, slots=True)
class Draw:
    """How values are taken from their spans.

    ``best``, ``typical`` and ``worst`` put everything at that end. ``early then late`` is the corner of the
    oldest sample: all at the best end from the begin of a watched scan until the run of `task` in it has
    ended, all at the worst end otherwise; every `every`-th run of the task is watched, from run
    `first` on. ``each device`` draws a piece of hardware once per simulation and what software does
    (set-up, jitter) each time; ``each event`` draws everything each time it happens.
    """

    kind: Kind = "each device"
    task: str | None = None
    every: int = 2
    first: int = 0
    bus: Rule | None = None
    """How a host bus serves its ports whose order the plan leaves open; None: drawn once per simulation."""

    def __post_init__(self) -> None:
        if (self.kind == "early then late") != (self.task is not None):
            raise ValueError("a watched task belongs to the draw 'early then late', and to no other")
        if self.every < 1 or self.first < 0:
            raise ValueError("`every` is 1 or more and `first` 0 or more")

    def watches(self, task: str, run: int) -> bool:
        """Tell whether a run (counted from 0) of a task is a watched one."""
        return task == self.task and run >= self.first and (run - self.first) % self.every == 0


class Values:
    """The values in force during one simulation of one controller."""

    def __init__(self, draw: Draw, random: Random) -> None:
        self.draw = draw
        self.random = random
        self.early = False
        self.drawn = draw.kind in ("each device", "each event")
        self._kept: dict[str, int] = {}
        self._usual_end = {"best": 0, "typical": 1}.get(draw.kind, 2)

    def event(self, span: Span) -> int:
        """Return the value of something that happens anew each time."""
        if span[0] == span[2]:
            return span[0]
        if self.drawn:
            return self.between(span)
        return span[0 if self.early else self._usual_end]

    def between(self, span: Span) -> int:
        """Return a uniformly drawn value of a span, both ends included."""
        low = span[0]
        return low + int(self.random.random() * (span[2] - low + 1))

    def device(self, key: str, span: Span) -> int:
        """Return the value of a piece of hardware, which keeps it where devices are drawn."""
        if self.draw.kind != "each device":
            return self.event(span)
        if key not in self._kept:
            self._kept[key] = self.between(span)
        return self._kept[key]

    def steady_device(self, key: str, span: Span) -> int:
        """Return the value of a piece of hardware that a watched scan does not touch."""
        return self.device(key, span) if self.drawn else span[self._usual_end]

    def steady_event(self, span: Span) -> int:
        """Return the value of something that happens anew each time, but is not part of a scan."""
        return self.between(span) if self.drawn else span[self._usual_end]
