"""One run of a task on one controller: which exchange runs when, and how long the run takes.

The host's ways, which the times follow from:

- a task starts on all ports of its controller together and ends when the last port has ended; the next
  task starts then;
- a port runs one exchange at a time, in order: chain by chain, block by block, node by node; core and host
  bus serve the ports as in :mod:`chainplan.budgets.scanning.ports`;
- a measure task sends the triggers of all its chains, waits the longest conversion of any of its nodes,
  then reads; with `overlap` it reads the conversion started by its last run instead of waiting;
- a task that is sent from the back of rings turns them before all else, and turns them back at its end;
- where a task pauses balancing, a node stops it when the trigger has arrived, lets its inputs settle, samples
  and converts, and goes on balancing: the wait is the longest of settling and conversion together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
from chainplan.budgets.scanning.host_bus import bits_of, host_of, legs_of
from chainplan.budgets.scanning.ports import Legs, Places, earliest, last_end, latest, planned
from chainplan.budgets.scanning.wire import Way, way_along
from chainplan.chain.ends import as_sent
from chainplan.chain.network import Chain, Controller, Node, makes
from chainplan.figures.terms import Case, Term, nonzero
from chainplan.plan.fields import ZERO
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
    reversal: Span = ZERO
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
    """Return the longest (settling, conversion) after a task's trigger, fs, of each make that converts.

    Without a trigger the round that goes on has to end, and the next one where whole rounds are published.
    """
    wanted, free = task.conversion or task.reads, task.kind == "read"
    return [
        (pause_on(task, make.node).max, make.node.type.conversions[wanted].until_ready(free=free))
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
            turn = task.reversal
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
        self.host = host_of(controller.settings, chains, case)
        self._bus = controller.settings.host_bus
        self.shared = not self.host.apart(self.host.buses)
        """Whether a host bus serves several of these ports, the back ports of rings among them."""
        self.apart = self.host.apart({chain.head for chain in chains})
        """Whether no host bus serves two of the ports that tasks ask."""
        self._times: dict[tuple[object, ...], int] = {}
        self._legs: dict[tuple[object, ...], Legs] = {}

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

    @staticmethod
    def missed(chain: Chain, *, apart: bool) -> int:
        """Return what an answer that never comes adds to an exchange, at most, fs.

        Where the ports that a task asks are not `apart` but share a bus, another one's answer may wait until
        this one is given up, its gap over.
        """
        return chain.protocol.time_out.max + (0 if apart else chain.protocol.frame_gap.max)

    def legs(self, exchange: Exchange) -> Legs:
        """Return an exchange's time over the host bus and on the wire, fs."""
        shape = shape_of(exchange)
        found = self._legs.get(shape)
        if found is None:
            wire = self.time(exchange)
            bits = bits_of(self.chains[exchange.chain].protocol, exchange, self.case)
            found = self._legs[shape] = legs_of(self._bus, bits, wire, self.case, shared=self.shared)
        return found

    def places(self, lists: dict[str, list[Exchange]]) -> Places:
        """Return when every exchange of the ports' lists begins and ends; at the latest in the worst case."""
        rule = {Case.BEST: earliest, Case.TYPICAL: planned, Case.WORST: latest}[self.case]
        return rule(self._legs_of(lists), self.host)

    def planned(self, lists: dict[str, list[Exchange]]) -> Places:
        """Return the same where the host serves its ports by turns, or in its own order."""
        return planned(self._legs_of(lists), self.host)

    def _legs_of(self, lists: dict[str, list[Exchange]]) -> dict[str, list[Legs]]:
        return {port: [self.legs(each) for each in exchanges] for port, exchanges in lists.items()}


def shape_of(exchange: Exchange) -> tuple[object, ...]:
    """Return what sets an exchange's time; exchanges of several tasks can have it in common."""
    return exchange.chain, exchange.style, exchange.request, exchange.answers, exchange.node


