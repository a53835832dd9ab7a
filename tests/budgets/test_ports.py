"""Several ports behind one core and one host bus, beside players that go from event to event.

The worked figures are by hand, in ticks of no size. That such schedules are not monotone is known since
R. L. Graham, Bounds on multiprocessing timing anomalies, SIAM J. Appl. Math. 17 (1969) 416-429 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chainplan.budgets.scanning.ports import (
    HostPorts,
    Legs,
    Places,
    earliest,
    last_end,
    latest,
    longest,
    planned,
)
from chainplan.plan.layout import Arbitration

Exchange = tuple[int, int, int]
"""Request over the bus, wire, answer over the bus."""
Ports = list[list[Exchange]]

POLLS = [(4, 10, 6)] * 3
TWO = [[(4, 20, 16)]] * 2
SLOW_LAST = [POLLS, POLLS, [(4, 50, 6)]]
CROSSED = [[(4, 60, 6), (4, 10, 6)], [(4, 10, 6), (4, 60, 6)]]
TRIGGERS = [[(4, 12, 0)]]


def legs_of(ports: Ports) -> dict[str, list[Legs]]:
    return {
        str(port): [Legs(out, wire, back, out) for out, wire, back in own] for port, own in enumerate(ports)
    }


def host(ports: Ports, set_up: int, order: Arbitration = "any", *, one_core: bool = True) -> HostPorts:
    return HostPorts(set_up, one_core, {str(port): ("bus",) for port in range(len(ports))}, order)


@pytest.mark.parametrize(
    ("ports", "overlapping", "by_turns", "port_by_port", "any_order"),
    [
        # 3 + 4 | 3 + 4 more set-up and request while the first is on the wire, then answer after answer:
        # 7 + 20 + 16 = 43 and 16 more.
        (TWO, 46, 59, 59, 66),
        ([[(4, 20, 16)]] * 3, 49, 75, 75, 89),
        ([POLLS] * 2, 72, 81, 85, 108),
        (SLOW_LAST, 72, 123, 113, 161),
        (CROSSED, 149, 153, 159, 172),
        (TRIGGERS * 2, 22, 23, 23, 26),
        (TRIGGERS * 3, 25, 27, 27, 33),
    ],
)
def test_worked_by_hand(
    ports: Ports, overlapping: int, by_turns: int, port_by_port: int, any_order: int
) -> None:
    lists = legs_of(ports)
    assert last_end(earliest(lists, host(ports, 3))) == overlapping
    assert last_end(latest(lists, host(ports, 3, "by turns"))) == by_turns
    assert last_end(latest(lists, host(ports, 3, "port by port"))) == port_by_port
    assert last_end(latest(lists, host(ports, 3))) == longest(lists, host(ports, 3)) == any_order


@pytest.mark.parametrize("count", range(1, 6))
@pytest.mark.parametrize("exchange", [(1, 1, 1), (4, 20, 16), (9, 60, 5), (4, 1, 16)])
def test_alike_ports_in_closed_form(count: int, exchange: Exchange) -> None:
    # Set-ups and requests pipeline; the last request is out at Q, the answers follow one another.
    out, wire, back = exchange
    ports = [[exchange]] * count
    for set_up in (1, 3, 7):
        requested = set_up + out + (count - 1) * max(set_up, out)
        end = max(requested + wire + back, max(requested, set_up + out + wire) + count * back)
        assert last_end(latest(legs_of(ports), host(ports, set_up, "by turns"))) == end


def test_a_shorter_wire_can_make_all_longer() -> None:
    # First come, first served: 14; one tick less on the first port's wire, and its answer comes home before
    # the other request goes out: 15. So "all at the worst" is not the worst there, and the bound is a sum.
    ports: Ports = [[(1, 3, 1)], [(3, 4, 1)]]
    assert end_of(whoever_is_ready(ports, 3, "first come")) == 14
    shorter: Ports = [[(1, 2, 1)], [(3, 4, 1)]]
    assert end_of(whoever_is_ready(shorter, 3, "first come")) == 15
    assert last_end(latest(legs_of(ports), host(ports, 3))) == 6 + 4 + 2 + 4


def whoever_is_ready(
    ports: Ports,
    set_up: int,
    rule: Literal["first come", "round"],
    buses: Sequence[int] | None = None,
    *,
    one_core: bool = True,
) -> list[list[tuple[int, int]]]:
    """Go from event to event: core and buses never idle while a port waits for them.

    Return, port by port, when each exchange goes on the wire and ends. The core keeps to its turns.
    """
    on = buses or [0] * len(ports)
    stages = [
        [
            each
            for out, wire, back in own
            for each in (
                ("core", set_up),
                (f"bus {on[port]}", out),
                ("wire", wire),
                (f"bus {on[port]}", back),
            )
        ]
        for port, own in enumerate(ports)
    ]
    rounds = [
        port for turn in range(max(map(len, ports))) for port, own in enumerate(ports) if turn < len(own)
    ]
    place, asked, until = [0] * len(ports), [0] * len(ports), [-1] * len(ports)
    holds: dict[str, int] = {}
    last: dict[str, int] = {}
    now, found = 0, [[(0, 0)] * len(own) for own in ports]

    def waiting(kind: str) -> Iterator[int]:
        for port, own in enumerate(stages):
            if place[port] < len(own) and until[port] < 0 and own[place[port]][0] == kind:
                yield port

    def begin(port: int) -> None:
        until[port] = now + stages[port][place[port]][1]

    while any(place[port] < len(own) for port, own in enumerate(stages)):
        for port in waiting("wire"):
            begin(port)
        if one_core:
            if "core" not in holds and rounds and rounds[0] in waiting("core"):
                holds["core"] = rounds.pop(0)
                begin(holds["core"])
        else:
            for port in waiting("core"):
                begin(port)
        for kind in (f"bus {bus}" for bus in set(on)):
            ready = list(waiting(kind))
            if kind not in holds and ready:
                after = last.get(kind, len(ports) - 1)
                keys = {
                    port: (asked[port], port)
                    if rule == "first come"
                    else ((port - after - 1) % len(ports), 0)
                    for port in ready
                }
                holds[kind] = last[kind] = min(ready, key=keys.__getitem__)
                begin(holds[kind])
        now = min(end for end in until if end >= 0)
        for port, end in enumerate(until):
            if end == now:
                kind = stages[port][place[port]][0]
                if holds.get(kind) == port:
                    del holds[kind]
                turn, part = divmod(place[port], 4)
                wired, _ = found[port][turn]
                found[port][turn] = (now, 0) if part == 1 else (wired, now)
                place[port], asked[port], until[port] = place[port] + 1, now, -1
    return found


def end_of(found: list[list[tuple[int, int]]]) -> int:
    return max(own[-1][1] for own in found)


EXCHANGES = st.tuples(st.integers(1, 6), st.integers(1, 12), st.sampled_from((1, 3, 6)))
PORTS = st.lists(st.lists(EXCHANGES, min_size=1, max_size=4), min_size=2, max_size=3)


@settings(deadline=None, max_examples=400)
@given(PORTS, st.integers(1, 4), st.lists(st.integers(0, 1), min_size=3, max_size=3), st.booleans())
def test_no_order_of_service_is_later_than_the_bound(
    ports: Ports, set_up: int, buses: list[int], one_core: bool
) -> None:
    lists = legs_of(ports)
    served = {str(port): (f"bus {buses[port]}",) for port in range(len(ports))}
    shared = HostPorts(set_up, one_core, served, "any")
    bounds = latest(lists, shared)
    assert last_end(bounds) <= longest(lists, shared)
    first = {port: own[:1] for port, own in lists.items()}
    assert last_end(latest(first, shared)) == longest(first, shared)
    for rule in ("first come", "round"):
        found = whoever_is_ready(ports, set_up, rule, buses, one_core=one_core)
        for port, own in enumerate(found):
            for (wired, end), bound in zip(own, bounds[str(port)], strict=True):
                assert (wired <= bound.wire, end <= bound.end) == (True, True)
    assert_within(planned(lists, shared._replace(order="by turns")), bounds)


def assert_within(places: Places, bounds: Places) -> None:
    """Compare every instant of every exchange."""
    for port, own in places.items():
        for place, bound in zip(own, bounds[port], strict=True):
            assert (place.start <= bound.start, place.wire <= bound.wire, place.end <= bound.end) == (
                True,
                True,
                True,
            )


@settings(deadline=None, max_examples=300)
@given(PORTS, st.integers(1, 4), st.data())
def test_a_fixed_order_is_never_longer_with_something_shorter(
    ports: Ports, set_up: int, data: st.DataObject
) -> None:
    port = data.draw(st.integers(0, len(ports) - 1))
    turn = data.draw(st.integers(0, len(ports[port]) - 1))
    shorter = [list(own) for own in ports]
    out, wire, back = shorter[port][turn]
    shorter[port][turn] = (out, data.draw(st.integers(1, wire)), data.draw(st.integers(1, back)))
    for order in ("by turns", "port by port"):
        shared = host(ports, set_up, order)
        assert last_end(latest(legs_of(shorter), shared)) <= last_end(latest(legs_of(ports), shared))


@settings(deadline=None)
@given(PORTS, st.integers(0, 4))
def test_ports_with_buses_and_cores_of_their_own_do_not_wait(ports: Ports, set_up: int) -> None:
    alone = HostPorts(set_up, one_core=False, buses={}, order="any")
    ends = [own[-1].end for own in latest(legs_of(ports), alone).values()]
    assert ends == [sum(set_up + sum(exchange) for exchange in own) for own in ports]
