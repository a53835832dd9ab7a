"""How a host serves its ports: when every exchange begins and ends, where core and host bus are shared.

An exchange is a set-up S by the core, its request over the host bus R, its time on the wire W, and its answer
back over the host bus A; its port is busy from the begin of S to the end of A.

- One core sets up the first exchange of every port, then the second of every port, and so on, and waits for a
  port that is still busy. Or every port has a core of its own.
- A bus carries one transfer at a time. Where it serves several ports, `by turns` carries the requests of a
  turn, then its answers, port after port; `port by port` carries an answer and at once the next request of
  the same port. Both wait for the next transfer in their order even if another one is ready.

Such an order makes every instant a longest path through fixed events, sums and maxima of durations: the worst
case is the one with all durations at their worst. Without a known order it is not: a shorter transfer may let
another one ahead that then holds up more. A bound for any order that never lets bus and core idle while they
could work, and for `by turns`, goes turn by turn. Once all exchanges of the turns before are over, an
exchange of the ports on one bus waits at most

- for the core: all set-ups of its turn, of all ports;
- for its bus: R and A of the other ports on it, in its turn and ahead of it in the next one;
- for the longest W of its turn on that bus: while neither core nor bus works for it, all that is left of the
  turn is on the wire.

What one turn did ahead is not waited for again in the next, as long as the same bus decides. A port that has
a core of its own may run ahead of all others on its bus: then all their S, R and A count.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import chain, zip_longest
from typing import NamedTuple

from chainplan.plan.layout import Arbitration


class Legs(NamedTuple):
    """The parts of an exchange, fs: out over the host bus, on the wire, back over it, rest of its gap.

    Its first bit leaves the port `first` fs after its way out has begun.
    """

    out: int
    wire: int
    back: int
    first: int
    rest: int = 0

    @property
    def total(self) -> int:
        """Return how long it takes after its set-up where nothing has to be waited for, fs."""
        return self.out + self.wire + self.back + self.rest


class Timed(NamedTuple):
    """When an exchange begins, when its first bit leaves the port, and when its port is free again, fs."""

    start: int
    wire: int
    end: int


Lists = Mapping[str, Sequence[Legs]]
"""What every port does, one exchange after another."""

Places = dict[str, list[Timed]]


class HostPorts(NamedTuple):
    """What ports have in common: the set-up time, fs, who sets up, and by port the bus that serves it."""

    set_up: int
    one_core: bool
    buses: Mapping[str, tuple[str, ...]]
    order: Arbitration

    def apart(self, ports: Iterable[str]) -> bool:
        """Tell whether no two of the ports are on one bus."""
        used = [bus for port in ports for bus in self.buses.get(port, ())]
        return len(used) == len(set(used))

    def takes_turns(self, ports: Iterable[str]) -> bool:
        """Tell whether the order of the ports counts; without it any order of service is allowed for."""
        return self.order != "any" or self.apart(ports)


def latest(lists: Lists, host: HostPorts) -> Places:
    """Return when every exchange begins and ends at the latest; durations are those of the worst case."""
    return planned(lists, host) if host.takes_turns(lists) else _bounds(lists, host)


def longest(lists: Lists, host: HostPorts) -> int:
    """Return when the last port is free at the latest, fs."""
    if host.takes_turns(lists):
        return last_end(planned(lists, host))
    if not host.one_core:
        return last_end(_bounds(lists, host))
    if max(map(len, lists.values())) == max(map(len, host.buses.values())) == 1:
        return _one_turn(lists, host)
    groups = _on_one_bus(lists, host)
    return _turn_ends(groups, host)[0][-1]


def _one_turn(lists: Lists, host: HostPorts) -> int:
    """Return the same of one exchange on every port, which many faults leave."""
    moved: dict[str, int] = {}
    waits: dict[str, int] = {}
    for port, (legs,) in lists.items():
        key = host.buses[port][0] if host.buses.get(port) else f"port {port}"
        moved[key] = moved.get(key, 0) + legs.out + legs.back
        waits[key] = max(waits.get(key, 0), legs.wire + legs.rest)
    return host.set_up * len(lists) + max([time + waits[key] for key, time in moved.items()])


def earliest(lists: Lists, host: HostPorts) -> Places:
    """Return when every exchange begins and ends at the earliest.

    Where the order of service is not known, that is as if each port had a bus of its own.
    """
    return planned(lists, host if host.order != "any" else host._replace(buses={}))


def planned(lists: Lists, host: HostPorts) -> Places:
    """Return when every exchange begins and ends in the bus's order; without a known one, by turns."""
    return _port_by_port(lists, host) if host.order == "port by port" else _by_turns(lists, host)


def last_end(places: Places) -> int:
    """Return when the last port is free, fs."""
    return max([each[-1].end for each in places.values() if each], default=0)


class _Clock:
    """Core and buses at work on lists of exchanges; every step takes them on in time."""

    def __init__(self, lists: Lists, host: HostPorts) -> None:
        self._lists, self._host = lists, host
        self._core = 0
        self._bus: dict[str, int] = {}
        self._free = dict.fromkeys(lists, 0)
        self._open: dict[str, tuple[int, int, int]] = {}
        self.places: Places = {port: [] for port in lists}

    def request(self, port: str, turn: int) -> None:
        legs, host = self._lists[port][turn], self._host
        free = self._free[port]
        start = max(free, self._core) if host.one_core else free
        self._core = start + host.set_up
        out = self._carried(port, self._core, legs.out)
        self._open[port] = start, out - legs.out + legs.first, out

    def answer(self, port: str, turn: int) -> None:
        legs = self._lists[port][turn]
        start, wire, out = self._open[port]
        self._free[port] = end = self._carried(port, out + legs.wire, legs.back) + legs.rest
        self.places[port].append(Timed(start, wire, end))

    def _carried(self, port: str, ready: int, transfer: int) -> int:
        """Return when a transfer is over that is ready at a time."""
        buses = self._host.buses.get(port)
        if not buses or not transfer:
            return ready + transfer
        bus = buses[0]
        self._bus[bus] = max(self._bus.get(bus, 0), ready) + transfer
        return self._bus[bus]


