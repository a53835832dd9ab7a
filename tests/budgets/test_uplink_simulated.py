"""The age of values at the vehicle, checked against a chain of messages simulated event by event."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from itertools import pairwise
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st
from uplink_plans import MS, STAGES, TWO_BUSES, US, message, plan_of, uplink_of

from chainplan.plan.model import Plan


class _Bus:
    """A bus that sends whole frames, the lowest identifier first."""

    def __init__(self) -> None:
        self.queued: list[tuple[int, int, int, tuple[int, ...]]] = []
        """Queueing time, identifier, frame time and content: sampling instants."""

    def send(self, at: int, identifier: int, frame: int, content: tuple[int, ...]) -> None:
        self.queued.append((at, identifier, frame, content))

    def received(self) -> dict[int, list[tuple[int, tuple[int, ...]]]]:
        """Return, by identifier, when each frame ended and what it carried."""
        waiting = sorted(self.queued)
        ready: list[tuple[int, int, int, tuple[int, ...]]] = []
        found: dict[int, list[tuple[int, tuple[int, ...]]]] = {}
        now = place = 0
        while place < len(waiting) or ready:
            if not ready:
                now = max(now, waiting[place][0])
            while place < len(waiting) and waiting[place][0] <= now:
                at, identifier, frame, content = waiting[place]
                heapq.heappush(ready, (identifier, at, frame, content))
                place += 1
            identifier, _, frame, content = heapq.heappop(ready)
            now += frame
            found.setdefault(identifier, []).append((now, content))
        return found


def _latest(held: Sequence[tuple[int, tuple[int, ...]]], at: int) -> tuple[int, ...]:
    """Return what stands in a memory at an instant, given what arrived when; empty before the first."""
    known: tuple[int, ...] = ()
    for arrived, content in held:
        if arrived > at:
            break
        known = content
    return known


def _oldest(held: Sequence[tuple[int, tuple[int, ...]]]) -> int:
    """Return the greatest age just before a replacement."""
    return max(after - min(content) for (_, content), (after, _) in pairwise(held) if content)


def _simulated(
    plan: Plan, seed: int, end: int, begin: dict[str, int] | None = None, *, others: bool = True
) -> int:
    """Simulate the chain of STAGES; return the greatest end-to-end age, fs.

    `begin` holds instants at which streams have an event; all other phases and lags are random. `others`
    lets the messages of OTHERS be sent too.
    """
    random = Random(seed)
    uplink = plan.uplink
    assert uplink is not None

    def grid(name: str, period: int) -> range:
        phase = random.randrange(period)
        return range((begin or {}).get(name, phase) % period, end, period)

    strings, vehicle = _Bus(), _Bus()
    frame = 135 * US
    for number in range(2):
        # Values that are 1.072 ms old arrive every 100 ms.
        memory = [(at, (at - 1072 * US,)) for at in grid(f"memory {number}", 100 * MS)]
        lag = uplink.messages["cells"].jitter.max
        for at in grid(f"cells {number}", uplink.messages["cells"].period.max):
            content = _latest(memory, at)
            if content:
                strings.send(at + random.randint(0, lag), 0x100 + number, frame, content)
    for at in grid("other strings", 7 * MS) if others else ():
        strings.send(at, 0x050, frame, ())
    heard = strings.received()
    judged = []
    for at in grid("evaluation", 10 * MS):
        parts = [_latest(heard[0x100 + number], at) for number in range(2)]
        if all(parts):
            judged.append((at + 3 * MS, (parts[0][0], parts[1][0])))
    for at in grid("pack", uplink.messages["pack"].period.max):
        content = _latest(judged, at)
        if content:
            vehicle.send(at, 0x200, 2 * frame, content)
    for at in grid("other vehicle", 3 * MS) if others else ():
        vehicle.send(at, 0x150, 2 * frame, ())
    return _oldest(vehicle.received()[0x200])


def bound_of(plan: Plan) -> int:
    """Return the computed age of the older of the two strings' values at the vehicle, fs."""
    worst = uplink_of(plan).ages_of("pack")["voltages"][0].time
    assert worst is not None
    return worst.total


OTHERS = {
    "other strings": message(0x050, "7 ms", bus="strings"),
    "other vehicle": message(0x150, "3 ms"),
}


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**32),
    st.sampled_from([9, 37, 41, 100]),
    st.sampled_from([11, 50, 97]),
    st.sampled_from([0, 2]),
)
def test_no_simulated_age_exceeds_the_bound(seed: int, first: int, second: int, lag: int) -> None:
    stages = {
        "cells": STAGES["cells"] | {"period": f"{first} ms", "jitter": f"{lag} ms"},
        "pack": STAGES["pack"] | {"period": f"{second} ms"},
    }
    plan = plan_of(stages | OTHERS, **TWO_BUSES)
    bound = bound_of(plan)
    assert _simulated(plan, seed, end=1500 * MS) <= bound


def test_the_bound_is_reached_but_for_the_instants_just_before() -> None:
    # Every stage has just missed the one before it, by 1 fs: a value arrives just after message 1 has taken
    # the last one along; the message of the other string has just won the bus; and so on.
    plan = plan_of(STAGES, **TWO_BUSES)
    bound = bound_of(plan)
    release = 400 * MS
    evaluation = release + 270 * US - 2
    begin = {
        "memory 0": release - 40 * MS + 1,
        "cells 0": release,
        "cells 1": release - 1,
        "evaluation": evaluation,
        "pack": evaluation + 13 * MS - 1,
    }
    seen = max(_simulated(plan, seed, 1000 * MS, begin, others=False) for seed in range(5))
    assert bound - 4 <= seen <= bound
