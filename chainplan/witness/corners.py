"""Which simulations press hardest on the bounds: corners, faults at the worst instant, and drawn ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from math import lcm
from typing import Literal

from chainplan.budgets.faults.known import Known
from chainplan.budgets.faults.walk import Outcome
from chainplan.budgets.scanning.runs import TaskWork, exchange_cost
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.chain.build import Unit
from chainplan.chain.network import Chain
from chainplan.evaluation import Evaluation
from chainplan.figures.terms import Case
from chainplan.plan.schedule import Hazard, Task
from chainplan.quantity import Span
from chainplan.witness.alarms import Alarms, AsleepAlarms
from chainplan.witness.breaks import Moment, SimulatedBreak
from chainplan.witness.bus import LEFT_OPEN, Rule
from chainplan.witness.compare import Path, paths_of
from chainplan.witness.debounce import Debouncing
from chainplan.witness.draw import Draw
from chainplan.witness.faults import CellFault, ChainLoss, Cut, DeafRuns, Faults, LostReads
from chainplan.witness.noise import SimulatedNoise
from chainplan.witness.simulations import SimulationCase
from chainplan.witness.start import simulate_start

_ALL = 1_000_000_000
"""More attempts, or runs, than any simulation has."""

_DRAWS = (Draw("each device"), Draw("each event"))

_MOST_SCANS = 10_000
_MOST_RUNS = 64


def cases(
    evaluation: Evaluation, *, scans: int = 200, seeds: int = 4, noise: SimulatedNoise | None = None
) -> list[SimulationCase]:
    """Return the simulations that press hardest on the bounds, and `seeds` drawn ones of each kind.

    Corners: everything at its worst and best end, and for every task that fetches samples the oldest one.
    Faults: for every hazard one just after a sample, with as many readings lost as it tolerates, or just
    after a chain's last answer; drawn ones at any instant. With a `noise`, the drawn ones once more under it.
    Start-ups and alarms of nodes, awake and asleep, at their corners and drawn.
    `scans` per simulation, more where a corner needs a whole major cycle, at most 10 000.
    """
    plan = evaluation.plan
    cycle = lcm(*(scan.phases.major_cycle for scan in evaluation.scans.values()))
    scans = max(scans, min(2 * cycle, _MOST_SCANS))
    found = [SimulationCase("all at best", Draw("best"), scans)]
    for rule in rules_left_open(*evaluation.scans.values()):
        name = "all at worst" if rule is None else f"all at worst, bus {rule}"
        found.append(SimulationCase(name, Draw("worst", bus=rule), scans))
    drawn: list[CellFault] = []
    for name, scan in evaluation.scans.items():
        unit = evaluation.units[name]
        for work in scan.works:
            if work.task.kind != "write":
                found += _oldest_samples(scan, work, scans)
        for path in paths_of(evaluation, scan):
            if path.hazard.kind == "chain loss":
                found += _cuts(path, scan, unit)
            else:
                fault = _cell_fault(path, plan.tasks[path.task], name, unit)
                found += _latest_finds(fault, scan, plan.tasks[path.task], scans)
                drawn.append(replace(fault, instant="random", evaluation="any time"))
    for draw in _DRAWS:
        faults = Faults(cell=tuple(drawn))
        found.append(SimulationCase(f"drawn, {draw.kind}", draw, scans, seeds, faults=faults))
        if noise is not None:
            noisy = replace(faults, noise=noise)
            found.append(SimulationCase(f"drawn, {draw.kind}, bit errors", draw, scans, seeds, seeds, noisy))
    found += _start_ups(evaluation, seeds)
    found += _alarms(evaluation, scans, seeds)
    found += _breaks(evaluation, seeds)
    return found


def rules_left_open(*scans: ControllerScan) -> tuple[Rule | None, ...]:
    """Return how a host bus may serve several ports, where a plan leaves it open."""
    hosts = [scan.ways[Case.WORST] for scan in scans]
    return LEFT_OPEN if any(ways.shared and ways.host.order == "any" for ways in hosts) else (None,)


def _start_ups(evaluation: Evaluation, seeds: int) -> Iterator[SimulationCase]:
    """Yield start-ups at their corners, the longest read coming with the last retry, and drawn ones."""
    for draw in (Draw("worst"), Draw("best")):
        yield SimulationCase(f"start-up, all at {draw.kind}", draw, 0, run=simulate_start)
    for scan in evaluation.scans.values():
        late = _latest_read(scan)
        if late:
            name = f"start-up of {scan.controller.name}, retried"
            yield SimulationCase(name, Draw("worst"), 0, faults=Faults(lost=late), run=simulate_start)
    for draw in _DRAWS:
        yield SimulationCase(f"start-up, drawn, {draw.kind}", draw, 0, seeds, run=simulate_start)


def _latest_read(scan: ControllerScan) -> tuple[LostReads, ...]:
    """Return faults that make the longest first read of a controller succeed only on its last retry."""
    longest: tuple[int, tuple[LostReads, ...]] = 0, ()
    ways, plan = scan.ways[Case.WORST], scan.controller.settings
    for work in scan.works:
        reads = work.requests
        for number, exchange in enumerate(reads if plan.retry_reserve else ()):
            time_out = ways.chains[exchange.chain].protocol.time_out.max
            cost = exchange_cost(exchange, ways) + time_out
            if exchange.answers and cost > longest[0]:
                lost = LostReads(work.name, _ALL, 0, plan.retry_reserve, number, missing=True)
                longest = cost, (lost,)
    return longest[1]


def _alarms(evaluation: Evaluation, scans: int, seeds: int) -> Iterator[SimulationCase]:
    """Yield alarms at the worst instant, everything at its worst, and drawn ones, awake and asleep.

    Answers are missing on the controllers that reckon with it.
    """
    plan = evaluation.plan
    if any(hazard.alarm is not None for hazard in plan.hazards.values()):
        lost = tuple(
            LostReads(task, controller=name, missing=True)
            for name, scan in evaluation.scans.items()
            if scan.controller.settings.retry_reserve
            for task in plan.tasks
        )
        yield SimulationCase(
            "alarms at worst", Draw("worst"), scans, faults=Faults(lost=lost), run=Alarms("worst")
        )
        for draw in _DRAWS:
            yield SimulationCase(
                f"alarms drawn, {draw.kind}", draw, min(scans, 20), seeds, run=Alarms("any time")
            )
    if plan.sleep is not None:
        yield SimulationCase("asleep, at worst", Draw("worst"), 0, run=AsleepAlarms("worst"))
        for draw in _DRAWS:
            yield SimulationCase(f"asleep, drawn, {draw.kind}", draw, 0, seeds, run=AsleepAlarms("any time"))


def _reaction(unit: Unit, hazard: Hazard) -> tuple[Span, Span]:
    if hazard.reaction_at:
        return Span(0, 0, 0), Span(0, 0, 0)  # what happens over the uplink is not simulated
    actuator = unit.actuators[hazard.reaction]
    return actuator.command, actuator.opening


def _cell_fault(path: Path, task: Task, controller: str, unit: Unit) -> CellFault:
    hazard = path.hazard
    return CellFault(
        path.name,
        path.task,
        Debouncing.of(hazard),
        0 if task.freshness else task.stale_runs,
        hazard.sensor_lag,
        reaction=_reaction(unit, hazard),
        controller=controller,
    )


def _oldest_samples(scan: ControllerScan, work: TaskWork, scans: int) -> Iterator[SimulationCase]:
    """Yield the corner of the oldest sample, its successor coming in time or with the last spare retry."""
    stale = work.task.stale_runs
    every = (3 if work.task.overlap else 2) + stale
    name = f"oldest sample of {work.name} on {scan.controller.name}"
    rules = rules_left_open(scan)
    for number in range(max(2, len(rules))):
        first, rule = number % 2, rules[number % len(rules)]
        draw = Draw("early then late", work.name, every, first, rule)
        deaf = (DeafRuns(work.name, every, first + 1, stale),) if stale else ()
        yield SimulationCase(name, draw, scans, faults=Faults(deaf=deaf))
        late = _late_read(scan, work.name, every, first + every - 1)
        if late:
            yield SimulationCase(f"{name}, retried", draw, scans, faults=Faults(lost=late, deaf=deaf))


def _late_read(scan: ControllerScan, task: str, every: int, first: int) -> tuple[LostReads, ...]:
    """Return what lets a task's longest read succeed with the last spare retry only."""
    retries = scan.controller.settings.retry_reserve
    if not retries:
        return ()
    reads = next(work for work in scan.works if work.name == task).requests
    ways = scan.ways[Case.WORST]
    longest = max(range(len(reads)), key=lambda number: exchange_cost(reads[number], ways))
    return (LostReads(task, every, first, retries, longest, missing=True),)


