"""Skew: how far apart the values that one run of a task reads were sampled.

    skew = max - min of (trigger arrival at the node + channel's place in the conversion sequence)

Where balancing pauses, a node's sampling instants move by its settling
(:mod:`chainplan.budgets.values.sampling`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from chainplan.budgets.scanning.exchange import channels
from chainplan.budgets.scanning.runs import TaskWork, pause_on
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import frame_time
from chainplan.budgets.values.sampling import conversion_on, sampling_of
from chainplan.chain.network import Chain, Node, makes
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.schedule import Task
from chainplan.quantity import TIME, Span


def skew_of(scan: ControllerScan, index: int, early: Case, late: Case) -> Sum:
    """Return the spread of one run's sampling instants, over all chains of a controller.

    On one chain the trigger is the same frame, so only the way from the first sampled node on counts.
    Over several chains the trigger frames leave at different times, after the set-up that all share.
    """
    work = scan.works[index]
    chains = [chain for chain in scan.chains if _samples(work, chain)]
    if work.task.kind != "measure" or not chains:
        return Sum(f"skew of {work.name}", TIME, ())
    if len(chains) == 1:
        label = "way from the first node to the last one"
        spread = _chain_spread(scan, work.task, chains[0], early, late)
    else:
        label = "between the first and the last trigger's arrival"
        spread = _controller_spread(scan, index, chains, early, late)
    way, settling, last = spread
    terms = (
        Term(label, way),
        Term("paused balancing settles later", settling),
        Term("place in the conversion sequence", last),
    )
    return Sum(f"skew of {work.name}", TIME, nonzero(*terms))


def _samples(work: TaskWork, chain: Chain) -> bool:
    return any(exchange.chain == chain.name for exchange in work.requests)


def _sampled(task: Task, chain: Chain) -> list[int]:
    """Return the places of the nodes that sample for a task."""
    return sorted(place for make in makes(chain.nodes) if channels(task, make.node) for place in make.places)


def _ends(task: Task, chain: Chain) -> list[int]:
    """Return the nearest and the farthest sampling node of each make: nothing between them is at an end."""
    return sorted(
        {
            place
            for make in makes(chain.nodes)
            if channels(task, make.node)
            for place in make.places[:: max(len(make.places) - 1, 1)]
        }
    )


def _shared(scan: ControllerScan) -> Span:
    """Return the part of every trigger's start that is one and the same event: the first set-up."""
    plan = scan.controller.settings
    return plan.set_up if plan.set_up_by == "one core" else Span(0, 0, 0)


def _last_channel(task: Task, node: Node, case: Case) -> int:
    conversion = conversion_on(task, node)
    return (channels(task, node) - 1) * conversion.step[case] if conversion else 0


class _Spread(NamedTuple):
    """The spread between two sampling instants, fs: what the way, the settling and the sequence add."""

    way: int
    settling: int
    last: int


def _controller_spread(
    scan: ControllerScan, index: int, chains: list[Chain], early: Case, late: Case
) -> _Spread:
    """Return the largest spread over several chains: the earliest sample early, the latest one late."""
    task = scan.works[index].task
    first, final = sampling_of(scan, index, early), sampling_of(scan, index, late)
    shared = _shared(scan)
    soonest, unsettled = min(
        (
            (first.arrival(chain, node) - shared[early], pause_on(task, chain.nodes[node])[early])
            for chain in chains
            for node in _sampled(task, chain)
        ),
        key=sum,
    )
    arrival, settled, last = max(
        (
            (
                final.arrival(chain, node) - shared[late],
                pause_on(task, chain.nodes[node])[late],
                _last_channel(task, chain.nodes[node], late),
            )
            for chain in chains
            for node in _sampled(task, chain)
        ),
        key=sum,
    )
    return _Spread(arrival - soonest, settled - unsettled, last)


def _chain_spread(scan: ControllerScan, task: Task, chain: Chain, early: Case, late: Case) -> _Spread:
    """Return the largest spread between two nodes of one chain, or between the channels of one.

    The later sample may be the farther node's, by a way at its longest. Where settling differs it may be
    the nearer node's too, in spite of a way at its shortest.
    """
    places = _ends(task, chain)
    if any(pause_on(task, chain.nodes[place])[late] for place in places):
        places = _sampled(task, chain)
    nodes = [chain.nodes[place] for place in places]
    lasts = [_last_channel(task, node, late) for node in nodes]
    pauses = [pause_on(task, node) for node in nodes]
    spreads = [_Spread(0, 0, last) for last in lasts]
    soon, settled = [pause[early] for pause in pauses], [pause[late] for pause in pauses]
    spreads += _after_the_earliest(_reach(scan, places, chain, late), soon, settled, lasts)
    if any(settled):
        near = _reach(scan, places, chain, early)
        columns = (column[::-1] for column in (near, soon, settled, lasts))
        spreads += _after_the_earliest(*columns)
    return max(spreads, key=sum)


def _reach(scan: ControllerScan, places: list[int], chain: Chain, case: Case) -> list[int]:
    """Return when a trigger that leaves the head at 0 has reached nodes of a chain, fs."""
    protocol, way = chain.protocol, scan.ways[case].ways[chain.name]
    frame = frame_time(protocol, protocol.write.max + protocol.check.width.max, case)
    return [way.reach(place, frame) for place in places]


def _after_the_earliest(
    reach: Sequence[int], soon: Sequence[int], settled: Sequence[int], lasts: Sequence[int]
) -> Iterator[_Spread]:
    """Yield for each node but the first its spread from the earliest sample of any node before it."""
    earliest = reach[0], soon[0]
    for node in range(1, len(reach)):
        yield _Spread(reach[node] - earliest[0], settled[node] - earliest[1], lasts[node])
        earliest = min(earliest, (reach[node], soon[node]), key=sum)
