"""What every task does on the first nodes of an open chain, for every number of them at once.

All breaks of a chain are alike in that they leave the first so-and-so many nodes of one of two open chains:
the chain read from its head, and read from its back. From one number of nodes to the next, one more answer,
cable and relay is added, so the figures for all numbers are running sums along the chain, and what a fault
leaves of it is looked up. They are those of :func:`chainplan.budgets.scanning.exchange.exchange_terms` and
:func:`chainplan.budgets.scanning.exchange.exchange_wire_bits` on the chain cut short.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from typing import NamedTuple

from chainplan.budgets.scanning.exchange import (
    Exchange,
    channels,
    exchange_terms,
    exchange_wire_bits,
    read_exchanges,
    trigger_exchange,
    write_exchange,
)
from chainplan.budgets.scanning.host_bus import Bits, bits_of, legs_of
from chainplan.budgets.scanning.ports import Legs
from chainplan.budgets.scanning.runs import TaskWork, pause_on
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import Way, frame_time, frame_times, way_along, wire_bits
from chainplan.budgets.values.sampling import conversion_on
from chainplan.chain.ends import from_back, from_head
from chainplan.chain.network import Chain
from chainplan.figures.terms import Case
from chainplan.plan.readings import is_block


class PartReading(NamedTuple):
    """One task's exchanges on one chain, worst case: the parts of each apart from its set-up, fs.

    The reads are the first ``counts[i]`` of ``blocks[i]``, block by block; `number` and `busy` are how many
    they are and how long they take together. `retry` is what one more try of the longest takes, set-up and
    time-out included; 0 where they ask for no answers. `trigger` is None where none is sent, `wait` is what
    the host waits for between trigger and reads, fs.
    """

    trigger: Legs | None
    blocks: tuple[tuple[Legs, ...], ...]
    counts: tuple[int, ...]
    number: int
    busy: int
    retry: int
    wait: int
    gap: int
    """What follows an exchange; where ports share a bus, it passes before another one's answer can come."""

    @property
    def reads(self) -> tuple[Legs, ...]:
        """Return the parts of each read, in order."""
        if len(self.blocks) == 1:
            return self.blocks[0][: self.counts[0]]
        return tuple(
            legs for block, count in zip(self.blocks, self.counts, strict=True) for legs in block[:count]
        )


class Beginnings(NamedTuple):
    """One task's exchanges on the first 1, 2, ... nodes of an open chain: of k nodes at place k - 1.

    A reading is None where the task has nothing to do there; `bits` are those that a run puts on the wire.
    """

    readings: tuple[PartReading | None, ...]
    bits: tuple[int, ...]