class Run:
    """One run of a task on a controller in one case. `terms` add up to `length`, fs.

    In the worst case `triggers` and `reads` have their places at the latest; `drawn` are all of them in the
    order in which the host serves its ports.
    """

    def __init__(self, work: TaskWork, ways: Ways) -> None:
        self.task = work.name
        self._work, self._ways = work, ways
        self._turn = work.reversal[ways.case]
        self.triggers, self._triggered = _stage(work.triggers, ways.places, self._turn)
        self.reads, ended = _stage(work.reads, ways.places, self._triggered + work.wait)
        self.length = ended + self._turn

    @cached_property
    def drawn(self) -> tuple[Step, ...]:
        """Return the exchanges in the order of a host that serves its ports by turns, or of its own."""
        triggers, triggered = _stage(self._work.triggers, self._ways.planned, self._turn)
        return (*triggers, *_stage(self._work.reads, self._ways.planned, triggered + self._work.wait)[0])

    @cached_property
    def terms(self) -> tuple[Term, ...]:
        """Return what the run's length is made of: the lists of the port that ends last, and the waits."""
        work = self._work
        return (
            *nonzero(Term("turn of the ring, there and back", self._turn, 2)),
            *_stage_terms(work.triggers, self.triggers, self._triggered - self._turn, self._ways),
            *nonzero(
                Term("wait until paused balancing has settled", work.settling),
                Term("wait for the longest conversion", work.wait - work.settling),
            ),
            *_stage_terms(
                work.reads,
                self.reads,
                self.length - self._turn - self._triggered - work.wait,
                self._ways,
            ),
        )


def _stage(
    lists: dict[str, list[Exchange]], places_of: Callable[[dict[str, list[Exchange]]], Places], begin: int
) -> tuple[tuple[Step, ...], int]:
    """Run the ports' lists side by side from `begin`; return the steps, turn by turn, and the end."""
    if not lists:
        return (), begin
    places = places_of(lists)
    steps = [
        Step(lists[port][turn], port, begin + own[turn].start, begin + own[turn].wire, begin + own[turn].end)
        for turn in range(max(map(len, lists.values())))
        for port, own in places.items()
        if turn < len(own)
    ]
    return tuple(steps), begin + last_end(places)


def _stage_terms(
    lists: dict[str, list[Exchange]], steps: tuple[Step, ...], length: int, ways: Ways
) -> tuple[Term, ...]:
    """Return a stage's length as the terms of the port that is busy longest, and what that port waits."""
    if not steps:
        return ()
    port = max(lists, key=lambda port: sum(exchange_cost(each, ways) for each in lists[port]))
    terms = _list_terms(lists[port], ways)
    waiting = length - sum(term.total for term in terms)
    shared = "host core and bus, which serve" if ways.shared else "host core, which serves"
    return (*terms, *nonzero(Term(f"waiting for the {shared} other ports", waiting)))


def _list_terms(exchanges: Sequence[Exchange], ways: Ways) -> tuple[Term, ...]:
    """Return one port's list as terms, those of one label and amount in one line."""
    gathered: dict[tuple[Style, str], dict[int, int]] = {}

    def gather(style: Style, label: str, amount: int, times: int = 1) -> None:
        amounts = gathered.setdefault((style, label), {})
        amounts[amount] = amounts.get(amount, 0) + times

    for exchange in exchanges:
        style, legs = exchange.style, ways.legs(exchange)
        gather(style, "host set-up", ways.host.set_up)
        gather(style, "host bus, request", legs.first)
        for term in ways.terms(exchange):
            gather(style, term.label, term.amount, term.times)
        gather(style, "host bus, answer", legs.total - legs.first - ways.time(exchange))
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


def exchange_cost(exchange: Exchange, ways: Ways) -> int:
    """Return what one exchange takes alone, set-up to answer in memory, fs."""
    return ways.host.set_up + ways.legs(exchange).total
