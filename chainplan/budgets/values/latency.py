"""From fault to safe state: detection latency per hazard against the fault tolerant time interval.

ISO 26262-1:2018: FHTI (3.56) = FDTI (3.55) + FRTI (3.59), and it must be lower than FTTI (3.61): equality is
a miss. For a quantity read every m scans, debounced over d readings, with up to e readings lost:

    FDTI = (d + e) * m * P + jitter + slot shift + (A - S) + P_h + C_h

where a fault that falls just after a sample waits for the next one, and the host task that judges the
readings (period P_h, run time C_h) has just missed the last one.

A fault may have several guaranteed paths: every task that reads the quantity, and the alarm that nodes raise
themselves (:mod:`chainplan.budgets.values.alarm`). On each chain the fastest counts; of the chains the
slowest, for the fault may be at any cell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property, partial

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.time_outs import any_chain_lost, longest_period
from chainplan.budgets.scanning.wire import frame_time
from chainplan.budgets.values.age import runs_from_sample_to_memory, slot_shift, slowest_value
from chainplan.budgets.values.alarm import Watch, alarm_terms, all_raised, longest_exchange, watch_awake
from chainplan.budgets.values.sampling import Sampling, conversion_on, sampling_of
from chainplan.chain.build import Unit
from chainplan.chain.network import Chain, makes
from chainplan.figures.figure import Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.fields import ZERO
from chainplan.plan.layout import Actuator, EvaluationPlan
from chainplan.plan.readings import READ_BY
from chainplan.plan.schedule import Hazard, Task
from chainplan.plan.standby import AlarmPath
from chainplan.quantity import TIME
from chainplan.remembered import remembered, remembered_for_all


@dataclass(frozen=True)
class HazardLatency:
    """One hazard on the controller where it takes longest."""

    hazard: str
    controller: str
    path: str
    """The guaranteed way the fault becomes known."""
    detection: Sum
    reaction: Sum
    tolerant_time: int
    """FTTI at its shortest, fs."""
    detect: Callable[[Case], Sum] = field(compare=False, repr=False)
    react: Callable[[Case], Sum] = field(compare=False, repr=False)
    asleep: bool = False
    """Whether the controller sleeps when the fault falls."""

    @cached_property
    def typical_detection(self) -> Sum:
        """Return the typical fault detection time interval."""
        return self.detect(Case.TYPICAL)

    @cached_property
    def typical_reaction(self) -> Sum:
        """Return the typical fault reaction time interval."""
        return self.react(Case.TYPICAL)

    @property
    def handling(self) -> Sum:
        """Return the fault handling time interval with its terms."""
        return Sum(
            f"FHTI of {self.hazard}" + (", asleep" if self.asleep else ""),
            TIME,
            (
                Term("FDTI", self.detection.total, parts=self.detection.terms),
                Term("FRTI", self.reaction.total, parts=self.reaction.terms),
            ),
            "FHTI = FDTI + FRTI",
            "ISO 26262-1:2018, 3.56 (FDTI 3.55, FRTI 3.59)",
        )

    @property
    def longest(self) -> int:
        """Return the fault handling time interval, the total of `handling`, without its terms, fs."""
        return self.detection.total + self.reaction.total

    @property
    def typical_handling(self) -> int:
        """Return the typical fault handling time interval, fs."""
        return self.typical_detection.total + self.typical_reaction.total

    @property
    def met(self) -> bool:
        """Tell whether the fault is handled within the tolerant time; equality is a miss (3.55 note 4)."""
        return self.longest < self.tolerant_time


def interval(
    name: str,
    section: str,
    named: str,
    worst: Callable[[HazardLatency], Sum],
    typical: Callable[[HazardLatency], Sum],
) -> Kind[HazardLatency]:
    """Return a kind of figure for one part of the FHTI, whose sum shows the terms of both parts."""
    return Kind[HazardLatency](
        name,
        TIME,
        ("hazard",),
        section,
        lambda latency: worst(latency).total,
        lambda latency: typical(latency).total,
        named=lambda latency: named.format(latency.hazard),
        where=lambda latency: latency.controller,
        note=lambda latency: latency.path,
    )


def latency_budget(
    scans: dict[str, ControllerScan], units: dict[str, Unit], hazards: dict[str, Hazard]
) -> list[HazardLatency]:
    """Return every hazard's latency on the chain where it is longest.

    A hazard that no task and no alarm can show is left out here; the plan's check reports it.
    """
    found = []
    for name, hazard in hazards.items():
        ways = [way for unit, scan in scans.items() for way in _ways(name, hazard, scan, units[unit])]
        if ways:
            found.append(_slowest_chain(ways))
    return found


def _slowest_chain(ways: list[tuple[str, HazardLatency]]) -> HazardLatency:
    """Return the fastest path on each chain, and of these the slowest: all of them are guaranteed."""
    fastest: dict[str, HazardLatency] = {}
    for chain, latency in ways:
        known = fastest.get(chain)
        if known is None or latency.detection.total < known.detection.total:
            fastest[chain] = latency
    return max(fastest.values(), key=lambda latency: latency.longest)


def _ways(name: str, hazard: Hazard, scan: ControllerScan, unit: Unit) -> Iterator[tuple[str, HazardLatency]]:
    """Yield every guaranteed path of a hazard on one controller, once for each chain on which it holds."""
    for index in _paths(hazard, scan):
        latency = _latency(name, hazard, scan, unit, index)
        reads = scan.works[index].reads.values()
        for read in {scan.wires[exchange.chain]: None for exchanges in reads for exchange in exchanges}:
            yield read, latency
    if hazard.alarm is None or hazard.kind == "chain loss":
        return
    for chain in scan.controller.chains:
        if all_raised(hazard, chain):
            yield chain.name, alarm_latency(name, hazard, hazard.alarm, scan, unit, chain)


def alarm_latency(
    name: str, hazard: Hazard, alarm: AlarmPath, scan: ControllerScan, unit: Unit, chain: Chain
) -> HazardLatency:
    """Return a hazard's intervals by the alarm of a chain some of whose nodes watch for it."""
    return hazard_latency(
        name,
        hazard,
        scan.controller.name,
        unit,
        "alarm on a line of its own" if alarm.own_line else "in-band alarm",
        partial(_alarm_terms, hazard, watch_awake(hazard, alarm), chain, scan, unit.evaluation),
        "lag + filter + hits * check period + conversion + way + P_h + C_h",
    )