class Side:
    """One of the two open chains that a broken chain's parts are the beginnings of."""

    def __init__(self, scan: ControllerScan, chain: Chain, *, back: bool) -> None:
        self._scan = scan
        self._chain = from_back(chain) if back else from_head(chain)
        self._bus = scan.controller.settings.host_bus
        self._way = way_along(self._chain, Case.WORST)
        self._beginnings: dict[int, Beginnings] = {}

    def on_first(self, index: int) -> Beginnings:
        """Return the exchanges of a task that runs on the chain."""
        if index not in self._beginnings:
            self._beginnings[index] = self._lay_out(self._scan.works[index])
        return self._beginnings[index]

    def _lay_out(self, work: TaskWork) -> Beginnings:
        name, task, chain = work.name, work.task, self._chain
        if task.kind == "write":
            return self._together(work, None, [write_exchange(name, task, chain)])
        reads = read_exchanges(name, task, chain)
        if not reads:
            count = len(chain.nodes)
            return Beginnings((None,) * count, (0,) * count)
        trigger = trigger_exchange(name, chain) if task.kind == "measure" else None
        lay_out = self._one_by_one if reads[0].style == "polled" else self._together
        return lay_out(work, trigger, reads)

    def _together(self, work: TaskWork, trigger: Exchange | None, reads: list[Exchange]) -> Beginnings:
        """Lay out exchanges with all nodes; one is left out where no node that is left has values for it."""
        chain, task = self._chain, work.task
        count = len(chain.nodes)
        whole = task.kind == "write" or is_block(task.reads)  # one exchange, whatever the nodes have
        values = [1] * count if whole else accumulate((channels(task, node) for node in chain.nodes), max)
        parts = [self._legs(each) for each in reads]
        bits = [bits_on_first(chain, each) for each in reads]
        asks, again = bool(reads[0].answers), retry_beside(self._scan, chain)
        gap = chain.protocol.frame_gap.max
        readings: list[PartReading | None] = []
        total = []
        for k, (most, sent, sent_bits, wait) in enumerate(
            zip(values, *self._triggered(work, trigger), strict=True)
        ):
            left = [number for number, each in enumerate(reads) if each.first_channel < most]
            legs = tuple([parts[number][k] for number in left])
            reading = None
            if legs:
                busy = [each.total for each in legs]
                retry = max(busy) + again if asks else 0
                reading = PartReading(sent, (legs,), (len(legs),), len(legs), sum(busy), retry, wait, gap)
            readings.append(reading)
            total.append(sent_bits + sum([bits[number][k] for number in left]) if left else 0)
        return Beginnings(tuple(readings), tuple(total))

    def _one_by_one(self, work: TaskWork, trigger: Exchange | None, reads: list[Exchange]) -> Beginnings:
        """Lay out polled reads: one takes as long, however long the chain, and needs no farther node."""
        chain, again = self._chain, retry_beside(self._scan, self._chain)
        gap = chain.protocol.frame_gap.max
        starts = dict.fromkeys(each.first_channel for each in reads)
        polled = [[each for each in reads if each.first_channel == start] for start in starts]
        blocks = tuple(tuple(map(self._alone, block)) for block in polled)
        # per block, how many of its reads need none but the first 1, 2, ... nodes
        at = [[0] * len(chain.nodes) for _ in polled]
        for places, block in zip(at, polled, strict=True):
            for each in block:
                assert each.node is not None  # a polled exchange names its node
                places[each.node] += 1
        counts = [tuple(accumulate(places)) for places in at]
        busy_times = [[each.total for each in block] for block in blocks]
        sums = [tuple(accumulate(block, initial=0)) for block in busy_times]
        peaks = [tuple(accumulate(block, max, initial=0)) for block in busy_times]
        bits = [
            tuple(accumulate((exchange_wire_bits(chain.protocol, each) for each in block), initial=0))
            for block in polled
        ]
        readings: list[PartReading | None] = []
        total = []
        for left, sent, sent_bits, wait in zip(
            zip(*counts, strict=True), *self._triggered(work, trigger), strict=True
        ):
            number = sum(left)
            busy, most, read_bits = (
                [column[count] for column, count in zip(columns, left, strict=True)]
                for columns in (sums, peaks, bits)
            )
            reading = None
            if number:
                reading = PartReading(sent, blocks, left, number, sum(busy), max(most) + again, wait, gap)
            readings.append(reading)
            total.append(sent_bits + sum(read_bits) if number else 0)
        return Beginnings(tuple(readings), tuple(total))

    def _triggered(
        self, work: TaskWork, trigger: Exchange | None
    ) -> tuple[Sequence[Legs | None], Sequence[int], Sequence[int]]:
        """Return the parts of a trigger, its bits, and the longest wait after it."""
        count = len(self._chain.nodes)
        if trigger is None:
            return [None] * count, [0] * count, [0] * count
        waits = [0] * count if work.task.overlap else longest_waits(work, self._chain)
        return self._legs(trigger), bits_on_first(self._chain, trigger), waits

    def _legs(self, exchange: Exchange) -> list[Legs]:
        """Return the parts of an exchange with the first 1, 2, ... nodes."""
        protocol, case = self._chain.protocol, Case.WORST
        times = times_on_first(self._chain, self._way, exchange, case)
        request, gap = frame_time(protocol, exchange.request, case), protocol.frame_gap[case]
        if not exchange.answers:
            bits = Bits(exchange.style, exchange.request, 0, request, 0, gap)
            return [self._legs_of(bits, time) for time in times]
        frames = accumulate(frame_times(protocol, exchange.answers, case))
        found = []
        for time, answers, answer_frames in zip(times, accumulate(exchange.answers), frames, strict=True):
            on_wire = request, answer_frames
            if exchange.style == "summation":
                on_wire = (frame_time(protocol, exchange.request + answers, case),) * 2
            found.append(self._legs_of(Bits(exchange.style, exchange.request, answers, *on_wire, gap), time))
        return found

    def _alone(self, exchange: Exchange) -> Legs:
        """Return the parts of a polled exchange."""
        wire = sum(term.total for term in exchange_terms(self._chain, self._way, exchange, Case.WORST))
        return self._legs_of(bits_of(self._chain.protocol, exchange, Case.WORST), wire)

    def _legs_of(self, bits: Bits, wire: int) -> Legs:
        shared = self._scan.ways[Case.WORST].shared
        return legs_of(self._bus, bits, wire, Case.WORST, shared=shared)


