"""When values are sampled: by a trigger and the conversion sequence, or by nodes that convert freely."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from chainplan.quantity import Span
from chainplan.witness.draw import Values
from chainplan.witness.messages import Sensor, WireMessage, Work
from chainplan.witness.wire import Passage


class SampledValue(NamedTuple):
    """What one read brought: when the value sampled first was sampled, fs.

    ``blind`` is the earliest instant at which a change at a cell could not show in this reading, for the
    channel where that is earliest: its sample less the input filter's settling.
    """

    sampled: int
    blind: int
    instants: tuple[int, ...] = ()
    """When every node's first value was sampled, in the order of `carried`."""


@dataclass(frozen=True, slots=True)
class _Converted:
    """The last conversion of a chain's nodes: when each began to sample, its step, when it is ready."""

    begin: list[int]
    steps: list[int]
    ready: list[int]
    all_ready: int


@dataclass(frozen=True, slots=True)
class _Free:
    """A node that converts without end: where its first conversion begins, how long each is, its step."""

    begin: int
    time: int
    step: int


_NONE = Span(0, 0, 0)


class _Chain:
    """The sensors of one chain: per node its conversion, and the sampled nodes with their last channel."""

    def __init__(self, chain: int, sensors: list[Sensor | None], values: Values) -> None:
        known = {node: sensor for node, sensor in enumerate(sensors) if sensor is not None}
        self.conversions = {node: sensor.conversion for node, sensor in known.items()}
        self.sampled = [(node, sensor.channels - 1) for node, sensor in known.items() if sensor.channels]
        self._values = values
        nodes = range(len(sensors))
        self._steps = [self.conversions[node].step if node in known else _NONE for node in nodes]
        self._times = [self.conversions[node].time if node in known else _NONE for node in nodes]
        self._pauses = [known[node].pause if node in known else _NONE for node in nodes]
        settling = [self.conversions[node].settling if node in known else _NONE for node in nodes]
        self.settling = [
            values.steady_device(f"settling {chain} {node}", span) for node, span in enumerate(settling)
        ]
        self.settles = any(self.settling)
        self._kept: dict[bool, tuple[list[int], list[int], list[int]]] = {}

    def conversion(self) -> tuple[list[int], list[int], list[int]]:
        """Return every node's pause, step and time for the next conversion; 0 where it has none."""
        values = self._values
        if values.draw.kind == "each event":
            return self._pick()
        if values.early not in self._kept:
            self._kept[values.early] = self._pick()
        return self._kept[values.early]

    def _pick(self) -> tuple[list[int], list[int], list[int]]:
        event = self._values.event
        pauses = [event(span) for span in self._pauses]
        return pauses, [event(span) for span in self._steps], [event(span) for span in self._times]


class Sampler:
    """The samples of one task, as the nodes hold them."""

    def __init__(self, work: Work, values: Values) -> None:
        self._work = work
        self._values = values
        self._measures = work.task.kind == "measure"
        self._chains = {chain: _Chain(chain, sensors, values) for chain, sensors in work.sensors.items()}
        self._fresh: dict[int, _Converted] = {}
        self._held = self._fresh
        self._free: dict[tuple[int, int], _Free] = {}
        if work.task.kind == "read" and values.drawn:
            self._start_freely()

    def _start_freely(self) -> None:
        between = self._values.between
        for number, chain in self._chains.items():
            for node, conversion in chain.conversions.items():
                time = max(1, between(conversion.time))
                begin = -self._values.random.randrange(time)
                self._free[number, node] = _Free(begin, time, between(conversion.step))

    def next_run(self) -> None:
        """Begin a run: with overlap, the results of the last run's conversion stand for reading."""
        if self._work.task.overlap:
            self._held = dict(self._fresh)

    def trigger(self, number: int, heard: list[int], reached: int) -> None:
        """Start the conversion of the first `reached` nodes, which had the trigger whole at `heard`."""
        pauses, steps, times = self._chains[number].conversion()
        begin = [came + pause for came, pause in zip(heard, pauses, strict=True)]
        ready = [began + time for began, time in zip(begin, times, strict=True)]
        if reached < len(heard):
            # The others go on holding what they converted last; those that never have are never ready.
            before = self._fresh.get(number)
            never = [heard[-1] + 2**200] * len(heard)
            begin = begin[:reached] + (before.begin if before else begin)[reached:]
            steps = steps[:reached] + (before.steps if before else steps)[reached:]
            ready = ready[:reached] + (before.ready if before else never)[reached:]
        self._fresh[number] = _Converted(begin, steps, ready, max(ready))

    def skew(self) -> int | None:
        """Return the spread of the last conversion's sampling instants; None where nothing is sampled."""
        first: list[int] = []
        last: list[int] = []
        for number, converted in self._fresh.items():
            sampled, begin, steps = self._chains[number].sampled, converted.begin, converted.steps
            first += [begin[node] for node, _ in sampled]
            last += [begin[node] + channel * steps[node] for node, channel in sampled]
        return max(last) - min(first) if first else None

    def reading(self, message: WireMessage, passage: Passage) -> SampledValue | None:
        """Return what a read brings; None where it carries no samples, or results that are not ready."""
        chain = self._chains[message.chain]
        if self._measures:
            converted = self._held.get(message.chain)
            if converted is None or not self._ready(message, passage.latched, converted):
                return None
            begin, steps = converted.begin, converted.steps
            instants = [begin[node] + channels.start * steps[node] for node, channels in message.carried]
        else:
            instants = [
                self._freely(message.chain, node, channels, passage.latched[node])
                for node, channels in message.carried
            ]
        if not instants:
            return None
        sampled = min(instants)
        if not chain.settles:
            return SampledValue(sampled, sampled, tuple(instants))
        settling = chain.settling
        pairs = zip(instants, message.carried, strict=True)
        blind = min(instant - settling[node] for instant, (node, _) in pairs)
        return SampledValue(sampled, blind, tuple(instants))

    def of_channel(
        self, message: WireMessage, node: int, channel: int, passage: Passage
    ) -> SampledValue | None:
        """Return what a read that brings new values brings of one channel of one node."""
        if self._measures:
            converted = self._held[message.chain]
            instant = converted.begin[node] + channel * converted.steps[node]
        else:
            channels = range(channel, channel + 1)
            instant = self._freely(message.chain, node, channels, passage.latched[node])
        return SampledValue(instant, instant - self._chains[message.chain].settling[node])

    @staticmethod
    def _ready(message: WireMessage, latched: list[int], converted: _Converted) -> bool:
        return latched[0] >= converted.all_ready or all(
            latched[node] >= converted.ready[node] for node, _ in message.carried
        )

    def _freely(self, chain: int, node: int, channels: range, latched: int) -> int:
        """Return when the oldest of a freely converting node's values was sampled."""
        whole = self._chains[chain].conversions[node].publishes == "whole round"
        if not self._values.drawn:
            # The corners of a free conversion: sampled just now, or one conversion ago.
            time = self._chains[chain].conversions[node].time
            age = {"best": 0, "typical": time.typical // 2}
            return latched - age.get(self._values.draw.kind, time.max * (2 if whole else 1))
        free = self._free[chain, node]
        since = latched - free.begin
        if whole:  # what the last round that has ended sampled first
            return free.begin + (since // free.time - 1) * free.time + channels.start * free.step
        return latched - max((since - place * free.step) % free.time for place in channels)
