"""Faults that one controller finds and another unit reacts to: the way over the uplink is in the FRTI.

The reader's evaluation has found the fault when the FDTI is over, and from then on its messages say so. The
next one is released one period P later at the latest and arrives after its response time R; a master on the
way adds its evaluation (period P_h, run time C_h) and a message of its own; the unit that reacts has just run
its evaluation:

    FRTI = sum over messages of (P + R) + sum over units of (P_h + C_h) + command + opening

(turns * P for a message whose values go out in turns: the fault may stand in any of them, and each unit on
the way must see every frame: :func:`chainplan.budgets.uplink.end_to_end_age.overlooked`.)

Where so many frames must tell it one after another (`reported_times`), each further one comes P later; a unit
that finds the newest frame alone sees it at the first of its evaluations that is P + R after the last.

Of several messages that tell the same fault the last one counts, unless the plan says that the first does.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.uplink.buses import Bus, Message, messages_of
from chainplan.budgets.uplink.end_to_end_age import evaluation_terms, on_the_way, overlooked
from chainplan.budgets.values.latency import (
    HazardLatency,
    fastest_paths,
    interval,
    latency_budget,
    slowest_chain,
)
from chainplan.budgets.values.recognition import NEVER
from chainplan.chain.build import Unit
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.layout import EvaluationPlan
from chainplan.plan.schedule import Hazard
from chainplan.quantity import TIME


class Reported(NamedTuple):
    """The hazards that another unit reacts to: their latencies, or why there is no bound for one."""

    latencies: dict[str, HazardLatency]
    unbounded: dict[str, str]


class _MessageWay(NamedTuple):
    """From the reader's evaluation to the memory of whoever hears the last message."""

    terms: tuple[Term, ...]
    typical: tuple[Term, ...]
    names: tuple[str, ...]
    unbounded: str

    @property
    def worth(self) -> tuple[bool, int]:
        """Sort key: the later of two ways last."""
        return bool(self.unbounded), sum(term.total for term in self.terms)


@budget
def hazard_paths(
    scans: dict[str, ControllerScan], units: dict[str, Unit], hazards: dict[str, Hazard]
) -> dict[str, dict[str, HazardLatency | None]]:
    """The fastest way of every hazard on each chain; None where it may never be recognised."""
    return {name: fastest_paths(name, hazard, scans, units) for name, hazard in hazards.items()}


@budget
def reported(
    scans: dict[str, ControllerScan],
    buses: dict[str, Bus],
    units: dict[str, Unit],
    hazards: dict[str, Hazard],
    hazard_paths: dict[str, dict[str, HazardLatency | None]],
) -> Reported:
    """The latencies of the hazards that another unit reacts to, and the hazards without a bound."""
    found: dict[str, HazardLatency] = {}
    unbounded = {name: NEVER for name, ways in hazard_paths.items() if None in ways.values()}
    messages = messages_of(buses)
    for name, hazard in hazards.items():
        if hazard.reaction_at is None or not buses:
            continue
        each: list[HazardLatency] = []
        for controller, scan in scans.items():
            for latency in latency_budget({controller: scan}, units, {name: hazard}):
                way, missing = _counting(units, messages, hazard, controller)
                if way is None:
                    unbounded[name] = f"{controller} sends no {missing}"
                elif way.unbounded:
                    unbounded[name] = way.unbounded
                else:
                    each.append(_with_reaction(units, hazard, latency, way))
        if each and name not in unbounded:
            found[name] = max(each, key=lambda latency: latency.handling.total)
    return Reported(found, unbounded)


@budget
def latencies(
    hazard_paths: dict[str, dict[str, HazardLatency | None]], reported: Reported
) -> list[HazardLatency]:
    """Every hazard's way from fault to safe state, as far as there is a bound."""
    found = [each for ways in hazard_paths.values() if (each := slowest_chain(ways)) is not None]
    known = [reported.latencies.get(each.hazard, each) for each in found]
    return [each for each in known if each.hazard not in reported.unbounded]


def _counting(
    units: dict[str, Unit], messages: dict[str, Message], hazard: Hazard, controller: str
) -> tuple[_MessageWay | None, str]:
    """Return the deciding path of a controller's report, or None with the messages that are missing.

    By each message it is the slowest; of several messages the slowest again, or the fastest.
    """
    reported_by = hazard.reported_by or ()
    unit = hazard.reaction_at or ""
    ways = {
        name: _slowest(units, messages, name, controller, unit, hazard.reported_times) for name in reported_by
    }
    known = [way for way in ways.values() if way is not None]
    missing = [name for name, way in ways.items() if way is None]
    last = hazard.reported_with == "last"
    if not known or (missing and last):
        return None, " nor ".join(missing)
    return (max if last else min)(known, key=lambda each: each.worth), ""


