"""How a controller scans on after a fault: the length of every task's run on what is left of its chains.

The slot table stays as it is: every task keeps its phase, only its runs get shorter or longer. A chain that
is left in two parts is read as two open chains, one on each port. Lost nodes are asked no more, and the
last node that is left of an open chain has been told to turn traffic round.

All breaks of a chain are alike in that they leave the first so-and-so many nodes of one of two open chains:
the chain read from its head, and read from its back. Both are laid out once and cut to length for every
fault, so that a walk through all faults does not lay out the whole plan each time. The figures are those of
:func:`chainplan.budgets.scan.scan_budget` on :func:`chainplan.chain.degraded.degraded_network`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from itertools import accumulate
from typing import NamedTuple

from chainplan.budgets.age import conversion_on
from chainplan.budgets.exchange import (
    Exchange,
    channels,
    exchange_terms,
    exchange_wire_bits,
    read_exchanges,
    trigger_exchange,
    write_exchange,
)
from chainplan.budgets.scan import ControllerScan
from chainplan.budgets.schedule import TaskWork, applies_to, bus_in, bus_out, pause_on
from chainplan.budgets.terms import Case, Sum, Term, nonzero
from chainplan.budgets.wire import way_along
from chainplan.chain.degraded import Left, cut_short, from_back, from_head
from chainplan.chain.network import Chain
from chainplan.plan.layout import ControllerPlan
from chainplan.plan.readings import is_block
from chainplan.quantity import BITS, TIME


class Reading(NamedTuple):
    """One task's exchanges on one chain, worst case: what each keeps its port busy apart from its set-up, fs.

    `time_out` is the chain's where the reads ask for answers; `wait` is what the host waits for between
    triggers and reads, fs.
    """

    port: str
    triggers: tuple[int, ...]
    reads: tuple[int, ...]
    asks: bool
    time_out: int
    wait: int


class Rescan(NamedTuple):
    """A controller's scan after a fault, worst case.

    ``lengths[i]`` is the run of task i of the fault-free scan, fs; 0 where the task has nothing left to do.
    """

    scan: ControllerScan
    lengths: tuple[int, ...]
    reserve: Term
    busiest: tuple[int, ...]
    """The tasks of the busiest scan."""

    @property
    def worst(self) -> Sum:
        """Return the busiest scan's time with its terms, fs."""
        terms = (Term(f"task {self.scan.works[index].name}", self.lengths[index]) for index in self.busiest)
        return Sum(
            f"scan time of {self.scan.controller.name} after the fault",
            TIME,
            nonzero(*terms, self.reserve),
            "sum of the slots of the busiest scan, plus the retry reserve",
        )

    @property
    def total(self) -> int:
        """Return the busiest scan's time, fs."""
        return sum(self.lengths[index] for index in self.busiest) + self.reserve.total

    @property
    def period(self) -> int:
        """Return the longest time from one scan's start to the next, fs."""
        return max(self.scan.controller.plan.scan_period.max, self.total)

    def slot_start(self, index: int) -> int:
        """Return the latest start of a task's slot in any of its scans, since the scan began, fs."""
        return max(
            sum(self.lengths[other] for other in due if other < index)
            for due in self.scan.due_together
            if index in due
        )


