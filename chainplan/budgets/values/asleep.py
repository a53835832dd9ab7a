"""From fault to safe state while the controller sleeps: the nodes watch, an alarm wakes the controller.

    FDTI = lag + filter + (d + e) * check period + conversion + hops * time per hop + cables
           + controller wakes + evaluation run time

The alarm's way is that of :mod:`chainplan.budgets.values.alarm`: to the head in an open chain, to the nearer
end of a ring, from the node from which it takes longest. The controller evaluates at once when it has woken.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from chainplan.budgets.values.alarm import Watch, alarm_terms, all_raised, any_shown, watch_asleep
from chainplan.budgets.values.latency import HazardLatency, hazard_latency, interval
from chainplan.chain.build import Unit
from chainplan.chain.network import Chain, Network
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Term
from chainplan.plan.readings import READ_BY
from chainplan.plan.schedule import Hazard
from chainplan.plan.standby import SleepPlan
from chainplan.quantity import TIME


class SleepBudget(NamedTuple):
    """Every hazard that the sleeping nodes watch for, and those that nobody watches for while asleep.

    Those that another unit reacts to are in neither: the plan does not say when the uplink wakes.
    """

    latencies: tuple[HazardLatency, ...]
    not_watched: tuple[str, ...]


@budget
def asleep(
    network: Network, units: dict[str, Unit], hazards: dict[str, Hazard], sleep: SleepPlan | None
) -> SleepBudget | None:
    """From fault to safe state while the controllers sleep, on the slowest chain; None without `sleep`."""
    if sleep is None:
        return None
    latencies, not_watched = [], []
    for name, hazard in hazards.items():
        found = _latencies(name, hazard, sleep, network, units)
        if found:
            latencies.append(max(found, key=lambda latency: latency.handling.total))
        elif not hazard.reaction_at or READ_BY.get(hazard.kind) not in sleep.checks:
            not_watched.append(name)
    return SleepBudget(tuple(latencies), tuple(not_watched))


def _latencies(
    name: str, hazard: Hazard, sleep: SleepPlan, network: Network, units: dict[str, Unit]
) -> list[HazardLatency]:
    if READ_BY.get(hazard.kind) not in sleep.checks or hazard.reaction_at:
        return []
    chains = [chain for chain in network.chains.values() if any_shown(hazard, chain)]
    if not all(all_raised(hazard, chain) for chain in chains):
        return []
    return [asleep_latency(name, hazard, sleep, chain, units[chain.controller]) for chain in chains]


def asleep_latency(name: str, hazard: Hazard, sleep: SleepPlan, chain: Chain, unit: Unit) -> HazardLatency:
    """Return a hazard's intervals while asleep, on a chain some of whose nodes watch for it."""
    watch = watch_asleep(hazard, sleep)
    tolerant = (sleep.ftti or hazard.ftti).min
    latency = hazard_latency(
        name,
        hazard,
        chain.controller,
        unit,
        "check and alarm of the sleeping nodes",
        partial(_terms, hazard, sleep, watch, chain, unit),
        "lag + filter + hits * check period + conversion + way + controller wakes + C_h",
    )
    return replace(latency, ftti=tolerant, asleep=True)


def _terms(
    hazard: Hazard, sleep: SleepPlan, watch: Watch, chain: Chain, unit: Unit, case: Case
) -> tuple[Term, ...]:
    return (
        *(alarm_terms(hazard, watch, chain, case) or ()),
        Term("controller wakes", sleep.host_wake[case]),
        Term("evaluation run time", unit.evaluation.run_time[case]),
    )


HANDLING_ASLEEP = Kind[HazardLatency](
    "fault handling time asleep",
    TIME,
    ("hazard",),
    "start-up",
    lambda latency: latency.longest,
    lambda latency: latency.typical_handling,
    sums=lambda latency: (latency.handling, None),
    named="sleep/{}",
    sense="below",
    where=lambda latency: latency.controller,
    note=lambda latency: latency.path,
    asked=lambda plan: plan.sleep,
)


DETECTION_ASLEEP = interval(
    "fault detection time asleep",
    "start-up",
    "sleep/{}",
    lambda latency: latency.detection,
    lambda latency: latency.typical_detection,
)


@DETECTION_ASLEEP.of
def detection_times_asleep(asleep: SleepBudget | None) -> Iterator[Figure]:
    """From a fault until the controller has woken and found it (FDTI), while the controllers sleep."""
    for latency in asleep.latencies if asleep else ():
        yield DETECTION_ASLEEP(latency.hazard, item=latency)


@HANDLING_ASLEEP.of
def handling_times_asleep(
    asleep: SleepBudget | None, hazards: dict[str, Hazard], sleep: SleepPlan | None
) -> Iterator[Figure]:
    """From a fault to the safe state (FHTI) while the controllers sleep, below its FTTI then."""
    if asleep is None or sleep is None:
        return
    for latency in asleep.latencies:
        yield HANDLING_ASLEEP(latency.hazard, item=latency, limit=latency.ftti)
    for name, hazard in hazards.items():
        if hazard.reaction_at and READ_BY.get(hazard.kind) in sleep.checks:
            limit = (sleep.ftti or hazard.ftti).min
            note = f"the plan does not say when the uplink and {hazard.reaction_at} wake"
            yield HANDLING_ASLEEP(name, limit=limit, note=note)