def _slowest(
    units: dict[str, Unit], messages: dict[str, Message], name: str, controller: str, unit: str, times: int
) -> _MessageWay | None:
    """Return the slowest way of a finding to a unit by the message named; None where there is none."""
    known: dict[str, _MessageWay | None] = {}

    def way(message: Message) -> _MessageWay | None:
        if message.name not in known:
            before = [seen(each, message.sender) for each in heard(message)]
            known[message.name] = _way(units, message, controller, before)
        return known[message.name]

    def seen(message: Message, by: str) -> _MessageWay | None:
        found = way(message)
        why = overlooked(message, by, units[by].evaluation) if found else ""
        return found and found._replace(unbounded=found.unbounded or why)

    def heard(message: Message) -> list[Message]:
        return [each for each in messages.values() if each.family in message.plan.forwards]

    ways = [
        _repeated(found, each, units[unit].evaluation, times)
        for each in messages.values()
        if each.family == name and (found := seen(each, unit)) is not None
    ]
    return max(ways, key=lambda each: each.worth, default=None)


def _repeated(way: _MessageWay, message: Message, evaluation: EvaluationPlan, times: int) -> _MessageWay:
    """Return a way at whose end so many frames must tell the same one after another."""

    def terms(case: Case) -> tuple[Term, ...]:
        plan, response = message.plan, message.response.time
        period = plan.multiplexed_over * plan.period[case]
        if case is Case.WORST and plan.received == "newest" and response is not None:
            look = evaluation.period.max
            period = -(-(period + response.total) // look) * look
        return nonzero(Term(f"further frames of {message.name}", period, times - 1)) if times > 1 else ()

    worst, typical = way.terms + terms(Case.WORST), way.typical + terms(Case.TYPICAL)
    return way._replace(terms=worst, typical=typical)


def _way(
    units: dict[str, Unit], message: Message, controller: str, before: list[_MessageWay | None]
) -> _MessageWay | None:
    """Return the way by a message that its sender finds out itself, or was told before."""
    if message.plan.forwards:
        ways = [each for each in before if each is not None]
        if not ways:
            return None
        slowest = max(ways, key=lambda each: each.worth)
        worst, typical = (
            evaluation_terms(message.sender, units[message.sender].evaluation, case)
            for case in (Case.WORST, Case.TYPICAL)
        )
    elif message.sender == controller:
        slowest, worst, typical = _MessageWay((), (), (), ""), (), ()
    else:
        return None
    why = message.response.unbounded
    return _MessageWay(
        (*slowest.terms, *worst, *on_the_way(message, message.response, Case.WORST)),
        (*slowest.typical, *typical, *on_the_way(message, message.typical_response, Case.TYPICAL)),
        (*slowest.names, message.name),
        slowest.unbounded or (f"{message.name}: {why}" if why else ""),
    )


def _with_reaction(
    units: dict[str, Unit], hazard: Hazard, latency: HazardLatency, way: _MessageWay
) -> HazardLatency:
    unit = hazard.reaction_at or ""
    actuator = units[unit].actuators[hazard.reaction]

    def react(case: Case) -> Sum:
        terms = way.typical if case is Case.TYPICAL else way.terms
        return Sum(
            f"FRTI of {latency.hazard}",
            TIME,
            nonzero(
                *terms,
                *evaluation_terms(unit, units[unit].evaluation, case),
                Term("command to the actuator", actuator.command[case]),
                Term("actuator opens", actuator.opening[case]),
            ),
            "message periods and response times + evaluations on the way + command + opening",
            "ISO 26262-1:2018, 3.59",
        )

    path = f"{latency.path}, reported to {unit} by {' and '.join(way.names)}"
    return replace(latency, path=path, reaction=react(Case.WORST), react=react)


HANDLING = Kind[HazardLatency](
    "fault handling time",
    TIME,
    ("hazard",),
    "fault handling",
    lambda latency: latency.longest,
    lambda latency: latency.typical_handling,
    sums=lambda latency: (latency.handling, None),
    named="latency/{}",
    sense="below",
    where=lambda latency: latency.controller,
    note=lambda latency: latency.path,
    asked=lambda plan: plan.hazards,
)


DETECTION = interval(
    "fault detection time",
    "fault handling",
    "latency/{}",
    lambda latency: latency.detection,
    lambda latency: latency.typical_detection,
)

REACTION = interval(
    "fault reaction time",
    "fault handling",
    "latency/{}",
    lambda latency: latency.reaction,
    lambda latency: latency.typical_reaction,
)


@DETECTION.of
def detection_times(latencies: list[HazardLatency]) -> Iterator[Figure]:
    """From a fault until the controller has found it (FDTI, ISO 26262-1:2018, 3.55)."""
    return (DETECTION(latency.hazard, item=latency) for latency in latencies)


@REACTION.of
def reaction_times(latencies: list[HazardLatency]) -> Iterator[Figure]:
    """From the finding of a fault to the safe state (FRTI, ISO 26262-1:2018, 3.59)."""
    return (REACTION(latency.hazard, item=latency) for latency in latencies)


@HANDLING.of
def handling_times(
    latencies: list[HazardLatency], reported: Reported, hazards: dict[str, Hazard]
) -> Iterator[Figure]:
    """From a fault to the safe state (FHTI), below its FTTI (ISO 26262-1:2018, 3.61)."""
    for latency in latencies:
        yield HANDLING(latency.hazard, item=latency, limit=latency.ftti)
    for name, why in reported.unbounded.items():
        yield HANDLING(name, limit=hazards[name].ftti.min, note=why, boundless=True)
