"""Many simulations: the same result on any number of workers, interrupts, and names that are not there."""

from __future__ import annotations

import pytest
from lab_plans import lab

from chainplan.witness.compare import phases_of
from chainplan.witness.draw import Draw
from chainplan.witness.faults import CellFault, Cut, Faults, LostReads
from chainplan.witness.noise import SimulatedNoise
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate
from chainplan.witness.simulations import SimulationCase, simulate_cases

LAB = lab()
PHASES = phases_of(LAB)
CASES = [
    SimulationCase("noisy", Draw("each event"), 12, seeds=3, faults=Faults(noise=SimulatedNoise(1e-4))),
    SimulationCase(
        "devices", Draw("each device"), 12, seeds=2, faults=Faults(cell=(CellFault("hot", "temperatures"),))
    ),
]


def test_same_seeds_same_result_on_one_worker_and_on_two() -> None:
    alone = simulate_cases(Pack.of(LAB.plan), PHASES, CASES, workers=1)
    together = simulate_cases(Pack.of(LAB.plan), PHASES, CASES, workers=2)
    assert alone == together
    assert alone.done == alone.wanted == 5
    assert not alone.interrupted


def test_other_seeds_other_results() -> None:
    once, again, other = (
        simulate(Pack.of(LAB.plan), PHASES, 6, Draw("each event"), seed) for seed in (1, 1, 2)
    )
    assert once == again
    assert once != other


def test_merged_simulations_count_all_of_them() -> None:
    both = simulate_cases(Pack.of(LAB.plan), PHASES, CASES[1:]).record.controllers["C"]
    single = [
        simulate(Pack.of(LAB.plan), PHASES, 12, Draw("each device"), seed, CASES[1].faults).controllers["C"]
        for seed in (0, 1)
    ]
    assert both.scans == 24
    assert both.scan_time.max == max(each.scan_time.max or 0 for each in single)
    assert both.scan_time.total == sum(each.scan_time.total for each in single)
    assert both.detection["hot"].count == sum(each.detection["hot"].count for each in single)


@pytest.mark.parametrize("workers", [1, 2])
def test_an_interrupt_leaves_what_was_done(workers: int) -> None:
    told = []

    def stop_after_two(done: int, wanted: int) -> None:
        told.append((done, wanted))
        if done == 2:
            raise KeyboardInterrupt

    simulated = simulate_cases(Pack.of(LAB.plan), PHASES, CASES, workers, stop_after_two)
    assert told == [(1, 5), (2, 5)]
    assert simulated.interrupted
    assert (simulated.done, simulated.wanted) == (2, 5)
    assert simulated.record.controllers["C"].scans == 24


def test_noise_leaves_the_drawn_pack_alone() -> None:
    quiet = simulate(Pack.of(LAB.plan), PHASES, 6, Draw("each device"), 4)
    noisy = simulate(Pack.of(LAB.plan), PHASES, 6, Draw("each device"), 4, Faults(noise=SimulatedNoise(1e-9)))
    assert quiet.controllers["C"].scan_time == noisy.controllers["C"].scan_time


@pytest.mark.parametrize(
    "faults",
    [
        Faults(lost=(LostReads("nothing"),)),
        Faults(cell=(CellFault("hot", "nothing"),)),
        Faults(cuts=(Cut("chain 7", 1, at=0),)),
        Faults(cuts=(Cut("chain 1", 10, at=0),)),
    ],
)
def test_faults_on_what_is_not_there_are_refused(faults: Faults) -> None:
    with pytest.raises(ValueError, match=r"nothing|chain 7|9 segments"):
        simulate(Pack.of(LAB.plan), PHASES, 1, faults=faults)


def test_arguments_that_say_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="either at an instant or after"):
        Cut("chain 1", 1)
    with pytest.raises(ValueError, match="counted from 1"):
        Cut("chain 1", 0, at=0)
    with pytest.raises(ValueError, match="watched task"):
        Draw("early then late")
    with pytest.raises(ValueError, match="at least one worker"):
        simulate_cases(Pack.of(LAB.plan), PHASES, CASES, workers=0)
    with pytest.raises(ValueError, match="3 tasks that do something, not 1"):
        simulate(Pack.of(LAB.plan), {"C": (0,)}, 1)


def test_after_a_cut_is_fixed_the_readings_recover() -> None:
    second = 10**15
    cut = Cut("chain 1", 5, at=second // 10, until=second // 4)
    record = simulate(Pack.of(LAB.plan), PHASES, 12, Draw("typical"), faults=Faults(cuts=(cut,)))
    observed = record.controllers["C"]
    # Scans every 50 ms: those at 100 (just when it falls) to 200 ms lose both reads of the cells, and those
    # of the temperatures at 150 ms; the scan at 250 ms is whole again.
    assert observed.tasks["cells"].lost == 6
    assert observed.tasks["temperatures"].lost == 1
    assert observed.recovery.count == 1
    assert observed.recovery.max is not None
    assert observed.recovery.max < second // 100


def test_a_dead_node_takes_all_beyond_it_with_it() -> None:
    polled = lab(style="polled")
    dead = Cut("chain 1", 7, at=0, node=True)
    record = simulate(
        Pack.of(polled.plan), phases_of(polled), 1, Draw("typical"), faults=Faults(cuts=(dead,))
    )
    # Nodes 7, 8 and 9 answer no more: the third of the nodes with two temperatures, one and two; in blocks
    # of four cells node 7 (of 8 cells) has two reads, node 8 (3 cells) one, node 9 (8 cells) two.
    assert record.controllers["C"].tasks["temperatures"].lost == 3
    assert record.controllers["C"].tasks["cells"].lost == 5