def _latest_finds(fault: CellFault, scan: ControllerScan, task: Task, scans: int) -> Iterator[SimulationCase]:
    """Yield the corner in which a fault is found last: after a best-case sample everything is late.

    The readings that may be lost are lost, and the deciding one comes with the last spare retry. Lost ones
    that count as bad may be the first instead, too late for an evaluation to meet them before the next.
    """
    armed = 1 if task.overlap else 0  # the run whose read brings the first run's samples
    debouncing, stale = fault.debouncing, fault.stale_runs
    worst = debouncing.worst(scan.controller.settings.scan_period.min * task.every)
    if worst is None or len(worst) > _MOST_SCANS // task.every:
        return
    patterns = [worst]
    if debouncing.on_lost == "count as bad" and debouncing.tolerated:
        patterns.append([True] * debouncing.tolerated + [False] * len(worst))
    for first, pattern in product((0, 1), patterns):
        every = len(pattern) + 1 + stale
        lost = [
            LostReads(fault.task, every, first + armed + 1 + stale + number, _ALL)
            for number, is_lost in enumerate(pattern)
            if is_lost
        ]
        lost += _late_read(scan, fault.task, every, first + armed + every - 1)
        draw = Draw("early then late", fault.task, every, first)
        needed = max(scans, task.every * (first + 2 * every + 2))
        deaf = (DeafRuns(fault.task, every, first + 1, stale),) if stale else ()
        faults = Faults(lost=tuple(lost), deaf=deaf, cell=(fault,))
        yield SimulationCase(f"latest find of {fault.name}", draw, needed, faults=faults)