class Rescans:
    """What is left of one controller's scan, for any fault."""

    def __init__(self, scan: ControllerScan) -> None:
        self.scan = scan
        self._sides: dict[tuple[str, bool], _Side] = {}
        self._known: dict[tuple[Left, ...], Rescan] = {}

    def after(self, lefts: Sequence[Left]) -> Rescan:
        """Return how the controller scans on with what is left of its broken chains."""
        key = tuple(lefts)
        if key not in self._known:
            self._known[key] = self._after(key)
        return self._known[key]

    def _after(self, lefts: tuple[Left, ...]) -> Rescan:
        plan = self.scan.controller.plan
        lengths = []
        longest = 0
        for index in range(len(self.scan.works)):
            parts = self._parts(index, lefts)
            lengths.append(run_length(parts, plan))
            if plan.retry_reserve:
                for part in parts:
                    if part.asks:
                        longest = max(longest, plan.set_up.max + max(part.reads) + part.time_out)
        busiest = max(self.scan.due_together, key=lambda due: sum(lengths[index] for index in due))
        reserve = self.scan.reserve._replace(amount=longest)
        return Rescan(self.scan, tuple(lengths), reserve, tuple(i for i in busiest if lengths[i]))

    def wire_bits(self, lefts: Sequence[Left]) -> Sum:
        """Return the bits on the wires in the scan that carries most, with its terms."""
        bits = [self._bits(index, lefts) for index in range(len(self.scan.works))]
        heaviest = max(self.scan.due_together, key=lambda due: sum(bits[index] for index in due))
        return Sum(
            f"wire bits per scan of {self.scan.controller.name} after the fault",
            BITS,
            nonzero(*(Term(f"task {self.scan.works[index].name}", bits[index]) for index in heaviest)),
            "bits of every task due in the scan that carries most",
        )

    def _parts(self, index: int, lefts: Sequence[Left]) -> list[Reading]:
        """Return a task's exchanges, part by part of the chains in their order."""
        after = {left.chain: left for left in lefts}
        found = []
        for chain in self.scan.controller.chains:
            left = after.get(chain.name)
            if left is None:
                whole = self._whole[index].get(chain.name)
                if whole is not None:
                    found.append(whole)
                continue
            for side, count in self._left_sides(chain, left):
                part = side.reading(index, count)
                if part is not None:
                    found.append(part)
        return found

    def _bits(self, index: int, lefts: Sequence[Left]) -> int:
        after = {left.chain: left for left in lefts}
        work = self.scan.works[index]
        total = 0
        for chain in self.scan.controller.chains:
            left = after.get(chain.name)
            if left is None:
                total += sum(exchange_wire_bits(chain.protocol, each) for each in _of_chain(work, chain))
                continue
            for side, count in self._left_sides(chain, left):
                total += side.bits(index, count)
        return total

    def _left_sides(self, chain: Chain, left: Left) -> list[tuple[_Side, int]]:
        return [
            (self._side(chain, back), count)
            for back, count in ((False, left.ahead), (True, left.behind))
            if count
        ]

    def _side(self, chain: Chain, back: bool) -> _Side:
        key = chain.name, back
        if key not in self._sides:
            self._sides[key] = _Side(self.scan, chain, back=back)
        return self._sides[key]

    @cached_property
    def _whole(self) -> tuple[dict[str, Reading], ...]:
        """Return every task's exchanges on the chains that nothing has befallen."""
        return tuple(
            {
                chain.name: _reading(self.scan, work, chain)
                for chain in self.scan.controller.chains
                if _of_chain(work, chain)
            }
            for work in self.scan.works
        )


def _of_chain(work: TaskWork, chain: Chain) -> list[Exchange]:
    lists = work.triggers.get(chain.head, []), work.reads.get(chain.head, [])
    return [exchange for each in lists for exchange in each if exchange.chain == chain.name]


def _reading(scan: ControllerScan, work: TaskWork, chain: Chain) -> Reading:
    ways, plan = scan.ways[Case.WORST], scan.controller.plan
    triggers, reads = (
        [each for each in lists.get(chain.head, []) if each.chain == chain.name]
        for lists in (work.triggers, work.reads)
    )

    def busy(exchange: Exchange) -> int:
        return _busy(plan, exchange, ways.time(exchange))

    longest = max(_longest_waits(work, chain), default=0)
    return Reading(
        chain.head,
        tuple(map(busy, triggers)),
        tuple(map(busy, reads)),
        bool(reads[0].answers),
        chain.protocol.time_out.max,
        longest if triggers and not work.task.overlap else 0,
    )


def _busy(plan: ControllerPlan, exchange: Exchange, wire: int) -> int:
    """Return how long an exchange keeps its port busy after its set-up, fs."""
    bus = plan.host_bus
    return bus_out(bus, exchange, Case.WORST) + wire + bus_in(bus, exchange, Case.WORST)


def _longest_waits(work: TaskWork, chain: Chain) -> list[int]:
    """Return what the host waits for after a task's trigger with the first 1, 2, ... nodes of a chain, fs."""
    found = ((conversion_on(work.task, node), pause_on(work.task, node).max) for node in chain.nodes)
    return [*accumulate((each.time.max + pause if each else 0 for each, pause in found), max)]


def run_length(parts: Iterable[Reading], plan: ControllerPlan) -> int:
    """Return how long a run of a task takes, worst case, fs: triggers, the longest conversion, reads.

    The ports' lists run side by side as in :mod:`chainplan.budgets.schedule`.
    """
    triggers: dict[str, list[int]] = {}
    reads: dict[str, list[int]] = {}
    wait = 0
    for part in parts:
        reads.setdefault(part.port, []).extend(part.reads)
        if part.triggers:
            triggers.setdefault(part.port, []).extend(part.triggers)
            wait = max(wait, part.wait)
    return _stage_end(reads, plan, _stage_end(triggers, plan, 0) + wait) if reads else 0


def _stage_end(lists: dict[str, list[int]], plan: ControllerPlan, begin: int) -> int:
    """Return when lists of exchanges that begin together have ended, fs: one core serves them in rotation."""
    set_up = plan.set_up.max
    if plan.set_up_by == "each port" or len(lists) == 1:
        return begin + max((len(busy) * set_up + sum(busy) for busy in lists.values()), default=0)
    ports = list(lists.values())
    free = [begin] * len(ports)
    core = begin
    for turn in range(max(map(len, ports), default=0)):
        for port, busy in enumerate(ports):
            if turn < len(busy):
                core = set_up + (free[port] if free[port] > core else core)
                free[port] = core + busy[turn]
    return max(free, default=begin)


