"""What is alike is told once: things with equal figures together, and of many kinds the tightest."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import Any, TypeVar

from chainplan.budgets.scanning.scan import ControllerScan

_Thing = TypeVar("_Thing")


def gathered(things: Iterable[_Thing], key: Callable[[_Thing], Hashable]) -> list[list[_Thing]]:
    """Return things with equal keys together, in the order in which the first of each came."""
    groups: dict[Hashable, list[_Thing]] = {}
    for thing in things:
        groups.setdefault(key(thing), []).append(thing)
    return list(groups.values())


def tightest(things: Sequence[_Thing], most: int, margin: Callable[[_Thing], Any]) -> list[_Thing]:
    """Return things in their order; of too many those with the least margin, in whatever can be compared."""
    if len(things) <= most:
        return list(things)
    kept = sorted(range(len(things)), key=lambda place: margin(things[place]))[:most]
    return [things[place] for place in sorted(kept)]


def kinds_of_scan(scan: ControllerScan) -> dict[tuple[int, ...], list[int]]:
    """Return the scans of the major cycle by the tasks due in them."""
    kinds: dict[tuple[int, ...], list[int]] = {}
    for number in range(scan.phases.major_cycle):
        kinds.setdefault(tuple(scan.due(number)), []).append(number)
    return kinds