def _paths(hazard: Hazard, scan: ControllerScan) -> list[int]:
    """Return the tasks of a controller that show a hazard: the named one, or every one that reads it."""
    wanted = READ_BY.get(hazard.kind)
    return [
        index
        for index, work in enumerate(scan.works)
        if work.task.kind != "write"
        and (hazard.task is None or work.name == hazard.task)
        and (wanted is None or hazard.task is not None or work.task.reads == wanted)
    ]


def _latency(name: str, hazard: Hazard, scan: ControllerScan, unit: Unit, index: int) -> HazardLatency:
    detect = _loss_terms if hazard.kind == "chain loss" else _reading_terms
    return hazard_latency(
        name,
        hazard,
        scan.controller.name,
        unit,
        f"task {scan.works[index].name}",
        lambda case: (
            *detect(hazard, scan, index, case),
            *_evaluation_terms(unit.evaluation, case),
        ),
        "(readings) * task period + jitter + slot shift + (A - S) + P_h + C_h",
    )


_ELSEWHERE = Actuator.model_construct(command=ZERO, opening=ZERO)


def hazard_latency(
    name: str,
    hazard: Hazard,
    controller: str,
    unit: Unit,
    path: str,
    detect: Callable[[Case], tuple[Term, ...]],
    formula: str,
) -> HazardLatency:
    """Return a hazard's intervals by one path, whose detection terms `detect` gives for each case.

    The reaction of another unit is not in it: :mod:`chainplan.budgets.values.reported` works that out.
    """
    actuator = _ELSEWHERE if hazard.reaction_at else unit.actuators[hazard.reaction]

    def detected(case: Case) -> Sum:
        return Sum(f"FDTI of {name}", TIME, nonzero(*detect(case)), formula, "ISO 26262-1:2018, 3.55")

    return HazardLatency(
        name,
        controller,
        path,
        detected(Case.WORST),
        _reaction(actuator, name, Case.WORST),
        hazard.tolerant_time.min,
        detected,
        partial(_reaction, actuator, name),
    )


@remembered
def _reaction(actuator: Actuator, hazard: str, case: Case) -> Sum:
    return Sum(
        f"FRTI of {hazard}",
        TIME,
        nonzero(
            Term("command to the actuator", actuator.command[case]),
            Term("actuator opens", actuator.opening[case]),
        ),
        source="ISO 26262-1:2018, 3.59",
    )


@remembered
def _evaluation_terms(evaluation: EvaluationPlan, case: Case) -> tuple[Term, ...]:
    return (
        Term("evaluation has just run", evaluation.period[case]),
        Term("evaluation run time", evaluation.run_time[case]),
    )


def _alarm_terms(
    hazard: Hazard, watch: Watch, chain: Chain, scan: ControllerScan, evaluation: EvaluationPlan, case: Case
) -> tuple[Term, ...]:
    """Return what passes until an alarm on a chain has been judged; one in band waits for the exchange."""
    assert hazard.alarm is not None  # that is what brought us here
    waits = () if hazard.alarm.own_line else (longest_exchange(scan, chain, case),)
    on_the_way = alarm_terms(hazard, watch, chain, case) or ()
    return (*on_the_way, *waits, *_evaluation_terms(evaluation, case))


