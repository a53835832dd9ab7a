"""How a controller scans on after a fault: the length of every task's run on what is left of its chains.

The slot table stays as it is: every task keeps its phase, only its runs get shorter or longer. A chain that
is left in two parts is read as two open chains, one on each port. On a ring that is not switched, tasks sent
from its back go on, at most as on the whole ring, which they still turn. Lost nodes are asked no more, and
the last node that is left of an open chain has been told to turn traffic round.

What a fault leaves of a chain is looked up in :mod:`chainplan.budgets.faults.beginnings`, and identical
copies of a chain are laid out once. Where no order among ports counts, a break in one copy is like the same
break in another. The figures are those of
:func:`chainplan.budgets.scanning.scan.scan_budget` on :func:`chainplan.chain.degraded.degraded_network`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

from chainplan.budgets.faults.beginnings import PartReading, Side, longest_waits, retry_beside
from chainplan.budgets.scanning.exchange import exchange_wire_bits
from chainplan.budgets.scanning.host_bus import host_of
from chainplan.budgets.scanning.ports import HostPorts, Legs, longest
from chainplan.budgets.scanning.runs import TaskWork, applies_to
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.values.age import runs_from_sample_to_memory
from chainplan.chain.degraded import Left
from chainplan.chain.ends import as_sent
from chainplan.chain.network import Chain
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.quantity import BITS, TIME

Parts = list[tuple[str, PartReading]]
"""A task's exchanges part by part of the chains, each with its port."""

Sides = list[tuple[str, Side, int]]
"""What is left of a chain: a port, the open chain that is read from there, and how many nodes of it."""


class Rescan(NamedTuple):
    """A controller's scan after a fault, worst case.

    ``lengths[i]`` is the run of task i of the fault-free scan, fs; 0 where the task has nothing left to do.
    """

    scan: ControllerScan
    lengths: tuple[int, ...]
    reserve: Term
    busiest: tuple[int, ...]
    """The tasks of the busiest scan."""
    total: int
    """The busiest scan's time, fs."""
    before: tuple[tuple[tuple[int, ...], ...], ...]
    """By task: every set of tasks that comes before it in some scan."""

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
    def period(self) -> int:
        """Return the longest time from one scan's start to the next, fs."""
        return self.scan.controller.settings.pace(self.total)

    def slot_start(self, index: int) -> int:
        """Return the latest start of a task's slot in any of its scans, since the scan began, fs."""
        return max([sum([self.lengths[other] for other in tasks]) for tasks in self.before[index]])

    def until_run(self, index: int) -> int:
        """Return the longest time from the start of any scan until a task has brought new values, fs.

        The task may just have run; its next run may still fetch what was sampled before (see
        :func:`chainplan.budgets.values.age.runs_from_sample_to_memory`).
        """
        scans = scans_before(self.scan.works[index])
        return self.period * scans + self.slot_start(index) + self.lengths[index] + self.reserve.total


def scans_before(work: TaskWork) -> int:
    """Return how many scans pass at most until the scan in which a task brings values sampled from now on."""
    return work.task.every - 1 + work.task.every * runs_from_sample_to_memory(work.task)


