"""Many simulations of a pack over several processes, with the same result on any number of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults
from chainplan.witness.pack import Pack
from chainplan.witness.record import Record
from chainplan.witness.simulate import simulate
from chainplan.workers import worker_pool

Phases = dict[str, tuple[int, ...]]

Run = Callable[[Pack, Phases, int, Draw, int, Faults], Record]
"""What is simulated: scans, a start-up, alarms, a break; on so many scans, with a draw and a seed."""

Progress = Callable[[int, int], None]
"""Told how many simulations of how many are done."""


@dataclass(frozen=True, slots=True)
class SimulationCase:
    """Simulations that differ in their seed only: `seeds` of them, from `first_seed` on."""

    name: str
    draw: Draw
    scans: int
    seeds: int = 1
    first_seed: int = 0
    faults: Faults = field(default_factory=Faults)
    run: Run = simulate


@dataclass(slots=True)
class Simulated:
    """What many simulations observed together, and how far they came."""

    record: Record
    wanted: int
    done: int = 0
    interrupted: bool = False


def simulate_cases(
    pack: Pack,
    phases: Phases,
    cases: Sequence[SimulationCase],
    workers: int = 1,
    progress: Progress | None = None,
) -> Simulated:
    """Simulate all cases, each with all its seeds, and merge what they observed in that order.

    An interrupt (KeyboardInterrupt) ends it early: what is merged by then is returned, and marked.
    Raises ValueError as :func:`~chainplan.witness.simulate.simulate` does, and for less than one worker.
    """
    if workers < 1:
        raise ValueError("simulations need at least one worker")
    units = [(case, case.first_seed + number) for case in cases for number in range(case.seeds)]
    simulated = Simulated(Record(), len(units))
    try:
        with _records(pack, phases, units, workers) as records:
            for record in records:
                simulated.record.merge(record)
                simulated.done += 1
                if progress:
                    progress(simulated.done, simulated.wanted)
    except KeyboardInterrupt:
        simulated.interrupted = True
    return simulated


_Unit = tuple[SimulationCase, int]


@contextmanager
def _records(pack: Pack, phases: Phases, units: list[_Unit], workers: int) -> Iterator[Iterator[Record]]:
    """Yield the records of all units, in their order."""
    if workers == 1 or len(units) < 2:
        yield (_simulate_unit(pack, phases, unit) for unit in units)
        return
    with worker_pool(min(workers, len(units)), _take_over, pack, phases) as pool:
        yield pool.map(_simulate_there, units)


def _simulate_unit(pack: Pack, phases: Phases, unit: _Unit) -> Record:
    case, seed = unit
    return case.run(pack, phases, case.scans, case.draw, seed, case.faults)


_shared: list[tuple[Pack, Phases]] = []
"""In a worker process: the pack it simulates, handed over once."""


def _take_over(pack: Pack, phases: Phases) -> None:
    _shared.append((pack, phases))


def _simulate_there(unit: _Unit) -> Record:
    pack, phases = _shared[0]
    return _simulate_unit(pack, phases, unit)
