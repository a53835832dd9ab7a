"""One run of a task on one controller: which exchange runs when, and how long the run takes.

The host's ways, which the times follow from:

- a task starts on all ports of its controller together and ends when the last port has ended; the next
  task starts then;
- a port runs one exchange at a time, in order: chain by chain, block by block, node by node;
- where one core sets the exchanges up, it serves the ports in rotation, a fixed order: first exchange of
  every port, then the second of every port, and so on;
- a measure task sends the triggers of all its chains, waits the longest conversion of any of its nodes,
  then reads; with `overlap` it reads the conversion started by its last run instead of waiting;
- a task that is sent from the back of rings turns them before all else, and turns them back at its end;
- where a task pauses balancing, a node stops it when the trigger has arrived, lets its inputs settle, samples
  and converts, and goes on balancing: the wait is the longest of settling and conversion together.

Every time is then a sum and maximum of durations, so the run with every duration at its worst is the
worst run: no shorter exchange anywhere can make it longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

from chainplan.budgets.scanning.exchange import (
    Exchange,
    Style,
    exchange_terms,
    read_exchanges,
    trigger_exchange,
    write_exchange,
)
from chainplan.budgets.scanning.wire import Way, bit_time_of, way_along
from chainplan.chain.ends import as_sent
from chainplan.chain.network import Chain, Controller, Node, ScanSettings, makes
from chainplan.figures.terms import Case, Term, nonzero
from chainplan.plan.fields import ZERO
from chainplan.plan.layout import HostBus
from chainplan.plan.schedule import Task
from chainplan.quantity import Span


class Step(NamedTuple):
    """An exchange in its place: times since the run began, fs.

    `start` is when its set-up begins, `wire` when its first bit leaves the port, `end` when the host has
    everything in memory and the port is free.
    """

    exchange: Exchange
    port: str
    start: int
    wire: int
    end: int


class TaskWork(NamedTuple):
    """What a task does on one controller: its exchanges, port by port."""

    name: str
    task: Task
    triggers: dict[str, list[Exchange]]
    reads: dict[str, list[Exchange]]
    wait: int
    """What the host waits for between triggers and reads: the longest settling and conversion, fs."""
    settling: int = 0
    """The part of `wait` in which paused balancing settles, fs."""
    turn: Span = ZERO
    """What it takes to turn its rings round, before and once more after, fs."""

    @property
    def requests(self) -> list[Exchange]:
        """Return all exchanges that fetch something, or write, port by port."""
        return [exchange for exchanges in self.reads.values() for exchange in exchanges]

    @property
    def exchanges(self) -> list[Exchange]:
        """Return all exchanges of a run: triggers, then reads."""
        return [*(each for exchanges in self.triggers.values() for each in exchanges), *self.requests]

    def on(self, chain: Chain) -> list[Exchange]:
        """Return what is sent on a chain of the network, by whichever of its ports: triggers, then reads."""
        met = as_sent(self.task, chain).name
        return [exchange for exchange in self.exchanges if exchange.chain == met]


def applies_to(task: Task, chain: Chain) -> bool:
    """Tell whether a task runs on a chain: on all, or on those named, by family or by copy."""
    if task.chains is None:
        return True
    return chain.name in task.chains or chain.family in task.chains


def pause_on(task: Task, node: Node) -> Span:
    """Return how long a node's inputs settle before it samples, where a task pauses its balancing.

    A node that has no conversion to make for the task pauses for nothing: it answers what it holds.
    """
    balancing = node.type.balancing
    if balancing is None or not task.pause_balancing:
        return ZERO
    if (task.conversion or task.reads) not in node.type.conversions:
        return ZERO
    return balancing.settling


def conversion_waits(task: Task, chain: Chain) -> list[tuple[int, int]]:
    """Return the longest (settling, conversion) after a task's trigger, fs, of each make that converts."""
    wanted = task.conversion or task.reads
    return [
        (pause_on(task, make.node).max, make.node.type.conversions[wanted].time.max)
        for make in makes(chain.nodes)
        if wanted in make.node.type.conversions
    ]


