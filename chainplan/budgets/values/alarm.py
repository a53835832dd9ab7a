"""Alarms that nodes raise themselves, awake or asleep: from a fault to the alarm at the controller's port.

A node checks its own inputs in a fixed period. A fault that falls just after a check waits for the next one;
d hits in a row (and e that are lost, if the hazard says so) make an alarm, which goes from node to node:

    port = lag + filter + (d + e) * check period + conversion + hops * time per hop + cables

To the head in an open chain; in a ring both ways at once, and the end it reaches first counts. A check that
converts for longer than the period holds up the next one: then its time takes the period's place. One made by
a comparator converts nothing. An alarm is a path of a chain only if all its nodes that show the hazard raise
it.
"""

from __future__ import annotations

from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.values.debounce import hits_until_found, lost_words
from chainplan.chain.network import Chain, Node
from chainplan.figures.terms import Case, Term, nonzero
from chainplan.plan.parts import Conversion
from chainplan.plan.readings import READ_BY, values_at
from chainplan.plan.schedule import Hazard
from chainplan.plan.standby import AlarmPath, SleepPlan
from chainplan.quantity import Span


class Watch(NamedTuple):
    """How nodes watch their own inputs: checks every `check_every` fs, and the way of an alarm.

    A check makes the conversion of this name; none where comparators check.
    """

    check_every: Span
    debounce: int
    per_hop: Span
    conversion: str | None

    def check_on(self, node: Node) -> Conversion | None:
        """Return the conversion by which a node checks; None where it converts nothing."""
        return node.type.conversions.get(self.conversion) if self.conversion else None

    def period(self, node: Node, case: Case) -> int:
        """Return the time from one check of a node to the next, fs: a conversion is not cut short."""
        check = self.check_on(node)
        return max(self.check_every[case], check.time[case] if check else 0)


def watch_awake(hazard: Hazard, alarm: AlarmPath) -> Watch:
    """Return how nodes awake watch for a hazard."""
    check = None if alarm.hardware else alarm.conversion or READ_BY.get(hazard.kind)
    return Watch(alarm.check_every, alarm.debounce, alarm.per_hop, check)


def watch_asleep(hazard: Hazard, sleep: SleepPlan) -> Watch:
    """Return how sleeping nodes watch for a hazard."""
    quantity = READ_BY.get(hazard.kind)
    named = {str(key): name for key, name in sleep.conversions.items()}
    check = None if sleep.hardware or quantity is None else named.get(quantity, quantity)
    return Watch(sleep.check_every, sleep.debounce, sleep.alarm_per_hop, check)


class AlarmWay(NamedTuple):
    """The way of a node's alarm to a port: nodes it passes, its own included, and its cables, fs."""

    hops: int
    cables: int

    def time(self, per_hop: int) -> int:
        """Return the time on the way, fs."""
        return self.hops * per_hop + self.cables


def alarm_ways(chain: Chain, case: Case, per_hop: int) -> list[AlarmWay]:
    """Return for each node of a chain the faster way of its alarm to a port."""
    delays = [segment.hop.delay[case] for segment in chain.segments]
    ways = []
    to_head = 0
    to_back = sum(delays)
    count = len(chain.nodes)
    for index in range(count):
        to_head += delays[index]
        to_back -= delays[index]
        way = AlarmWay(index + 1, to_head)
        if chain.is_ring:
            way = min(way, AlarmWay(count - index, to_back), key=lambda each: each.time(per_hop))
        ways.append(way)
    return ways


def any_shown(hazard: Hazard, chain: Chain) -> bool:
    """Tell whether some node of a chain has inputs that show a hazard."""
    return any(shown(hazard, node) for node in chain.nodes)


def shown(hazard: Hazard, node: Node) -> bool:
    """Tell whether a node has inputs that show a hazard."""
    return values_at(READ_BY.get(hazard.kind, "none"), node.cells, node.temperatures) > 0


def all_raised(hazard: Hazard, chain: Chain) -> bool:
    """Tell whether all nodes of a chain that show a hazard raise an alarm, and some node does."""
    types = [node.type for node in chain.nodes if shown(hazard, node)]
    return bool(types) and all(each.raises_alarms for each in types)


def alarm_terms(hazard: Hazard, watch: Watch, chain: Chain, case: Case) -> tuple[Term, ...] | None:
    """Return what passes until the alarm of the slowest node is at a port, fs.

    None where no node of the chain that raises alarms has an input that shows the hazard.
    """
    hits = hits_until_found(hazard, watch.debounce, case)
    slowest: tuple[int, Node, AlarmWay] | None = None
    per_hop = watch.per_hop[case]
    for node, way in zip(chain.nodes, alarm_ways(chain, case, per_hop), strict=True):
        if node.type.raises_alarms and shown(hazard, node):
            check = watch.check_on(node)
            time = way.time(per_hop) + (check.settling[case] + check.time[case] if check else 0)
            time += hits.readings * watch.period(node, case)
            if slowest is None or time > slowest[0]:
                slowest = time, node, way
    if slowest is None:
        return None
    _, node, way = slowest
    check = watch.check_on(node)
    period = watch.period(node, case)
    how = f"{watch.debounce} to debounce" + lost_words(hazard, hits.lost)
    if period > watch.check_every[case]:
        how += ", each held up by the conversion before"
    return nonzero(
        Term("sensor lag", hazard.sensor_lag[case]),
        Term("input filter settles", check.settling[case] if check else 0),
        Term("check period per hit", period, hits.readings, how),
        Term("check converts", check.time[case] if check else 0),
        Term("alarm per hop", per_hop, way.hops, f"from {node.name}"),
        Term("cables on the alarm's way", way.cables),
    )


def longest_exchange(scan: ControllerScan, chain: Chain, case: Case) -> Term:
    """Return the longest exchange on a chain, which an alarm that shares the chain may have to wait out.

    Where the plan reckons with retries its answer may not come: then it is over when the host, which waits
    for the answer in its memory, gives it up after the time-out.
    """
    ways = scan.ways[case]
    retried = case is Case.WORST and scan.controller.settings.retry_reserve > 0
    time_out = chain.protocol.time_out.max
    longest = max(
        (
            ways.legs(exchange).total - ways.legs(exchange).first + time_out
            if retried and exchange.answers
            else ways.time(exchange)
            for work in scan.works
            for exchange in work.on(chain)
        ),
        default=0,
    )
    # A turn may be one long exchange.
    turns = [work.reversal[case] for work in scan.works if work.reversal.max and any(work.on(chain))]
    longest = max([longest, *turns])
    return Term("blocked by the running exchange", longest)
