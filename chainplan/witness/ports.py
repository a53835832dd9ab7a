"""The ports of a controller: each simulates one exchange at a time, and one core may have to set up all."""

from __future__ import annotations

from collections.abc import Callable
from itertools import chain, zip_longest
from typing import TypeVar

from chainplan.witness.kernel import Kernel, Process, Signal

Item = TypeVar("Item")


def simulate_on_ports(
    kernel: Kernel,
    lists: dict[str, list[Item]],
    set_up: Callable[[], int],
    exchange: Callable[[Item], Process],
    *,
    one_core: bool,
) -> Process:
    """Simulate lists of exchanges, one list per port, side by side; end when the last port has ended.

    One core serves the ports in rotation: the first exchange of every port, then the second of every port,
    and so on; it waits for a port that is still busy. Otherwise each port sets its own up.
    """
    if len(lists) == 1:
        (items,) = lists.values()
        return _one_port(kernel, items, set_up, exchange)
    if one_core:
        return _in_rotation(kernel, lists, set_up, exchange)
    return _side_by_side(kernel, lists, set_up, exchange)


def _one_port(
    kernel: Kernel, items: list[Item], set_up: Callable[[], int], exchange: Callable[[Item], Process]
) -> Process:
    for item in items:
        yield kernel.now + set_up()
        yield from exchange(item)


def _side_by_side(
    kernel: Kernel,
    lists: dict[str, list[Item]],
    set_up: Callable[[], int],
    exchange: Callable[[Item], Process],
) -> Process:
    ended = []
    for items in lists.values():
        ended.append(Signal(kernel))
        kernel.start(_then(_one_port(kernel, items, set_up, exchange), ended[-1]))
    yield from ended


def _in_rotation(
    kernel: Kernel,
    lists: dict[str, list[Item]],
    set_up: Callable[[], int],
    exchange: Callable[[Item], Process],
) -> Process:
    free: dict[str, Signal] = {}
    rounds = zip_longest(*([(port, item) for item in items] for port, items in lists.items()))
    for turn in chain.from_iterable(rounds):
        if turn is None:  # this port's list is shorter
            continue
        port, item = turn
        if port in free:
            yield free[port]
        yield kernel.now + set_up()
        free[port] = Signal(kernel)
        kernel.start(_then(exchange(item), free[port]))
    yield from free.values()


def _then(process: Process, ended: Signal) -> Process:
    yield from process
    ended.fire()
