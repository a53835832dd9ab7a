"""The longest silence on a chain while its controller scans, beside nodes that fall asleep by themselves.

Between two scans in which some task runs on the chain lie at most g scan periods, over the major cycle; the
first exchange may come at the begin of the one, the next one at the end of the other:

    silence = g * scan period + jitter + busiest scan

The period is the longest, that of scans which overrun. What passes a chain passes all its nodes but where a
poll ends at a nearer one, so a polled chain counts as silent for the whole time, too. Times are in fs.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.chain.network import Chain
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.quantity import TIME


class Silence(NamedTuple):
    """The longest silence on a chain, beside the shortest one after which a node of it sleeps, fs.

    `node` is the first that does.
    """

    chain: str
    node: str
    limit: int
    time: Sum


@budget
def silences(scans: dict[str, ControllerScan]) -> tuple[Silence, ...]:
    """The longest silence on each chain with nodes that fall asleep by themselves and tasks to keep them."""
    found = []
    for scan in scans.values():
        for chain in scan.controller.chains:
            limits = [
                (node.type.sleeps_after.min, node.name)
                for node in chain.nodes
                if node.type.sleeps_after is not None
            ]
            time = _longest(scan, chain)
            if limits and time is not None:
                limit, name = min(limits, key=lambda each: each[0])
                found.append(Silence(chain.name, name, limit, time))
    return tuple(found)


def _longest(scan: ControllerScan, chain: Chain) -> Sum | None:
    """Return the longest silence on a chain; None where no task runs on it."""
    works = {index for index, work in enumerate(scan.works) if any(work.on(chain))}
    cycle = scan.phases.major_cycle
    busy = [number for number in range(cycle) if not works.isdisjoint(scan.due(number))]
    if not busy:
        return None
    gap = max(after - before for before, after in pairwise([*busy, busy[0] + cycle]))
    terms = nonzero(
        Term("scan period", scan.period, gap, "between scans with work on the chain"),
        Term("scan jitter", scan.controller.settings.scan_jitter.max),
        Term("busiest scan", scan.worst.total),
    )
    return Sum(f"longest silence on {chain.name}", TIME, terms, "scans between * scan period + jitter + scan")


SILENCE = Kind[Silence](
    "longest silence",
    TIME,
    ("chain",),
    "start-up",
    lambda each: each.time,
    named="silence/{}",
    sense="below",
    where=lambda each: f"`sleeps_after` of {each.node}",
    asked=lambda plan: any(each.sleeps_after for each in plan.node_types.values()),
)


@SILENCE.of
def longest_silences(silences: tuple[Silence, ...]) -> Iterator[Figure]:
    """The longest time in which nothing passes a chain, beside `sleeps_after`. Always checked."""
    for each in silences:
        yield SILENCE(each.chain, item=each, limit=each.limit)