def retry_beside(scan: ControllerScan, chain: Chain) -> int:
    """Return what a retry on a chain takes beside the exchange itself: set-up, and the time-out before it."""
    return scan.controller.settings.set_up.max + chain.protocol.time_out.max


def longest_waits(work: TaskWork, chain: Chain) -> list[int]:
    """Return what the host waits for after a task's trigger with the first 1, 2, ... nodes of a chain, fs."""
    found = ((conversion_on(work.task, node), pause_on(work.task, node).max) for node in chain.nodes)
    return [*accumulate((each.time.max + pause if each else 0 for each, pause in found), max)]


def times_on_first(chain: Chain, way: Way, exchange: Exchange, case: Case) -> list[int]:
    """Return an exchange's time on the wire with the first 1, 2, ... nodes of an open chain, fs.

    `way` is the way along the whole chain, `exchange` one with all its nodes: a write, a summation frame or
    a sequential read. Formulas and their sources as in :mod:`chainplan.budgets.scanning.exchange`, frame gap
    included.
    """
    times = {"write": _writes, "summation": _summations, "sequential": _trains}[exchange.style]
    gap = chain.protocol.frame_gap[case]
    return [time + gap for time in times(chain, way, exchange, case)]


def bits_on_first(chain: Chain, exchange: Exchange) -> list[int]:
    """Return the bits that pass the head port in an exchange with the first 1, 2, ... nodes of a chain."""
    protocol = chain.protocol
    if exchange.style == "summation":
        return [wire_bits(protocol, exchange.request + answers) for answers in accumulate(exchange.answers)]
    request = wire_bits(protocol, exchange.request)
    if exchange.style == "write":
        return [request] * len(chain.nodes)
    lengths = {bits: wire_bits(protocol, bits) for bits in set(exchange.answers)}
    return [request + answers for answers in accumulate(lengths[bits] for bits in exchange.answers)]


def _writes(chain: Chain, way: Way, exchange: Exchange, case: Case) -> list[int]:
    frame = frame_time(chain.protocol, exchange.request, case)
    return [frame + way.reach(node, frame) for node in range(len(chain.nodes))]


def _summations(chain: Chain, way: Way, exchange: Exchange, case: Case) -> list[int]:
    found = []
    for place, (node, answers) in enumerate(zip(chain.nodes, accumulate(exchange.answers), strict=True)):
        frame = frame_time(chain.protocol, exchange.request + answers, case)
        stored = 2 * way.stores[place] + (node.type.forwarding.style == "store-and-forward")
        found.append(frame * (1 + stored) + way.out[place] + node.type.turn_around[case] + way.home[place])
    return found


def _trains(chain: Chain, way: Way, exchange: Exchange, case: Case) -> list[int]:
    """Return the times of sequential reads: the answers of each node and all nearer ones, the longest wait.

    A node can only hold up the train with a longer turn-around than all beyond it. Taken over all nodes the
    greatest time is the same: one with no longer turn-around than some node beyond has all else shorter.
    """
    request = frame_time(chain.protocol, exchange.request, case)
    times = {bits: frame_time(chain.protocol, bits, case) for bits in set(exchange.answers)}
    frames = [times[bits] for bits in exchange.answers]
    gap = chain.protocol.answer_gap[case]
    stored = _stored_on_first(chain, frames)
    trains = (
        request
        + way.reach(place, request)
        + node.type.turn_around[case]
        + answers
        + gap * place
        + way.home[place]
        + stored[place]
        for place, (node, answers) in enumerate(zip(chain.nodes, accumulate(frames), strict=True))
    )
    return [*accumulate(trains, max)]


def _stored_on_first(chain: Chain, frames: Sequence[int]) -> list[int]:
    """Return what store-and-forward relays add to a train of the answers of the first 1, 2, ... nodes, fs.

    Each adds the longest frame from beyond it. ``runs`` holds these longest frames, falling from the head on,
    each with how many relays it counts for; a longer frame from the next node takes the place of all shorter.
    """
    runs: list[tuple[int, int]] = []
    total = 0
    found = [0]
    for node, frame in zip(chain.nodes, frames[1:], strict=False):
        relays = int(node.type.forwarding.style == "store-and-forward")
        total += relays * frame
        while runs and runs[-1][0] <= frame:
            shorter, count = runs.pop()
            total += count * (frame - shorter)
            relays += count
        runs.append((frame, relays))
        found.append(total)
    return found
