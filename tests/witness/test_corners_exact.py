"""With every duration at one end, the simulated runs and scans are exactly as long as computed."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest
from lab_plans import BRIDGES, LAYOUTS, RELAYS, lab

from chainplan.evaluation import Evaluation
from chainplan.figures.terms import Case
from chainplan.witness.compare import phases_of
from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults, LostReads
from chainplan.witness.pack import Pack
from chainplan.witness.record import ControllerRecord
from chainplan.witness.simulate import simulate

SCANS = 6  # the major cycle of tasks every 1, 2 and 3 scans


def observed(
    evaluation: Evaluation, draw: Draw, faults: Faults | None = None, scans: int = SCANS
) -> ControllerRecord:
    record = simulate(
        Pack.of(evaluation.plan), phases_of(evaluation), scans, draw, faults=faults if faults else Faults()
    )
    return record.controllers["C"]


def assert_exact(evaluation: Evaluation) -> None:
    scan = evaluation.scans["C"]
    for draw, case in ((Draw("worst"), Case.WORST), (Draw("best"), Case.BEST)):
        record = observed(evaluation, draw)
        for run in scan.runs[case]:
            task = record.tasks[run.task]
            assert task.length.min == task.length.max == run.length
        reserve = scan.reserve.total if case is Case.WORST else 0
        assert record.scan_time.max == scan.scan_time(case).total - reserve


@pytest.mark.parametrize("relays", RELAYS)
@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_one_chain_takes_exactly_the_computed_time(style: str, relays: str) -> None:
    for bridge in BRIDGES:
        for shape in ("open", "ring", "across") if style == "summation" else ("open", "ring"):
            assert_exact(lab(style=style, relays=relays, shape=shape, bridge=bridge))


@pytest.mark.parametrize("set_up_by", ["one core", "each port"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_several_chains_and_ports_take_exactly_the_computed_time(layout: str, set_up_by: str) -> None:
    for style, relays, bridge in product(("summation", "sequential", "polled"), ["mixed"], BRIDGES):
        wanted: dict[str, Any] = {"style": style, "relays": relays, "bridge": bridge}
        assert_exact(lab(**wanted, layout=layout, set_up_by=set_up_by))


@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
@pytest.mark.parametrize("retries", [1, 3])
def test_retries_use_up_exactly_the_reserve(style: str, retries: int) -> None:
    evaluation = lab(style=style, bridge="whole frames", controller={"retry_reserve": retries})
    scan = evaluation.scans["C"]
    # The longest read of all is that of the cells, first block, whole chain or of one of the far nodes.
    reached = set()
    for read in range(sum(map(len, scan.works[1].reads.values()))):
        lost = LostReads("cells", attempts=retries, read=read, missing=True)
        record = observed(evaluation, Draw("worst"), Faults(lost=(lost,)))
        assert record.lost == 0
        assert record.scan_time.max is not None
        assert record.scan_time.max <= scan.worst.total
        reached.add(record.scan_time.max)
    assert max(reached) == scan.worst.total


def test_a_read_that_stays_lost_is_no_scan_the_bound_speaks_of() -> None:
    evaluation = lab(controller={"retry_reserve": 0})
    lost = LostReads("cells", every=2, first=1, missing=True)
    record = observed(evaluation, Draw("worst"), Faults(lost=(lost,)), scans=12)
    assert record.scan_time.count == record.scan_time_beyond.count == 6
    assert record.scan_time.max == evaluation.scans["C"].worst.total
    time_outs = 2 * 200 * 10**9  # two reads of the cells, each given up after its time-out
    shortest = evaluation.scans["C"].runs[Case.WORST][1].length  # a scan in which nothing else is due
    assert record.scan_time_beyond.min == shortest + time_outs


def test_a_near_node_that_turns_round_slowly_holds_up_the_answers() -> None:
    assert_exact(lab(turn_arounds=("5 us", "5 ms")))
