"""When values are sampled: by a trigger and the conversion sequence, or by nodes that convert freely."""

from __future__ import annotations

from dataclasses import dataclass

from chainplan.plan.parts import Conversion
from chainplan.witness.draw import Values
from chainplan.witness.messages import Message, Work
from chainplan.witness.wire import Passage


@dataclass(frozen=True, slots=True)
class Reading:
    """What one read brought: when the value sampled first was sampled, fs.

    ``blind`` is the earliest instant at which a change at a cell could not show in this reading, for the
    channel where that is earliest: its sample less the input filter's settling.
    """

    sampled: int
    blind: int


@dataclass(slots=True)
class _Converted:
    """One conversion of a node: when its trigger came, its step and when its results are ready."""

    trigger: int
    step: int
    ready: int


@dataclass(slots=True)
class _Free:
    """A node that converts without end: where its first conversion begins, how long each is, its step."""

    begin: int
    time: int
    step: int


class Sampler:
    """The samples of one task, as the nodes hold them."""

    def __init__(self, work: Work, values: Values) -> None:
        self._work = work
        self._values = values
        self._fresh: dict[tuple[int, int], _Converted] = {}
        self._held = self._fresh
        self._conversions = {
            (chain, node): sensor[0]
            for chain, sensors in work.sensors.items()
            for node, sensor in enumerate(sensors)
            if sensor
        }
        self._free: dict[tuple[int, int], _Free] = {}
        if work.task.kind == "read" and values.drawn:
            self._start_freely()

    def _start_freely(self) -> None:
        between = self._values.between
        for chain, sensors in self._work.sensors.items():
            for node, sensor in enumerate(sensors):
                if sensor:
                    time = max(1, between(sensor[0].time))
                    begin = -self._values.random.randrange(time)
                    self._free[chain, node] = _Free(begin, time, between(sensor[0].step))

    def next_run(self) -> None:
        """Begin a run: with overlap, the results of the last run's conversion stand for reading."""
        if self._work.task.overlap:
            self._held = dict(self._fresh)

    def trigger(self, chain: int, heard: list[int], reached: int) -> None:
        """Start the conversion of the first `reached` nodes, which had the trigger whole at `heard`."""
        event = self._values.event
        for node, sensor in enumerate(self._work.sensors[chain][:reached]):
            if sensor:
                conversion, came = sensor[0], heard[node]
                converted = _Converted(came, event(conversion.step), came + event(conversion.time))
                self._fresh[chain, node] = converted

    def skew(self) -> int | None:
        """Return the spread of the last conversion's sampling instants; None where nothing is sampled."""
        first = last = None
        for (chain, node), converted in self._fresh.items():
            sensor = self._work.sensors[chain][node]
            if sensor and sensor[1]:
                end = converted.trigger + (sensor[1] - 1) * converted.step
                first = converted.trigger if first is None else min(first, converted.trigger)
                last = end if last is None else max(last, end)
        return last - first if first is not None and last is not None else None

    def reading(self, message: Message, passage: Passage) -> Reading | None:
        """Return what a read brings; None where it carries no samples, or results that are not ready."""
        found = [self.of_channels(message, node, channels, passage) for node, channels in message.carried]
        known = [each for each in found if each is not None]
        if not known or len(known) < len(found):
            return None
        return Reading(min(each.sampled for each in known), min(each.blind for each in known))

    def of_channels(self, message: Message, node: int, channels: range, passage: Passage) -> Reading | None:
        """Return what a read brings of some channels of one node; None of results that are not ready."""
        conversion = self._conversions[message.chain, node]
        instant = self._oldest(message.chain, node, channels, conversion, passage.latched)
        if instant is None:
            return None
        settling = conversion.settling
        if settling.max:
            return Reading(
                instant, instant - self._values.showing(f"settling {message.chain} {node}", settling)
            )
        return Reading(instant, instant)

    def _oldest(
        self, chain: int, node: int, channels: range, conversion: Conversion, latched: list[int]
    ) -> int | None:
        if self._work.task.kind == "measure":
            converted = self._held.get((chain, node))
            if converted is None or converted.ready > latched[node]:
                return None
            return converted.trigger + channels.start * converted.step
        if not self._values.drawn:
            # The corners of a free conversion: sampled just now, or one conversion ago.
            age = {"best": 0, "typical": conversion.time.typical // 2}
            return latched[node] - age.get(self._values.draw.kind, conversion.time.max)
        free = self._free[chain, node]
        since = latched[node] - free.begin
        return latched[node] - max((since - place * free.step) % free.time for place in channels)