class Rescans:
    """What is left of one controller's scan, for any fault."""

    def __init__(self, scan: ControllerScan) -> None:
        self.scan = scan
        self._host = scan.ways[Case.WORST].host
        self._chains = {chain.name: chain for chain in scan.controller.chains}
        self._across = {name for name, chain in self._chains.items() if chain.plan.read_from == "across"}
        self._sides: dict[tuple[str, bool], tuple[str, Side]] = {}
        self._alike: dict[object, Side] = {}
        self._known: dict[tuple[Left, ...], Rescan] = {}
        self._in_a_copy: dict[tuple[str, int, int], Rescan] = {}

    def after(self, lefts: Sequence[Left]) -> Rescan:
        """Return how the controller scans on with what is left of its broken chains."""
        key = tuple(lefts)
        found = self._known.get(key)
        if found is None:
            alike = None
            if len(key) == 1 and (copy := self._copies[key[0].chain]) is not None:
                alike = copy, key[0].ahead, key[0].behind
                found = self._in_a_copy.get(alike)
            if found is None:
                found, in_turn = self._after(key)
                if alike is not None and not in_turn:
                    self._in_a_copy[alike] = found
            self._known[key] = found
        return found

    def reads(self, index: int, left: Left) -> bool:
        """Tell whether a task that runs on a chain still reads something of what is left of it."""
        return any(
            side.on_first(index).readings[count - 1] is not None for _, side, count in self._left_sides(left)
        )

    @cached_property
    def _copies(self) -> dict[str, str | None]:
        """Return for every chain the first one that it is a copy of; None where it shares a port.

        Copies can change places and nothing else changes but the order of ports: they do the same in every
        task, and their ports are on the same buses or each on buses of their own.
        """
        chains, buses = self._chains.values(), self._host.buses
        ends = {chain.name: [port for port in (chain.head, chain.back) if port] for chain in chains}
        users = Counter(port for ports in ends.values() for port in ports)
        sharing = Counter(
            bus for ports in ends.values() for bus in {each for port in ports for each in buses.get(port, ())}
        )
        shared = {bus: f"bus {bus}" for bus, count in sharing.items() if count > 1}
        firsts: dict[object, str] = {}
        found: dict[str, str | None] = {}
        for chain in chains:
            own: dict[str, int] = {}
            served = tuple(
                tuple([shared.get(bus) or own.setdefault(bus, len(own)) for bus in buses.get(port, ())])
                for port in ends[chain.name]
            )
            done = tuple(
                chain.name in whole
                and tuple([(port == chain.head, part) for port, part in whole[chain.name]])
                for whole in self._whole
            )
            common = self._make(chain), chain.plan.read_from, served, done
            shares = any(users[port] > 1 for port in ends[chain.name])
            found[chain.name] = None if shares else firsts.setdefault(common, chain.name)
        return found

    def _after(self, lefts: tuple[Left, ...]) -> tuple[Rescan, bool]:
        """Return the scan, and whether the order of ports counts in the run of some task."""
        plan = self.scan.controller.settings
        after = {left.chain: self._left_sides(left) for left in lefts}
        host = self._host
        if not self._across.isdisjoint(after):
            host = host_of(plan, self.scan.chains, Case.WORST, after)
        lengths = []
        longest, in_turn = 0, False
        for index in range(len(self.scan.works)):
            parts = self._parts(index, after)
            lengths.append(run_length(parts, host) + self._turns(index, after))
            ports = {port for port, _ in parts}
            triggered = {port for port, part in parts if part.trigger is not None}
            in_turn = in_turn or any(len(each) > 1 and host.takes_turns(each) for each in (ports, triggered))
            if plan.retry_reserve:
                gaps = not host.apart(ports)
                again = [part.retry + gaps * part.gap for _, part in parts if part.retry]  # writes have none
                longest = max([longest, *again])
        busiest = max(self.scan.due_together, key=lambda due: sum([lengths[index] for index in due]))
        reserve = self.scan.reserve._replace(amount=longest)
        left = tuple([index for index in busiest if lengths[index]])
        total = sum([lengths[index] for index in left]) + reserve.total
        return Rescan(self.scan, tuple(lengths), reserve, left, total, self._before), in_turn

    @cached_property
    def _before(self) -> tuple[tuple[tuple[int, ...], ...], ...]:
        """Return by task every set of tasks that comes before it in some scan."""
        return tuple(
            tuple(
                {
                    tuple(other for other in due if other < index)
                    for due in self.scan.due_together
                    if index in due
                }
            )
            for index in range(len(self.scan.works))
        )

    def _turns(self, index: int, after: dict[str, Sides]) -> int:
        """Return what a task takes to turn its rings round and back; those that are switched stay."""
        turn = self.scan.works[index].reversal.max
        whole = self._whole[index]
        turned = (whole[name] for name in whole if name not in after or self._goes_on(index, name))
        return 2 * turn if turn and any(turned) else 0

    def _goes_on(self, index: int, chain: str) -> bool:
        """Tell whether a task is still sent from the back of a broken ring, which nobody has switched."""
        kept = self.scan.controller.settings.recovery is None and self._chains[chain].is_ring
        return kept and self.scan.works[index].task.sent_from == "back"

    def wire_bits(self, lefts: Sequence[Left]) -> Sum:
        """Return the bits on the wires in the scan that carries most, with its terms."""
        bits = list(self._whole_bits)
        for left in lefts:
            for index, whole in self._bits_of[left.chain].items():
                if self._goes_on(index, left.chain):
                    continue
                bits[index] -= whole
                for _, side, count in self._left_sides(left):
                    bits[index] += side.on_first(index).bits[count - 1]
        heaviest = max(self.scan.due_together, key=lambda due: sum(bits[index] for index in due))
        return Sum(
            f"wire bits per scan of {self.scan.controller.name} after the fault",
            BITS,
            nonzero(*(Term(f"task {self.scan.works[index].name}", bits[index]) for index in heaviest)),
            "bits of every task due in the scan that carries most",
        )

    def _parts(self, index: int, after: dict[str, Sides]) -> Parts:
        """Return a task's exchanges, part by part of the chains in their order."""
        found: Parts = []
        for name, whole in self._whole[index].items():
            if name not in after or self._goes_on(index, name):
                found += whole
                continue
            for port, side, count in after[name]:
                part = side.on_first(index).readings[count - 1]
                if part is not None:
                    found.append((port, part))
        return found

    def _left_sides(self, left: Left) -> Sides:
        return [
            (*self._side(left.chain, back), count)
            for back, count in ((False, left.ahead), (True, left.behind))
            if count
        ]

    def _side(self, name: str, back: bool) -> tuple[str, Side]:
        """Return a port of a chain and the open chain that is read from there."""
        key = name, back
        if key not in self._sides:
            chain = self._chains[name]
            alike = back, self._make(chain)
            if alike not in self._alike:
                self._alike[alike] = Side(self.scan, chain, back=back)
            port = chain.back if back and chain.back is not None else chain.head
            self._sides[key] = port, self._alike[alike]
        return self._sides[key]

    def _make(self, chain: Chain) -> object:
        """Return all that the times along a chain depend on; parts of the plan stand for themselves."""
        return (
            id(chain.protocol),
            chain.is_ring,
            tuple((id(node.type), node.cells, node.temperatures) for node in chain.nodes),
            tuple(segment.hop.delay for segment in chain.segments),
        )

    @cached_property
    def _whole(self) -> tuple[dict[str, Parts], ...]:
        """Return every task's exchanges on the chains that it runs on, while nothing is broken."""
        return tuple(
            {
                chain.name: _of_whole(self.scan, work, chain)
                for chain in self.scan.controller.chains
                if applies_to(work.task, chain)
            }
            for work in self.scan.works
        )

    @cached_property
    def _bits_of(self) -> dict[str, dict[int, int]]:
        """Return by chain and task the bits of a run while nothing is broken."""
        return {
            name: {
                index: sum(exchange_wire_bits(chain.protocol, each) for each in work.on(chain))
                for index, work in enumerate(self.scan.works)
                if applies_to(work.task, chain)
            }
            for name, chain in self._chains.items()
        }

    @cached_property
    def _whole_bits(self) -> list[int]:
        """Return by task the bits of a run while nothing is broken."""
        return [
            sum(bits.get(index, 0) for bits in self._bits_of.values())
            for index in range(len(self.scan.works))
        ]