def task_work(name: str, task: Task, chains: tuple[Chain, ...]) -> TaskWork:
    """Lay out a task's exchanges on the ports of chains, of which the outlines are enough."""
    triggers: dict[str, list[Exchange]] = {}
    reads: dict[str, list[Exchange]] = {}
    waits = [(0, 0)]
    turn = ZERO
    for found in chains:
        if not applies_to(task, found):
            continue
        chain = as_sent(task, found)
        writes = task.kind == "write"
        sent = [write_exchange(name, task, chain)] if writes else read_exchanges(name, task, chain)
        if not sent:
            continue
        reads.setdefault(chain.head, []).extend(sent)
        if chain.ring:
            turn = task.turn
        if task.kind == "measure":
            triggers.setdefault(chain.head, []).append(trigger_exchange(name, chain))
            if not task.overlap:
                waits += conversion_waits(task, chain)
    settling, conversion = max(waits, key=sum)
    return TaskWork(name, task, triggers, reads, settling + conversion, settling, turn)


def chains_read(works: tuple[TaskWork, ...], chains: tuple[Chain, ...]) -> tuple[Chain, ...]:
    """Return a controller's chains as its tasks meet them: all, and rings from the back where a task does so.

    Of outlines it returns outlines.
    """
    turned = {
        met.name: met
        for work in works
        if work.task.sent_from != "head"
        for chain in chains
        if applies_to(work.task, chain) and (met := as_sent(work.task, chain)) is not chain
    }
    return (*chains, *turned.values()) if turned else chains


class Ways:
    """The ways along all chains of a controller in one case, summed up once.

    Rings that a task reads from the back have a way once more, from there.
    """

    def __init__(self, controller: Controller, chains: tuple[Chain, ...], case: Case) -> None:
        self.case = case
        self.chains = {chain.name: chain for chain in chains}
        self.ways: dict[str, Way] = {name: way_along(chain, case) for name, chain in self.chains.items()}
        self._times: dict[tuple[object, ...], int] = {}
        self._bus = controller.settings.host_bus
        self._costs: dict[tuple[object, ...], tuple[int, int]] = {}

    def terms(self, exchange: Exchange) -> tuple[Term, ...]:
        """Return the terms of an exchange's time on the wire."""
        return exchange_terms(self.chains[exchange.chain], self.ways[exchange.chain], exchange, self.case)

    def time(self, exchange: Exchange) -> int:
        """Return an exchange's time on the wire, the sum of its terms, fs."""
        shape = shape_of(exchange)
        found = self._times.get(shape)
        if found is None:
            found = self._times[shape] = sum([term.amount * term.times for term in self.terms(exchange)])
        return found

    def cost(self, exchange: Exchange) -> tuple[int, int]:
        """Return the time over the host bus to the first bit on the wire, and from there to the end, fs."""
        shape = shape_of(exchange)
        found = self._costs.get(shape)
        if found is None:
            out = bus_out(self._bus, exchange, self.case)
            back = bus_in(self._bus, exchange, self.case)
            found = self._costs[shape] = out, self.time(exchange) + back
        return found


def shape_of(exchange: Exchange) -> tuple[object, ...]:
    """Return what sets an exchange's time; exchanges of several tasks can have it in common."""
    return exchange.chain, exchange.style, exchange.request, exchange.answers, exchange.node


class Run:
    """One run of a task on a controller in one case. `terms` add up to `length`, fs."""

    def __init__(self, work: TaskWork, controller: ScanSettings, ways: Ways) -> None:
        self.task = work.name
        self._work, self._controller, self._ways = work, controller, ways
        self._turn = work.turn[ways.case]
        self.triggers, self._triggered = _stage(work.triggers, controller, ways, self._turn)
        self.reads, ended = _stage(work.reads, controller, ways, self._triggered + work.wait)
        self.length = ended + self._turn

    @cached_property
    def terms(self) -> tuple[Term, ...]:
        """Return what the run's length is made of: the lists of the port that ends last, and the waits."""
        work = self._work
        sent = self._triggered - self._turn
        return (
            *nonzero(Term("turn of the ring, there and back", self._turn, 2)),
            *_stage_terms(work.triggers, self.triggers, sent, self._controller, self._ways),
            *nonzero(
                Term("wait until paused balancing has settled", work.settling),
                Term("wait for the longest conversion", work.wait - work.settling),
            ),
            *_stage_terms(
                work.reads,
                self.reads,
                self.length - self._turn - self._triggered - work.wait,
                self._controller,
                self._ways,
            ),
        )


