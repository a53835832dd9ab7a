"""The idle gap that parts frames, and the shortest pulse that is more than a glitch, out of the plan."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.captures.course import planned_scans
from chainplan.chain.network import Chain
from chainplan.quantity import bit_time

Trace = Literal["busy", "edges"]


def chains_at(scan: ControllerScan, port: str) -> list[Chain]:
    """Return the chains that a port is head or back of."""
    return [chain for chain in scan.controller.chains if port in (chain.head, chain.back)]


def longest_pause(chains: Iterable[Chain], trace: Trace) -> int:
    """Return how long a frame can be quiet on its way, fs.

    A busy signal may drop in the gap between characters. A raw trace has no edge in a character of equal
    bits either, start or stop bit included.
    """
    pauses = [0]
    for chain in chains:
        protocol = chain.protocol
        quiet = protocol.character.wire.max * bit_time(protocol.bit_rate).max if trace == "edges" else 0
        pauses.append(protocol.byte_gap.max + quiet)
    return max(pauses)


def shortest_bit(chains: Iterable[Chain]) -> int:
    """Return the shortest bit on the wire, fs: what is shorter is a glitch."""
    return min(bit_time(chain.protocol.bit_rate).min for chain in chains)


def idle_gap(scan: ControllerScan, port: str, pause: int, resolution: int) -> int:
    """Return the gap that parts frames, fs: half-way from the longest pause within to the shortest between.

    Where a gap of the plan can be as short as such a pause, it is just that pause, so that as few frames as
    possible look like one.
    """
    _, planned = planned_scans(scan, port)
    least = pause + resolution
    gaps = [frame.gap.min - resolution for each in planned.values() for frame in each.frames[1:]]
    shortest = min(gaps, default=least)
    return (least + shortest) // 2 if shortest > least else least