def _of_whole(scan: ControllerScan, work: TaskWork, wired: Chain) -> Parts:
    """Return a task's exchanges on a chain that nothing has befallen; none where it has nothing to do."""
    chain = as_sent(work.task, wired)
    ways = scan.ways[Case.WORST]
    triggers, reads = (
        [each for each in lists.get(chain.head, []) if each.chain == chain.name]
        for lists in (work.triggers, work.reads)
    )
    if not reads:
        return []

    legs = tuple(map(ways.legs, reads))
    times = [each.total for each in legs]
    reading = PartReading(
        ways.legs(triggers[0]) if triggers else None,
        (legs,),
        (len(legs),),
        len(legs),
        sum(times),
        max(times) + retry_beside(scan, chain) if reads[0].answers else 0,
        max(longest_waits(work, chain)) if triggers and not work.task.overlap else 0,
        chain.protocol.frame_gap.max,
    )
    return [(chain.head, reading)]


def run_length(parts: Parts, host: HostPorts) -> int:
    """Return how long a run of a task takes, worst case, fs: triggers, the longest conversion, reads."""
    triggers: dict[str, list[Legs]] = {}
    reads: dict[str, tuple[Legs, ...]] = {}
    wait = 0
    for port, part in parts:
        reads[port] = reads.get(port, ()) + part.reads
        if part.trigger is not None:
            triggers.setdefault(port, []).append(part.trigger)
            wait = max(wait, part.wait)
    if len(reads) == 1:
        busy = sum([part.number * host.set_up + part.busy for _, part in parts])
        sent = sum([host.set_up + legs.total for own in triggers.values() for legs in own])
        return sent + wait + busy
    return (longest(triggers, host) if triggers else 0) + wait + longest(reads, host)