def _cuts(path: Path, scan: ControllerScan, unit: Unit) -> Iterator[SimulationCase]:
    """Yield a cut of the first, a middle and the last segment of every chain that the task reads."""
    work = next(work for work in scan.works if work.name == path.task)
    read = {scan.wires[exchange.chain] for exchange in work.requests}
    debouncing = Debouncing.of(path.hazard)
    worst = debouncing.worst(scan.controller.settings.scan_period.min * work.task.every)
    if worst is None or len(worst) > _MOST_SCANS // work.task.every:
        return
    loss = ChainLoss(
        path.name,
        path.task,
        debouncing,
        tuple(worst),
        reaction=_reaction(unit, path.hazard),
        controller=scan.controller.name,
    )
    bad_runs = len(worst)
    run = _run_before_the_greatest_shift(scan, path.task, bad_runs)
    draw = Draw("early then late", path.task, _ALL, run)
    scans = work.task.every * (run + bad_runs + 3)
    for chain in scan.controller.chains:
        for segment in _segments_to_cut(work.task, chain) if chain.name in read else ():
            cut = Cut(chain.name, segment, task=path.task, run=run)
            faults = Faults(cuts=(cut,), loss=(loss,))
            yield SimulationCase(
                f"{path.name}: {chain.name} cut at segment {segment}", draw, scans, faults=faults
            )


