"""When a task's reads need each place of a chain, and when they miss an answer there.

Both since their own run began: a place is needed until the last bit that passes there has passed, all at its
best; an answer is missed when its read is over, all at its worst. From the one to the other passes what a
fault that falls just too late for a run stays hidden within a run (:mod:`chainplan.budgets.faults.known`).
"""

from __future__ import annotations

from itertools import accumulate
from typing import NamedTuple

from chainplan.budgets.scanning.runs import Step
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import frame_time
from chainplan.chain.degraded import Gap
from chainplan.chain.ends import as_sent
from chainplan.chain.network import Chain
from chainplan.figures.terms import Case


class Window(NamedTuple):
    """One task's reads of one chain, for a break at each place: 0 before the first node, n after the last.

    Places and nodes are counted from the port that the task reads by, the back port where `back` says so.
    ``needs[place]`` is when a run last needs the place, at the earliest, since it began, fs; None where no
    read needs it. ``misses[place]`` is the time from then to the first read that misses an answer, each since
    its own run began (so it may be negative). ``jams[place]`` is the same where every read fails.
    ``lost[place]`` counts the reads that miss answers.
    """

    needs: tuple[int | None, ...]
    misses: tuple[int | None, ...]
    jams: tuple[int, ...]
    lost: tuple[int, ...]
    reads: int
    back: bool

    def place(self, gap: Gap) -> int:
        """Return the place of a break, seen from the port: its near end."""
        return len(self.needs) - 1 - gap.end if self.back else gap.start

    def place_of_node(self, number: int) -> int:
        """Return the place just before a node, number 1 nearest to the head."""
        return len(self.needs) - 1 - number if self.back else number - 1


def window_of(scan: ControllerScan, index: int, wired: Chain) -> Window | None:
    """Return a task's reads of a chain of the network, or None where it has none."""
    chain = as_sent(scan.works[index].task, wired)
    early, late = (
        [step for step in scan.runs[case][index].reads if _reads(step, chain)]
        for case in (Case.BEST, Case.WORST)
    )
    if not early:
        return None
    # With retries in reserve a read is given up only when its run ends.
    retried = scan.reserve.total > 0
    over = [scan.runs[Case.WORST][index].length if retried else step.end for step in late]
    if early[0].exchange.style == "polled":
        return _polled(scan, chain, early, over)
    needs = _whole_needs(scan, chain, early[-1])
    misses = tuple(None if need is None else over[0] - need for need in needs)
    known = [miss for miss in misses if miss is not None]
    jams = tuple(known[min(place, len(known) - 1)] for place in range(len(misses)))
    lost = tuple(0 if need is None else len(early) for need in needs)
    return Window(tuple(needs), misses, jams, lost, len(early), back=bool(chain.ring))


def _reads(step: Step, chain: Chain) -> bool:
    return step.exchange.chain == chain.name and bool(step.exchange.answers)


def _whole_needs(scan: ControllerScan, chain: Chain, step: Step) -> list[int | None]:
    """Return when a read that all nodes answer together needs each place of a chain for the last time.

    In the best case, since the run began, fs: when the last bit that passes there has passed.
    """
    exchange, way, case = step.exchange, scan.ways[Case.BEST].ways[chain.name], Case.BEST
    protocol, count = chain.protocol, len(chain.nodes)
    last = count - 1
    if exchange.style == "summation":
        frame = frame_time(protocol, exchange.request + sum(exchange.answers), case)
        if chain.plan.read_from == "across":
            over = step.wire + frame
            return [
                *(over + way.reach(node, frame) for node in range(count)),
                over + way.across + way.stores_across * frame,
            ]
        stored = chain.nodes[last].type.forwarding.style == "store-and-forward"
        turned = step.wire + frame * (1 + stored) + way.reach(last, frame)
        turned += chain.nodes[last].type.turn_around[case]
        home = [turned + way.back(last, frame) - way.back(node, frame) for node in range(count)]
        return [*home, None]
    request = frame_time(protocol, exchange.request, case)
    times = {bits: frame_time(protocol, bits, case) for bits in set(exchange.answers)}
    sent = step.wire + request + way.reach(last, request) + chain.nodes[last].type.turn_around[case]
    # The tail's answer, then that of each nearer node once the one from beyond has passed it.
    beyond = [*accumulate(times[bits] for bits in reversed(exchange.answers))][::-1]
    gap = protocol.answer_gap[case]
    return [
        *(
            sent + beyond[node] + (last - node) * gap + way.home[last] - way.home[node]
            for node in range(count)
        ),
        None,
    ]


def _polled(scan: ControllerScan, chain: Chain, early: list[Step], over: list[int]) -> Window:
    """Return the window of polled reads: one needs its own node and all nearer ones."""
    way, case = scan.ways[Case.BEST].ways[chain.name], Case.BEST
    count = len(chain.nodes)
    order = [_node(step) for step in early]
    first: list[int | None] = [None] * count  # number of the first read that needs a place
    final: list[int | None] = [None] * count
    for found, numbers in ((first, range(len(order))), (final, range(len(order) - 1, -1, -1))):
        covered = -1
        for number in numbers:
            for place in range(covered + 1, order[number] + 1):
                found[place] = number
            covered = max(covered, order[number])
    ends: dict[int, int] = {}  # when an answer leaves its own node
    frames: dict[int, int] = {}
    for number in {number for number in final if number is not None}:
        step, node = early[number], order[number]
        request = frame_time(chain.protocol, step.exchange.request, case)
        frames[number] = frame_time(chain.protocol, step.exchange.answers[0], case)
        ends[number] = step.wire + request + way.reach(node, request)
        ends[number] += chain.nodes[node].type.turn_around[case] + frames[number]
    last_home = scan.ways[Case.WORST].ways[chain.name].home
    needs: list[int | None] = []
    misses: list[int | None] = []
    jams: list[int] = []
    for place in range(count):
        begin, end = first[place], final[place]
        if begin is None or end is None:
            # Beyond every polled node a babbling one is heard only after the way to the farthest of them.
            needs.append(None)
            misses.append(None)
            jams.append(over[0] - early[-1].wire + last_home[place] - last_home[max(order)])
            continue
        frame = frames[end]
        need = ends[end] + way.back(order[end], frame) - way.back(place, frame)
        needs.append(need)
        misses.append(over[begin] - need)
        jams.append(over[0] - need)
    at = [0] * (count + 1)
    for node in order:
        at[node] += 1
    lost = [*accumulate(reversed(at))][::-1]
    return Window(
        (*needs, None), (*misses, None), (*jams, jams[-1]), tuple(lost), len(early), back=bool(chain.ring)
    )


def _node(step: Step) -> int:
    assert step.exchange.node is not None  # a polled exchange names its node
    return step.exchange.node