def run_task(work: TaskWork, controller: ScanSettings, ways: Ways) -> Run:
    """Play one run of a task in the case of `ways`: every duration at that end of its tolerance."""
    return Run(work, controller, ways)


def _stage(
    lists: dict[str, list[Exchange]], controller: ScanSettings, ways: Ways, begin: int
) -> tuple[tuple[Step, ...], int]:
    """Run the ports' lists side by side from `begin`; return the steps and the end."""
    if not lists:
        return (), begin
    set_up = controller.set_up[ways.case]
    one_core = controller.set_up_by == "one core"
    steps: list[Step] = []
    free = dict.fromkeys(lists, begin)
    core = begin
    for turn in range(max(map(len, lists.values()))):
        for port, exchanges in lists.items():
            if turn >= len(exchanges):
                continue
            exchange = exchanges[turn]
            start = max(free[port], core) if one_core else free[port]
            core = start + set_up
            out, on_wire = ways.cost(exchange)
            wire = core + out
            free[port] = end = wire + on_wire
            steps.append(Step(exchange, port, start, wire, end))
    return tuple(steps), max(free.values())


def _stage_terms(
    lists: dict[str, list[Exchange]],
    steps: tuple[Step, ...],
    length: int,
    controller: ScanSettings,
    ways: Ways,
) -> tuple[Term, ...]:
    """Return a stage's length as the terms of the port that ends last, and what that port waits."""
    if not steps:
        return ()
    terms = _list_terms(lists[max(steps, key=lambda step: step.end).port], controller, ways)
    waiting = length - sum(term.total for term in terms)
    return (*terms, *nonzero(Term("waiting for the host core", waiting)))


def _list_terms(exchanges: Sequence[Exchange], controller: ScanSettings, ways: Ways) -> tuple[Term, ...]:
    """Return one port's list as terms, those of one label and amount in one line."""
    bus = controller.host_bus
    gathered: dict[tuple[Style, str], dict[int, int]] = {}

    def gather(style: Style, label: str, amount: int, times: int = 1) -> None:
        amounts = gathered.setdefault((style, label), {})
        amounts[amount] = amounts.get(amount, 0) + times

    for exchange in exchanges:
        style = exchange.style
        gather(style, "host set-up", controller.set_up[ways.case])
        gather(style, "host bus, request", bus_out(bus, exchange, ways.case))
        for term in ways.terms(exchange):
            gather(style, term.label, term.amount, term.times)
        gather(style, "host bus, answer", bus_in(bus, exchange, ways.case))
    lines: list[Term] = []
    for (style, label), amounts in gathered.items():
        text = f"{style}: {label}"
        if len(amounts) <= _LINES_PER_LABEL:
            lines += [Term(text, amount, times) for amount, times in amounts.items()]
        else:
            total = sum(amount * times for amount, times in amounts.items())
            lines.append(Term(text, total, how=f"sum of {sum(amounts.values())} that differ"))
    return nonzero(*lines)


_LINES_PER_LABEL = 4
"""Terms of one label that differ in amount and still get a line each."""


def exchange_cost(exchange: Exchange, controller: ScanSettings, ways: Ways) -> int:
    """Return what one exchange takes alone, set-up to answer in memory, fs."""
    return controller.set_up[ways.case] + sum(ways.cost(exchange))


def bus_out(bus: HostBus | None, exchange: Exchange, case: Case) -> int:
    """Return the time from the end of set-up to the first bit on the chain, fs."""
    if bus is None:
        return 0
    whole = exchange.request * bit_time_of(bus.bit_rate)[case] if bus.bridge == "whole frames" else 0
    return bus.latency[case] + whole


def bus_in(bus: HostBus | None, exchange: Exchange, case: Case) -> int:
    """Return the time from the last bit on the chain to the answer in the host's memory, fs."""
    if bus is None or not exchange.answers:
        return 0
    whole = sum(exchange.answers) * bit_time_of(bus.bit_rate)[case] if bus.bridge == "whole frames" else 0
    return bus.latency[case] + whole