class _Laid(NamedTuple):
    """One task's exchanges on a whole open chain, to be cut to its first nodes.

    ``wired[k]`` is the most values that any of the first k + 1 nodes has, ``waits[k]`` the longest
    settling and conversion of any of them, fs. ``alone`` is what each polled read keeps the port busy, fs: it
    takes the same however long the chain.
    """

    triggers: tuple[Exchange, ...]
    reads: tuple[Exchange, ...]
    wired: tuple[int, ...]
    waits: tuple[int, ...]
    alone: tuple[int, ...]

    def first(self, count: int) -> list[Exchange]:
        """Return the reads that are left with the first `count` nodes.

        Their payload is not kept up: what they are worth does not matter for the time they take.
        """
        if not self.wired:  # blocks of data and writes: one exchange, whatever the nodes have
            return [each._replace(answers=each.answers[:count]) for each in self.reads]
        most = self.wired[count - 1]
        return [
            each._replace(answers=each.answers[:count]) for each in self.reads if each.first_channel < most
        ]

    def polled(self, count: int) -> list[int]:
        """Return the numbers of the polled reads that are left with the first `count` nodes."""
        return [
            number for number, each in enumerate(self.reads) if each.node is not None and each.node < count
        ]


class _Side:
    """One of the two open chains that a broken chain's parts are the beginnings of."""

    def __init__(self, scan: ControllerScan, chain: Chain, *, back: bool) -> None:
        self._scan = scan
        self._name = chain  # tasks are told to run on chains by the whole chain's name
        self._chain = from_back(chain) if back else from_head(chain)
        self._way = way_along(self._chain, Case.WORST)
        self._short: dict[int, Chain] = {}
        self._laid_out: dict[int, _Laid | None] = {}
        self._readings: dict[tuple[int, int], Reading | None] = {}

    def reading(self, index: int, count: int) -> Reading | None:
        """Return a task's exchanges on the first `count` nodes; None where it has nothing to do there."""
        key = index, count
        if key not in self._readings:
            self._readings[key] = self._reading(index, count)
        return self._readings[key]

    def _reading(self, index: int, count: int) -> Reading | None:
        laid = self._laid(index)
        if laid is None:
            return None
        if laid.alone:
            busy = [laid.alone[number] for number in laid.polled(count)]
            asks = True
        else:
            reads = laid.first(count)
            busy = [self._busy(each, count) for each in reads]
            asks = any(each.answers for each in reads)
        if not busy:
            return None
        waits = laid.triggers and not self._scan.works[index].task.overlap
        return Reading(
            self._chain.head,
            tuple(self._busy(each, count) for each in laid.triggers),
            tuple(busy),
            asks,
            self._chain.protocol.time_out.max,
            laid.waits[count - 1] if waits else 0,
        )

    def bits(self, index: int, count: int) -> int:
        """Return the bits that one run of a task puts on the wire on the first `count` nodes."""
        laid = self._laid(index)
        if laid is None:
            return 0
        reads = [laid.reads[number] for number in laid.polled(count)] if laid.alone else laid.first(count)
        exchanges = [*laid.triggers, *reads] if reads else []
        return sum(exchange_wire_bits(self._chain.protocol, each) for each in exchanges)

    def _busy(self, exchange: Exchange, count: int) -> int:
        if count not in self._short:
            self._short[count] = cut_short(self._chain, count)
        # The way along the first nodes is the beginning of the way along all.
        terms = exchange_terms(self._short[count], self._way, exchange, Case.WORST)
        return _busy(self._scan.controller.plan, exchange, sum(term.total for term in terms))

    def _laid(self, index: int) -> _Laid | None:
        if index not in self._laid_out:
            work = self._scan.works[index]
            self._laid_out[index] = self._lay_out(work) if applies_to(work.task, self._name) else None
        return self._laid_out[index]

    def _lay_out(self, work: TaskWork) -> _Laid | None:
        name, task, chain = work.name, work.task, self._chain
        if task.kind == "write":
            return _Laid((), (write_exchange(name, task, chain),), (), (), ())
        reads = tuple(read_exchanges(name, task, chain))
        if not reads:
            return None
        count = len(chain.nodes)
        values = () if is_block(task.reads) else accumulate((channels(task, n) for n in chain.nodes), max)
        return _Laid(
            (trigger_exchange(name, chain),) if task.kind == "measure" else (),
            reads,
            tuple(values),
            tuple(_longest_waits(work, chain)),
            tuple(self._busy(each, count) for each in reads) if reads[0].style == "polled" else (),
        )