def _reading_terms(hazard: Hazard, scan: ControllerScan, index: int, case: Case) -> tuple[Term, ...]:
    """Return what passes until the last bad reading is in memory, for a quantity that a task reads."""
    work = scan.works[index]
    plan = scan.controller.settings
    worst = case is Case.WORST
    early = Case.BEST if worst else case
    period = scan.period if worst else plan.scan_period.typical
    lost = hazard.lost_readings if worst else 0
    pipeline = runs_from_sample_to_memory(work.task)
    readings = hazard.debounce + lost + pipeline
    flight = slowest_value(scan, index, early, case)
    counted = f"{hazard.debounce} to debounce" + (f", {lost} lost" if lost else "")
    return (
        Term("sensor lag", hazard.sensor_lag[case]),
        Term("input filter settles", _settling(work.task, scan.outlines, case)),
        Term(
            "task period per reading",
            period * work.task.every,
            readings,
            how=counted + (", 1 in the pipeline" if pipeline else ""),
        ),
        Term("scan jitter", plan.scan_jitter.max if worst else 0),
        Term("shift of the slot between scans", slot_shift(scan, index, readings, early, case)),
        Term("from sampling to memory", flight.time),
        *((scan.reserve,) if worst else ()),
    )


@remembered_for_all
def _settling(task: Task, chains: tuple[Chain, ...], case: Case) -> int:
    """Return the longest that an input filter settles before a task's conversion, fs."""
    return max(
        (
            conversion.settling[case]
            for chain in chains
            for make in makes(chain.nodes)
            if (conversion := conversion_on(task, make.node))
        ),
        default=0,
    )


def _loss_terms(hazard: Hazard, scan: ControllerScan, index: int, case: Case) -> tuple[Term, ...]:
    """Return what passes until the last bad scan of a cut chain or a silent node is noticed.

    The cut falls just after the last bit of the run that needed the lost part; the next run that misses an
    answer is noticed at that exchange's time-out, or after its retries where there is a reserve. One fault
    makes the reads of one chain wait, or those of all chains of a dead port.
    """
    work = scan.works[index]
    plan = scan.controller.settings
    worst = case is Case.WORST
    early = Case.BEST if worst else case
    waits = any_chain_lost(scan) if worst else []
    period = longest_period(scan) if worst else plan.scan_period.typical
    give_up = max((each.until_bad(index) for each in waits), default=0)
    readings = hazard.debounce + (hazard.lost_readings if worst else 0)
    return (
        Term("task period per bad scan", period * work.task.every, readings),
        Term("scan jitter", plan.scan_jitter.max if worst else 0),
        Term("shift of the slot between scans", slot_shift(scan, index, readings, early, case)),
        Term("from the last answer to the first one missed", _first_miss(scan, index, early, case)),
        Term("time-outs", give_up, how="of the scan until the run is bad"),
        *((scan.reserve,) if worst else ()),
    )


def _first_miss(scan: ControllerScan, index: int, early: Case, late: Case) -> int:
    """Return the longest time from the last bit a part of the chain was needed for to its first miss, fs.

    Both counted since their own run's begin, so the result may be negative. A part is the tail of a chain
    (for polled reads: any node with all beyond it); the run is the earliest possible for the last bit and
    the latest for the miss.
    """
    sampling = sampling_of(scan, index, early)
    run = scan.runs[late][index]
    retried = scan.reserve.total > 0 and late is Case.WORST
    needed: dict[tuple[str, int], int] = {}
    for step in scan.runs[early][index].reads:
        part = _part(step.exchange)
        needed[part] = step.wire + _last_bit(sampling, step.exchange, early)
    missed: dict[tuple[str, int], int] = {}
    for step in run.reads:
        missed.setdefault(_part(step.exchange), run.length if retried else step.end)
    return max(missed[part] - passed for part, passed in needed.items())


def _part(exchange: Exchange) -> tuple[str, int]:
    """Return what a read needs last: the tail of its chain (-1), or the polled node."""
    return exchange.chain, -1 if exchange.node is None else exchange.node


def _last_bit(sampling: Sampling, exchange: Exchange, case: Case) -> int:
    """Return when some part of the chain is no longer needed, fs since the request's first bit.

    That is when the farthest node has sent its last bit of an answer; in a ring read across the frame
    leaves the head behind first.
    """
    chain = sampling.chains[exchange.chain]
    way = sampling.ways[exchange.chain]
    node = exchange.node if exchange.node is not None else len(chain.nodes) - 1
    turn = chain.nodes[node].type.turn_around[case]
    if exchange.style == "summation":
        frame = frame_time(chain.protocol, exchange.request + sum(exchange.answers), case)
        return frame if chain.plan.read_from == "across" else frame + way.reach(node, frame) + turn
    request = frame_time(chain.protocol, exchange.request, case)
    answer = frame_time(chain.protocol, exchange.answers[-1], case)
    return request + way.reach(node, request) + turn + answer
