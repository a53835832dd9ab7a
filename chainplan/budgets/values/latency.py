"""From fault to safe state: detection latency per hazard against the fault tolerant time interval.

ISO 26262-1:2018: FHTI (3.56) = FDTI (3.55) + FRTI (3.59), and it must be lower than FTTI (3.61): equality is
a miss. For a quantity read every m scans, recognised by n readings at most, lost ones among them:

    FDTI = n * m * P + jitter + slot shift + (A - S) + P_h + C_h

where a fault that falls just after a sample waits for the next one, and the host task that judges the
readings (period P_h, run time C_h) has just missed the last one. How many readings, and what more they take
with an evaluation slower than the scan, is in :mod:`chainplan.budgets.values.recognition`.

A fault may have several guaranteed paths: every task that reads the quantity, and the alarm that nodes raise
themselves (:mod:`chainplan.budgets.values.alarm`). On each chain the fastest counts; of the chains the
slowest, for the fault may be at any cell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property, partial

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.time_outs import run_given_up
from chainplan.budgets.values.age import runs_from_sample_to_memory, slot_shift, slowest_value
from chainplan.budgets.values.alarm import Watch, alarm_terms, all_raised, longest_exchange, watch_awake
from chainplan.budgets.values.chain_loss import loss_terms, lost_runs
from chainplan.budgets.values.recognition import Recognition, arrival_spread, recognition, spread_of_lost
from chainplan.budgets.values.sampling import conversion_on, earliest_sample
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
    ftti: int
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
        """Tell whether the fault is handled within its FTTI; equality is a miss (3.55 note 4)."""
        return self.longest < self.ftti


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
    ways = [fastest_paths(name, hazard, scans, units) for name, hazard in hazards.items()]
    return [found for each in ways if (found := slowest_chain(each)) is not None]


def slowest_chain(fastest: dict[str, HazardLatency | None]) -> HazardLatency | None:
    """Return the slowest of the fastest paths, chain by chain; None where there is none, or not on each."""
    known = [latency for latency in fastest.values() if latency is not None]
    if not known or len(known) < len(fastest):
        return None
    return max(known, key=lambda latency: latency.longest)


def fastest_paths(
    name: str, hazard: Hazard, scans: dict[str, ControllerScan], units: dict[str, Unit]
) -> dict[str, HazardLatency | None]:
    """Return the fastest path on each chain, None where none has a bound: all of them are guaranteed."""
    fastest: dict[str, HazardLatency | None] = {}
    for unit, scan in scans.items():
        for chain, latency in _ways(name, hazard, scan, units[unit]):
            known = fastest.setdefault(chain, latency)
            if known is None or (latency and latency.detection.total < known.detection.total):
                fastest[chain] = latency
    return fastest


def _ways(
    name: str, hazard: Hazard, scan: ControllerScan, unit: Unit
) -> Iterator[tuple[str, HazardLatency | None]]:
    """Yield every path of a hazard on one controller, once for each chain on which it holds."""
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


def _latency(name: str, hazard: Hazard, scan: ControllerScan, unit: Unit, index: int) -> HazardLatency | None:
    """Return a hazard's intervals by a task; None where losses can keep it from being recognised."""
    loss = hazard.kind == "chain loss"
    recognised = lost_runs if loss else _readings
    worst = recognised(hazard, scan, index, unit.evaluation, Case.WORST)
    if worst is None:
        return None

    def detect(case: Case) -> tuple[Term, ...]:
        readings: Recognition | None = worst
        if case is not Case.WORST:
            readings = recognised(hazard, scan, index, unit.evaluation, case)
        assert readings is not None  # without losses there is always a bound
        if loss:
            terms = loss_terms(scan, index, readings, case)
        else:
            terms = _reading_terms(hazard, scan, index, readings, case)
        return (*terms, *_evaluation_terms(unit.evaluation, case))

    return hazard_latency(
        name,
        hazard,
        scan.controller.name,
        unit,
        f"task {scan.works[index].name}",
        detect,
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
        hazard.ftti.min,
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
        Term("wait for the next evaluation", evaluation.period[case]),
        Term("evaluation run time", evaluation.run_time[case]),
    )


def _alarm_terms(
    hazard: Hazard, watch: Watch, chain: Chain, scan: ControllerScan, evaluation: EvaluationPlan, case: Case
) -> tuple[Term, ...]:
    """Return what passes until an alarm on a chain has been judged; one in band waits for the exchange."""
    assert hazard.alarm is not None  # that is what brought us here
    waits = () if hazard.alarm.own_line else (longest_exchange(scan, chain, case),)
    on_the_way = alarm_terms(hazard, watch, chain, case) or ()
    again = hazard.alarm.repeat_every[case] if hazard.alarm.repeat_every else 0
    lost = hazard.alarm.lost if case is Case.WORST else 0
    repeats = nonzero(Term("alarms lost, until sent again", again, lost))
    return (*on_the_way, *repeats, *waits, *_evaluation_terms(evaluation, case))


def _readings(
    hazard: Hazard, scan: ControllerScan, index: int, evaluation: EvaluationPlan, case: Case
) -> Recognition | None:
    """Return the readings of a quantity that a task brings until a fault is recognised.

    A lost one that counts as bad may be known too late to be judged before the next one: then it is as if it
    did not count. Of the two bounds, with the lateness and without the lost ones, the lower holds.
    """

    def until_found(hazard: Hazard, spread: int) -> Recognition | None:
        return recognition(hazard, scan, index, evaluation, case, period, spread)

    settings = scan.controller.settings
    if case is not Case.WORST:
        period = settings.scan_period.typical
        return until_found(hazard, 0)
    period, spread = scan.period, arrival_spread(scan, index)
    if hazard.on_lost != "count as bad" or not hazard.lost_readings:
        return until_found(hazard, spread)
    late = until_found(hazard, spread_of_lost(scan, index))
    uncounted = until_found(hazard.model_copy(update={"on_lost": "hold"}), spread)
    longer = _until_lost(scan, index) - slowest_value(scan, index, Case.BEST, Case.WORST).time
    return min(
        (each for each in (late, uncounted) if each),
        key=lambda each: each.total + each.lost_decides * longer,
        default=None,
    )


def _reading_terms(
    hazard: Hazard, scan: ControllerScan, index: int, readings: Recognition, case: Case
) -> tuple[Term, ...]:
    """Return what passes until the last bad reading is in memory, for a quantity that a task reads."""
    work = scan.works[index]
    plan = scan.controller.settings
    worst = case is Case.WORST
    early = Case.BEST if worst else case
    pipeline = runs_from_sample_to_memory(work.task)
    flight = slowest_value(scan, index, early, case)
    until_lost = _until_lost(scan, index) if readings.lost_decides else flight.time
    shift = slot_shift(scan, index, readings.readings + readings.stale + pipeline, early, case)
    return (
        Term("sensor lag", hazard.sensor_lag[case]),
        Term("input filter settles", _settling(work.task, scan.outlines, case)),
        *readings.terms("task period per reading", pipeline),
        Term("scan jitter", plan.scan_jitter.max if worst else 0),
        Term("shift of the slot between scans", shift),
        Term("from sampling to memory", flight.time),
        Term("until a lost reading is known", until_lost - flight.time),
        *((scan.reserve,) if worst else ()),
    )


def _until_lost(scan: ControllerScan, index: int) -> int:
    """Return the time from a run's earliest sample until a run is over whose reads all time out, fs.

    However soon the value itself would have arrived: that it is lost is known when the run is over.
    """
    return run_given_up(scan, index) - earliest_sample(scan, index, Case.BEST)


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