def _by_turns(lists: Lists, host: HostPorts) -> Places:
    clock = _Clock(lists, host)
    for turn in range(max(map(len, lists.values()), default=0)):
        due = [port for port, legs in lists.items() if turn < len(legs)]
        for port in due:
            clock.request(port, turn)
        for port in due:
            clock.answer(port, turn)
    return clock.places


def _port_by_port(lists: Lists, host: HostPorts) -> Places:
    clock = _Clock(lists, host)
    for port, legs in lists.items():
        if legs:
            clock.request(port, 0)
    for turn in range(max(map(len, lists.values()), default=0)):
        for port, legs in lists.items():
            if turn < len(legs):
                clock.answer(port, turn)
            if turn + 1 < len(legs):
                clock.request(port, turn + 1)
    return clock.places


class _Group:
    """The ports on one bus, or one port alone: the sums of their transfers, turn by turn."""

    def __init__(self, lists: Lists, turns: int) -> None:
        self.lists = lists
        rounds = list(zip_longest(*lists.values()))
        rounds += [()] * (turns - len(rounds))
        there = [[legs for legs in each if legs] for each in rounds]
        self.count = [len(each) for each in there]
        self.moved = [sum([legs.out + legs.back for legs in each]) for each in there]
        self.longest = [max([legs.wire + legs.rest for legs in each], default=0) for each in there]

    def ahead(self, turn: int, set_up: int, port: str = "") -> int:
        """Return what may be done of a turn while the one before goes on, that port's share left out, fs."""
        if len(self.lists) == 1 or turn == len(self.count):
            return 0
        own = self.lists.get(port, ())
        spared = set_up + own[turn].out + own[turn].back if turn < len(own) else 0
        return self.count[turn] * set_up + self.moved[turn] - spared


def _on_one_bus(lists: Lists, host: HostPorts) -> list[_Group]:
    """Return the ports gathered by bus; a port on two buses joins both."""
    gathered: list[tuple[set[str], list[str]]] = []
    for port in lists:
        buses, ports = set(host.buses.get(port, ())), [port]
        for other in [each for each in gathered if each[0] & buses]:
            gathered.remove(other)
            buses, ports = buses | other[0], [*other[1], *ports]
        gathered.append((buses, ports))
    turns = max(map(len, lists.values()), default=0)
    return [_Group({port: lists[port] for port in ports}, turns) for _, ports in gathered]


def _turn_ends(groups: list[_Group], host: HostPorts) -> tuple[list[int], list[list[int]]]:
    """Return when each turn is over at the latest, and by group when its part of each has begun, fs.

    That is what the turns before take, without what was done ahead: it is counted in the turn it belongs to.
    """
    over: list[int] = []
    begun: list[list[int]] = [[] for _ in groups]
    ends, with_ahead = [0] * len(groups), [0] * len(groups)
    for turn in range(len(groups[0].count)):
        set_ups = host.set_up * sum([group.count[turn] for group in groups])
        for number in range(len(groups)):
            start = max([ends[number], *(each for other, each in enumerate(with_ahead) if other != number)])
            begun[number].append(start)
        ends = [
            times[turn] + set_ups + group.moved[turn] + group.longest[turn]
            for times, group in zip(begun, groups, strict=True)
        ]
        both = zip(ends, groups, strict=True)
        with_ahead = [end + group.ahead(turn + 1, host.set_up) for end, group in both]
        over.append(max(with_ahead))
    return over, begun


def _bounds(lists: Lists, host: HostPorts) -> Places:
    """Return the latest instants in any order of service: see the top of this file."""
    groups = _on_one_bus(lists, host)
    found: Places = {}
    if not host.one_core:
        for group in groups:
            found |= {port: _cores_apart(group, port, host.set_up) for port in group.lists}
        return found
    over, begun = _turn_ends(groups, host)
    counts = [sum([group.count[turn] for group in groups]) for turn in range(len(over))]
    for group, starts in zip(groups, begun, strict=True):
        for port, legs in group.lists.items():
            places = []
            for turn, each in enumerate(legs):
                start = (over[turn - 1] if turn else 0) + host.set_up * (counts[turn] - 1)
                bus = starts[turn] + host.set_up * counts[turn] + group.ahead(turn + 1, host.set_up, port)
                wire = bus + group.moved[turn] - each.out - each.back + each.first
                places.append(Timed(start, wire, bus + group.moved[turn] + group.longest[turn]))
            found[port] = places
    return found


def _cores_apart(group: _Group, port: str, set_up: int) -> list[Timed]:
    """Return the latest instants of a port that has a core of its own."""
    own = group.lists[port]
    now = sum([set_up + legs.out + legs.back for legs in chain(*group.lists.values())])
    now -= sum([set_up + legs.out + legs.back for legs in own])
    places: list[Timed] = []
    for turn, legs in enumerate(own):
        start = now if turn else 0
        wire = now + set_up + legs.first
        now += set_up + legs.out + group.longest[turn] + legs.back
        places.append(Timed(start, wire, now))
    return places