def _run_before_the_greatest_shift(scan: ControllerScan, task: str, runs: int) -> int:
    """Return the run of a task from which its slot can move most until so many runs later."""
    index = [work.name for work in scan.works].index(task)
    every, phase = scan.periods[index], scan.phases.phases[index]

    def start(run: int, end: Case) -> int:
        slots = scan.slots(phase + run * every, end)
        return next(slot.start for slot in slots if slot.task == task)

    tried = range(2, 2 + min(scan.phases.major_cycle // every, _MOST_RUNS))
    return max(tried, key=lambda run: start(run + runs, Case.WORST) - start(run, Case.BEST))


def _breaks(evaluation: Evaluation, seeds: int) -> Iterator[SimulationCase]:
    """Yield breaks of some places of some chains at the worst instant, and drawn ones.

    Of chains that are copies of one another the first and the last break, of their places the first, a middle
    and the last, as far as the controller finds out.
    """
    families: dict[tuple[str, str], list[str]] = {}
    for chain in evaluation.network.chains.values():
        families.setdefault((chain.controller, chain.family), []).append(chain.name)
    broken = {name for names in families.values() for name in (names[0], names[-1])}
    for outcome in evaluation.faults.outcomes if broken else ():
        fault = outcome.fault
        if fault.chain not in broken or fault.kind not in ("segment open or shorted", "node silent"):
            continue
        count = len(evaluation.network.chains[fault.chain].nodes)
        here = fault.place in (1, count // 2 + 1, count, count + 1)
        if here and outcome.known is not None:
            recovery = evaluation.faults.recovery(outcome).total
            yield from _breaks_at(evaluation, outcome, outcome.known, recovery, seeds)


def _breaks_at(
    evaluation: Evaluation, outcome: Outcome, known: Known, recovery: int | None, seeds: int
) -> Iterator[SimulationCase]:
    """Yield the breaks at one place; all is read again `recovery` fs after each at the latest.

    None: nothing has to be read again, or nobody knows when it is.
    """
    fault, scan = outcome.fault, evaluation.scans[outcome.fault.controller]
    plan = scan.controller.settings
    alarm = evaluation.plan.hazards.get(known.hazard)
    worst = Debouncing.of(alarm).worst(plan.scan_period.min) if alarm else [False]
    bad_runs = len(worst or ())
    run = _run_before_the_greatest_shift(scan, known.task, bad_runs)
    every, slowest = evaluation.plan.tasks[known.task].every, max(scan.periods)
    after = min(scan.phases.major_cycle, _MOST_RUNS)
    last = known.total if recovery is None else recovery
    scans = every * (run + 1) + last // plan.scan_period.min + slowest + after + 2
    what: Literal["segment", "node"] = "node" if fault.kind == "node silent" else "segment"
    broken = SimulatedBreak(outcome.name, fault.chain, what, fault.place, known.task, run)
    moments: tuple[Moment, ...] = ("as late as can be", "as a scan begins", "action misses a start")
    for moment in moments[:1] if recovery is None else moments:
        retried = plan.retry_reserve > 0
        moved = replace(broken, found=moment, retried=retried, after=after)
        draw = Draw("early then late", known.task, _ALL, run)
        yield SimulationCase(f"{outcome.name}, found {moment}", draw, scans, run=moved)
    drawn = replace(broken, task=None, run=2 * slowest, found="any time")
    for draw in _DRAWS:
        yield SimulationCase(
            f"{outcome.name}, drawn, {draw.kind}", draw, scans + 2 * slowest, seeds, run=drawn
        )


def _segments_to_cut(task: Task, chain: Chain) -> list[int]:
    """Return the first, a middle and the last segment that a task's reads of a chain need."""
    last = len(chain.nodes)
    needed = sorted({1, last // 2 + 1, last})
    return [last + 2 - number for number in needed] if task.sent_from == "back" else needed
