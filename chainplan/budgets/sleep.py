"""From fault to safe state while the controller sleeps: the nodes watch, an alarm wakes the controller.

    FDTI = lag + filter + (d + e) * check period + conversion + hops * time per hop + cables
           + controller wakes + evaluation run time

The alarm's way is that of :mod:`chainplan.budgets.alarm`: to the head in an open chain, to the nearer end of
a ring, from the node from which it takes longest. The controller evaluates at once when it has woken.
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

from chainplan.budgets.alarm import Watch, alarm_terms, any_watched
from chainplan.budgets.latency import HazardLatency, hazard_latency
from chainplan.budgets.terms import Case, Term
from chainplan.chain.network import Chain, Controller, Network
from chainplan.plan.readings import READ_BY
from chainplan.plan.schedule import Hazard
from chainplan.plan.standby import SleepPlan


class SleepBudget(NamedTuple):
    """Every hazard that the sleeping nodes watch for, and those that nobody watches for while asleep.

    Those that another unit reacts to are in neither: the plan does not say when the uplink wakes.
    """

    latencies: tuple[HazardLatency, ...]
    not_watched: tuple[str, ...]


def sleep_budget(network: Network) -> SleepBudget | None:
    """Return the latencies while asleep, each on its slowest chain; None without a `sleep` plan."""
    sleep = network.plan.sleep
    if sleep is None:
        return None
    latencies, not_watched = [], []
    for name, hazard in network.plan.hazards.items():
        found = _latencies(name, hazard, sleep, network)
        if found:
            latencies.append(max(found, key=lambda latency: latency.handling.total))
        elif not hazard.reaction_at or READ_BY.get(hazard.kind) not in sleep.checks:
            not_watched.append(name)
    return SleepBudget(tuple(latencies), tuple(not_watched))


def _latencies(name: str, hazard: Hazard, sleep: SleepPlan, network: Network) -> list[HazardLatency]:
    if READ_BY.get(hazard.kind) not in sleep.checks or hazard.reaction_at:
        return []
    return [
        asleep_latency(name, hazard, sleep, chain, controller)
        for controller in network.controllers.values()
        for chain in controller.chains
        if any_watched(hazard, chain)
    ]


def asleep_latency(
    name: str, hazard: Hazard, sleep: SleepPlan, chain: Chain, controller: Controller
) -> HazardLatency:
    """Return a hazard's intervals while asleep, on a chain some of whose nodes watch for it."""
    watch = Watch(sleep.check_every, sleep.debounce, sleep.alarm_per_hop)
    tolerant = (sleep.tolerant_time or hazard.tolerant_time).min
    return hazard_latency(
        name,
        hazard,
        controller,
        "check and alarm of the sleeping nodes",
        partial(_terms, hazard, sleep, watch, chain, controller),
        "lag + filter + hits * check period + conversion + way + controller wakes + C_h",
    )._replace(tolerant_time=tolerant, asleep=True)


def _terms(
    hazard: Hazard, sleep: SleepPlan, watch: Watch, chain: Chain, controller: Controller, case: Case
) -> tuple[Term, ...]:
    return (
        *(alarm_terms(hazard, watch, chain, case) or ()),
        Term("controller wakes", sleep.host_wake[case]),
        Term("evaluation run time", controller.plan.evaluation.run_time[case]),
    )
