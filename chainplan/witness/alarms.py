"""Alarms that nodes raise themselves: their own checks, the alarm's way from node to node, the controller.

Alarms do not change the scans, so these are simulated first, and only when each chain was busy is kept of
them. Then a fault falls at one node, whose checks go on until it raises the alarm; the alarm waits until its
chain is free, goes from node to node (out of a ring both ways at once) and is judged by the controller.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Literal, NamedTuple

from chainplan.chain.build import Unit
from chainplan.chain.network import Chain, Node
from chainplan.plan.fields import ZERO
from chainplan.plan.parts import Conversion
from chainplan.plan.readings import READ_BY, values_at
from chainplan.plan.schedule import Hazard
from chainplan.quantity import Span
from chainplan.witness.debounce import Debouncing, Seen
from chainplan.witness.draw import Draw, Values
from chainplan.witness.faults import Faults
from chainplan.witness.host import SimulatedHost
from chainplan.witness.kernel import Kernel, Process
from chainplan.witness.pack import Pack
from chainplan.witness.record import ControllerRecord, Record
from chainplan.witness.tally import Tally
from chainplan.witness.watch import Judge

Instant = Literal["worst", "any time"]
"""When a fault falls. ``worst``: just after the node has sampled, all readings that may be lost are, and the
alarm is raised just as the longest exchange on its chain begins; ``any time`` draws all of this."""

Spans = list[tuple[int, int]]
"""When exchanges were under way on a chain, fs, in their order."""

_MOST_NODES = 24
"""Nodes of one chain at which a fault falls in one simulation; of longer chains some are left out."""

_COMPARED = Conversion.model_construct(time=ZERO)
"""What a comparator takes to check."""


class NodeWatch(NamedTuple):
    """How nodes check for a hazard: how often, how many hits in a row they want, and the alarm's hop.

    `conversion` names what a check converts; empty for comparators.
    """

    name: str
    hazard: Hazard
    every: Span
    debounce: int
    per_hop: Span
    conversion: str


@dataclass(frozen=True, slots=True)
class Alarms:
    """A simulation of every alarm of nodes awake: a fault at one node after another that watches for it."""

    instant: Instant

    def __call__(
        self,
        pack: Pack,
        phases: dict[str, tuple[int, ...]],
        scans: int,
        draw: Draw,
        seed: int,
        faults: Faults,
    ) -> Record:
        """Simulate the scans, then alarms that are raised in them, and return when these were found."""
        record = Record()
        for name, controller in pack.network.controllers.items():
            found = record.controllers[name] = ControllerRecord()
            host = SimulatedHost(pack, name, phases[name], draw, f"{seed} {name}", faults)
            busy = host.busy_chains(scans)
            values = Values(draw, Random(f"{seed} {name} alarms"))
            judge = Judge(pack.units[name].evaluation, values)
            for watch, own_line in _awake(pack):
                for number, chain in enumerate(controller.chains):
                    spans = [] if own_line else busy.get(number, [])
                    label = f"{watch.name}, alarm of {chain.name}"
                    for place in watching(watch.hazard, chain):
                        after = raised_after(watch, chain.nodes[place], values, self.instant)
                        after += _sent_again(watch.hazard, values, self.instant)
                        raised, free = _placed(spans, values, self.instant)
                        at_port = free + way_home(chain, place, watch.per_hop, values)
                        judged = judge.done(at_port, "just missed" if self.instant == "worst" else "any time")
                        _note(found.detection, label, after + judged - raised)
                        safe = judged + _reaction(watch.hazard, pack.units[name], values)
                        _note(found.handling, label, after + safe - raised)
        return record


@dataclass(frozen=True, slots=True)
class AsleepAlarms:
    """A simulation of every alarm while the controllers sleep."""

    instant: Instant

    def __call__(
        self,
        pack: Pack,
        phases: dict[str, tuple[int, ...]],
        scans: int,
        draw: Draw,
        seed: int,
        faults: Faults,
    ) -> Record:
        """Simulate the alarms of sleeping nodes; nothing is scanned: phases, scans, faults are not used."""
        del phases, scans, faults
        record = Record()
        sleep = pack.sleep
        for name, controller in pack.network.controllers.items():
            found = record.controllers[name] = ControllerRecord()
            values = Values(draw, Random(f"{seed} {name} asleep"))
            for watch in _asleep(pack):
                assert sleep is not None
                for chain in controller.chains:
                    label = f"{watch.name}, asleep, {chain.name}"
                    for place in watching(watch.hazard, chain):
                        after = raised_after(watch, chain.nodes[place], values, self.instant)
                        awake = after + way_home(chain, place, watch.per_hop, values)
                        awake += values.event(sleep.host_wake)
                        judged = awake + values.event(pack.units[name].evaluation.run_time)
                        _note(found.asleep_detection, label, judged)
                        safe = judged + _reaction(watch.hazard, pack.units[name], values)
                        _note(found.asleep_handling, label, safe)
        return record


def _awake(pack: Pack) -> Iterator[tuple[NodeWatch, bool]]:
    """Yield what nodes awake watch for, and whether its alarm has a line of its own."""
    for name, hazard in pack.hazards.items():
        alarm = hazard.alarm
        if alarm is not None and hazard.kind in READ_BY:
            by = "" if alarm.hardware else alarm.conversion or READ_BY[hazard.kind]
            watch = NodeWatch(name, hazard, alarm.check_every, alarm.debounce, alarm.per_hop, by)
            yield watch, alarm.own_line


def _asleep(pack: Pack) -> Iterator[NodeWatch]:
    """Yield what sleeping nodes watch for and their own controller reacts to."""
    sleep = pack.sleep
    for name, hazard in pack.hazards.items():
        if sleep is not None and READ_BY.get(hazard.kind) in sleep.checks and not hazard.reaction_at:
            by = next(
                (each for looked_at, each in sleep.conversions.items() if looked_at == READ_BY[hazard.kind]),
                READ_BY[hazard.kind],
            )
            by = "" if sleep.hardware else by
            yield NodeWatch(name, hazard, sleep.check_every, sleep.debounce, sleep.alarm_per_hop, by)


def watching(hazard: Hazard, chain: Chain) -> list[int]:
    """Return the places of the nodes of a chain that watch for a hazard; of very many some only."""
    quantity = READ_BY[hazard.kind]
    found = [
        place
        for place, node in enumerate(chain.nodes)
        if node.type.raises_alarms and values_at(quantity, node.cells, node.temperatures)
    ]
    step = max(1, -(-len(found) // _MOST_NODES))
    return sorted({*found[::step], *found[-1:]})


def raised_after(watch: NodeWatch, node: Node, values: Values, instant: Instant) -> int:
    """Let a fault fall at a node that checks on and on; return how long after it the alarm is raised, fs."""
    kernel = Kernel()
    found: list[int] = []
    kernel.start(_checks(kernel, watch, node, values, instant, found))
    kernel.run()
    return found[0]


def _checks(
    kernel: Kernel, watch: NodeWatch, node: Node, values: Values, instant: Instant, found: list[int]
) -> Process:
    """Check again and again; a check that is due while the one before still converts waits for it."""
    hazard = watch.hazard
    row = Debouncing(watch.debounce, on_lost=hazard.on_lost, tolerated=hazard.lost_readings)
    quantity = READ_BY[hazard.kind]
    conversion = node.type.conversions.get(watch.conversion, _COMPARED)
    hidden = values.event(hazard.sensor_lag) + values.event(conversion.settling)
    if instant == "worst":
        channel, shows = 0, 1  # the first check has just sampled
        lost = list(row.worst(1) or ())
    else:
        pick = values.random.randrange
        channel = pick(values_at(quantity, node.cells, node.temperatures))
        shows = pick(watch.every.max)
        lost = [*[True] * pick(hazard.lost_readings + 1)]
        lost += [False] * watch.debounce
        values.random.shuffle(lost)
    planned = 0
    seen: list[Seen] = []
    while True:
        sampled = kernel.now + channel * values.event(conversion.step)
        over = kernel.now + values.event(conversion.time)
        if sampled >= shows:
            seen.append(Seen(over, lost[len(seen)] if len(seen) < len(lost) else False))
        if row.recognised(seen) is not None:
            found.append(over - (shows - hidden))
            return
        planned += values.event(watch.every)
        yield max(planned, over)


def _sent_again(hazard: Hazard, values: Values, instant: Instant) -> int:
    """Return how long after the first alarm the one is sent that arrives, fs."""
    assert hazard.alarm is not None
    lost = hazard.alarm.lost if instant == "worst" else values.random.randrange(hazard.alarm.lost + 1)
    return (
        sum(values.event(hazard.alarm.repeat_every) for _ in range(lost)) if hazard.alarm.repeat_every else 0
    )


def _placed(spans: Spans, values: Values, instant: Instant) -> tuple[int, int]:
    """Return when an alarm is raised, and when its chain is free of the exchange under way then."""
    if not spans:
        return 0, 0
    if instant == "worst":
        return max(spans, key=lambda span: span[1] - span[0])
    raised = spans[0][0] + values.random.randrange(spans[-1][1] - spans[0][0] + 1)
    _, free = spans[bisect_right(spans, (raised, spans[-1][1])) - 1]
    return raised, max(raised, free)


def way_home(chain: Chain, place: int, per_hop: Span, values: Values) -> int:
    """Let an alarm go from node to node, out of a ring both ways; return how long a port waits for it, fs."""
    kernel = Kernel()
    arrived: list[int] = []
    ways = [[(node, node) for node in range(place, -1, -1)]]
    if chain.is_ring:
        ways.append([(node, node + 1) for node in range(place, len(chain.nodes))])
    for way in ways:
        kernel.start(_hops(kernel, chain, way, per_hop, values, arrived))
    kernel.run()
    return arrived[0]


def _hops(
    kernel: Kernel,
    chain: Chain,
    way: list[tuple[int, int]],
    per_hop: Span,
    values: Values,
    arrived: list[int],
) -> Process:
    """Pass an alarm on by each node of a way (its place) and over the segment (its place) that follows."""
    for node, segment in way:
        yield kernel.now + values.device(f"alarm of {chain.nodes[node].name}", per_hop)
        yield kernel.now + values.device(
            f"cable {chain.segments[segment].name}", chain.segments[segment].hop.delay
        )
    arrived.append(kernel.now)


def _reaction(hazard: Hazard, unit: Unit, values: Values) -> int:
    """Return what the reaction takes, fs; that of another unit is not simulated."""
    if hazard.reaction_at:
        return 0
    actuator = unit.actuators[hazard.reaction]
    return values.event(actuator.command) + values.event(actuator.opening)


def _note(tallies: dict[str, Tally], label: str, time: int) -> None:
    tallies.setdefault(label, Tally()).add(time)
