"""Which simulations press hardest on the bounds: corners, faults at the worst instant, and drawn ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import lcm

from chainplan.budgets.scan import ControllerScan
from chainplan.budgets.schedule import TaskWork
from chainplan.budgets.terms import Case as End
from chainplan.chain.network import Chain
from chainplan.evaluation import Evaluation
from chainplan.plan.schedule import Hazard, Task
from chainplan.quantity import Span
from chainplan.witness.compare import Path, paths_of
from chainplan.witness.draw import Draw
from chainplan.witness.faults import CellFault, ChainLoss, Cut, Faults, LostReads
from chainplan.witness.noise import Noise
from chainplan.witness.play import Case

_ALL = 1_000_000_000
"""More attempts, or runs, than any simulation has."""

_MOST_SCANS = 10_000
_MOST_RUNS = 64


def cases(
    evaluation: Evaluation, *, scans: int = 200, seeds: int = 4, noise: Noise | None = None
) -> list[Case]:
    """Return the simulations that press hardest on the bounds, and `seeds` drawn ones of each kind.

    Corners: everything at its worst and best end, and for every task that fetches samples the oldest one.
    Faults: for every hazard one just after a sample, with as many readings lost as it tolerates, or just
    after a chain's last answer; drawn ones at any instant. With a `noise`, the drawn ones once more under it.
    `scans` per simulation, more where a corner needs a whole major cycle, at most 10 000.
    """
    plan = evaluation.plan
    cycle = lcm(*(scan.phases.major_cycle for scan in evaluation.scans.values()))
    scans = max(scans, min(2 * cycle, _MOST_SCANS))
    found = [Case("all at worst", Draw("worst"), scans), Case("all at best", Draw("best"), scans)]
    drawn: list[CellFault] = []
    for scan in evaluation.scans.values():
        for work in scan.works:
            if work.task.kind != "write":
                found += _oldest_samples(scan, work, scans)
        for path in paths_of(plan.hazards, scan):
            if path.hazard.kind == "chain loss":
                found += _cuts(path, scan)
            else:
                fault = _cell_fault(path, scan)
                found += _latest_finds(fault, scan, plan.tasks[path.task], scans)
                drawn.append(replace(fault, instant="random", evaluation="any time"))
    for draw in (Draw("each device"), Draw("each event")):
        faults = Faults(cell=tuple(drawn))
        found.append(Case(f"drawn, {draw.kind}", draw, scans, seeds, faults=faults))
        if noise is not None:
            noisy = replace(faults, noise=noise)
            found.append(Case(f"drawn, {draw.kind}, bit errors", draw, scans, seeds, seeds, noisy))
    return found


def _reaction(scan: ControllerScan, hazard: Hazard) -> tuple[Span, Span]:
    if hazard.reaction_at:
        return Span(0, 0, 0), Span(0, 0, 0)  # what happens over the uplink is not played
    actuator = scan.controller.plan.actuators[hazard.reaction]
    return actuator.command, actuator.opening


def _cell_fault(path: Path, scan: ControllerScan) -> CellFault:
    hazard = path.hazard
    return CellFault(
        path.name,
        path.task,
        hazard.debounce,
        hazard.lost_readings,
        hazard.sensor_lag,
        reaction=_reaction(scan, hazard),
        controller=scan.controller.name,
    )


def _oldest_samples(scan: ControllerScan, work: TaskWork, scans: int) -> Iterator[Case]:
    """Yield the corner of the oldest sample, its successor coming in time or with the last spare retry."""
    every = 3 if work.task.overlap else 2
    name = f"oldest sample of {work.name} on {scan.controller.name}"
    for first in (0, 1):
        draw = Draw("early then late", work.name, every, first)
        yield Case(name, draw, scans)
        late = _late_read(scan, work.name, every, first + every - 1)
        if late:
            yield Case(f"{name}, retried", draw, scans, faults=Faults(lost=late))


def _late_read(scan: ControllerScan, task: str, every: int, first: int) -> tuple[LostReads, ...]:
    """Return what lets a task's longest read succeed with the last spare retry only."""
    retries = scan.controller.plan.retry_reserve
    if not retries:
        return ()
    work = next(work for work in scan.works if work.name == task)
    run = next(run for run in scan.runs[End.WORST] if run.task == task)
    length = {step.exchange: step.end - step.start for step in run.reads}
    reads = [exchange for exchanges in work.reads.values() for exchange in exchanges]
    longest = max(range(len(reads)), key=lambda number: length[reads[number]])
    return (LostReads(task, every, first, retries, longest, missing=True),)


def _latest_finds(fault: CellFault, scan: ControllerScan, task: Task, scans: int) -> Iterator[Case]:
    """Yield the corner in which a fault is found last: after a best-case sample everything is late.

    The readings that may be lost are lost, and the deciding one comes with the last spare retry.
    """
    armed = 1 if task.overlap else 0  # the run whose read brings the first run's samples
    every = fault.debounce + fault.tolerated + 1
    for first in (0, 1):
        lost = [
            LostReads(fault.task, every, first + armed + 1 + number, _ALL)
            for number in range(fault.tolerated)
        ]
        lost += _late_read(scan, fault.task, every, first + armed + every - 1)
        draw = Draw("early then late", fault.task, every, first)
        needed = max(scans, task.every * (first + 2 * every + 2))
        faults = Faults(lost=tuple(lost), cell=(fault,))
        yield Case(f"latest find of {fault.name}", draw, needed, faults=faults)


def _cuts(path: Path, scan: ControllerScan) -> Iterator[Case]:
    """Yield a cut of the first, a middle and the last segment of every chain that the task reads."""
    work = next(work for work in scan.works if work.name == path.task)
    read = {exchange.chain for reads in work.reads.values() for exchange in reads}
    loss = ChainLoss(
        path.name,
        path.task,
        path.hazard.debounce,
        reaction=_reaction(scan, path.hazard),
        controller=scan.controller.name,
    )
    run = _run_before_the_greatest_shift(scan, path.task, path.hazard.debounce)
    draw = Draw("early then late", path.task, _ALL, run)
    scans = work.task.every * (run + path.hazard.debounce + 3)
    for chain in scan.controller.chains:
        for segment in _segments_to_cut(chain) if chain.name in read else ():
            cut = Cut(chain.name, segment, task=path.task, run=run)
            faults = Faults(cuts=(cut,), loss=(loss,))
            yield Case(f"{path.name}: {chain.name} cut at segment {segment}", draw, scans, faults=faults)


def _run_before_the_greatest_shift(scan: ControllerScan, task: str, runs: int) -> int:
    """Return the run of a task from which its slot can move most until so many runs later."""
    index = [work.name for work in scan.works].index(task)
    every, phase = scan.periods[index], scan.phases.phases[index]

    def start(run: int, end: End) -> int:
        slots = scan.slots(phase + run * every, end)
        return next(slot.start for slot in slots if slot.task == task)

    tried = range(2, 2 + min(scan.phases.major_cycle // every, _MOST_RUNS))
    return max(tried, key=lambda run: start(run + runs, End.WORST) - start(run, End.BEST))


def _segments_to_cut(chain: Chain) -> list[int]:
    last = len(chain.nodes)
    return sorted({1, last // 2 + 1, last})
