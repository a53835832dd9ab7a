"""Every simulated frame, and every gap between two, lies within the planned bounds.

The simulation (chainplan.witness) shares no formula with them; it draws every value anew each time.
"""

from __future__ import annotations

import os
from itertools import pairwise
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from strategies import plans
from wire_plans import CONFIGS

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.captures.planned import PlannedScan, planned_scan, task_at_port
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.witness.compare import phases_of
from chainplan.witness.draw import Draw
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

PLANS = int(os.environ.get("CHAINPLAN_PLANS", "0"))


class Passed(NamedTuple):
    first: int
    last: int
    way: str


def at_port(evaluation: Evaluation, port: str, draw: Draw, scans: int, seed: int = 0) -> list[Passed]:
    """Simulate scans; return what passed the segment at a port.

    Outward frames are seen at its far end, upstream ones where they enter it.
    """
    chains = [chain for scan in evaluation.scans.values() for chain in scan.chains]
    segments = {(chain.name, 0) for chain in chains if chain.head == port} | {
        (chain.name, len(chain.segments) - 1) for chain in chains if chain.back == port
    }
    passed: list[Passed] = []

    def watch(chain: str, segment: int, way: str, first: int, last: int) -> None:
        if (chain, segment) in segments:
            passed.append(Passed(first, last, way))

    simulate(Pack.of(evaluation.plan), phases_of(evaluation), scans, draw, seed, watcher=watch)
    return passed


def planned(scan: ControllerScan, port: str, number: int) -> PlannedScan:
    tasks = {index: task_at_port(scan, index, port) for index in range(len(scan.works))}
    return planned_scan(tasks, tuple(scan.due(number)))


def followed(scan: ControllerScan) -> list[str]:
    """Return the ports that chains are read from, and those at which one ring's frames come out, not both."""
    heads = {chain.head for chain in scan.chains}
    backs = [
        chain.back for chain in scan.chains if chain.back is not None and chain.plan.read_from == "across"
    ]
    return [*(heads - {*backs}), *(back for back in backs if backs.count(back) == 1 and back not in heads)]


DRAWS = [Draw("best"), Draw("worst"), Draw("each device"), Draw("each event")]


def hold(evaluation: Evaluation, scans: int, seed: int = 0) -> int:
    """Hold every frame against the plan; return how many there were."""
    count = 0
    for scan in evaluation.scans.values():
        for port in followed(scan):
            wanted = [planned(scan, port, number) for number in range(scans)]
            for draw in DRAWS:
                passed = iter(at_port(evaluation, port, draw, scans, seed))
                for each in wanted:
                    frames: list[Passed] = []
                    for frame in each.frames:
                        found = next(passed)
                        if frame.what == "summation frame out and home":
                            found = Passed(found.first, next(passed).last, "both")
                        frames.append(found)
                        assert frame.time.holds(found.last - found.first), (draw, frame, found)
                    for (before, after), frame in zip(pairwise(frames), each.frames[1:], strict=True):
                        gap = after.first - before.last
                        assert frame.gap.holds(gap), (draw, port, frame, gap)
                    count += len(frames)
                assert next(passed, None) is None
    return count


@settings(max_examples=PLANS or 10)
@given(plans())
def test_every_simulated_frame_is_inside(plan: Plan) -> None:
    hold(Evaluation(plan), 5)


@pytest.mark.parametrize("name", ["harbour-ferry", "mine-locomotive", "quarry-truck", "rail-trolley"])
def test_examples_are_inside(name: str) -> None:
    assert hold(Evaluation(load_plan(CONFIGS / f"{name}.yaml").plan), 6) > 100
