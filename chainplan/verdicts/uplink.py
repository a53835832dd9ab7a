"""The uplink against its targets: deadlines, the load of each bus, and the age of what arrives."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from chainplan.plan.readings import READ_BY
from chainplan.quantity import RATIO, TIME
from chainplan.verdicts.verdict import Verdict

if TYPE_CHECKING:
    from chainplan.budgets.uplink import Age
    from chainplan.budgets.uplink_buses import Bus, Message
    from chainplan.evaluation import Evaluation


def uplink_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield a verdict per deadline, per bus where its load is limited, and per age that is limited.

    Of the copies of a message the worst is judged.
    """
    uplink = evaluation.uplink
    yield from _told(evaluation)
    if uplink is None:
        return
    targets = evaluation.plan.targets
    for bus in uplink.buses.values():
        if targets.uplink_load:
            load, usual, figure = bus.load.total, bus.typical_load.total, f"uplink/{bus.name}"
            limit = targets.uplink_load.min
            yield Verdict("uplink load", bus.name, load, "at most", limit, RATIO, figure, typical=usual)
        for copies in bus.families.values():
            if copies[0].judged:
                yield _deadline(bus, copies[0])
    for family, most in targets.age_at_vehicle.items():
        by_task = uplink.ages_of(family)
        if not by_task:
            note = "no controller that sends this message samples what it carries"
            yield Verdict("age at the vehicle", family, None, "at most", most.min, TIME, "", note=note)
        for ages in by_task.values():
            yield _age(family, ages[0], most.min)


def _told(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield the hazards that another unit cannot be told of in time, whatever that is, and those asleep."""
    if evaluation.told is None:
        return
    hazards = evaluation.plan.hazards
    for name, why in evaluation.told.unbounded.items():
        limit = hazards[name].tolerant_time.min
        yield Verdict("fault handling time", name, None, "below", limit, TIME, "", note=why, boundless=True)
    sleep = evaluation.plan.sleep
    for name, hazard in hazards.items():
        if hazard.reaction_at and sleep is not None and READ_BY.get(hazard.kind) in sleep.checks:
            limit = (sleep.tolerant_time or hazard.tolerant_time).min
            note = f"the plan does not say when the uplink and {hazard.reaction_at} wake"
            yield Verdict("fault handling time asleep", name, None, "below", limit, TIME, "", note=note)


def _deadline(bus: Bus, message: Message) -> Verdict:
    arrival, usual = message.response, message.typical_response.time
    return Verdict(
        "response time",
        f"{bus.name}, {message.family}",
        arrival.time.total if arrival.time else None,
        "at most",
        arrival.deadline,
        TIME,
        f"uplink/{bus.name}/{message.name}" if arrival.time else "",
        "" if message.name == message.family else message.name,
        arrival.unbounded,
        usual.total if usual else None,
        boundless=arrival.time is None,
    )


def _age(family: str, age: Age, limit: int) -> Verdict:
    return Verdict(
        "age at the vehicle",
        f"{family}, {age.task}",
        age.time.total if age.time else None,
        "at most",
        limit,
        TIME,
        age.figure if age.time else "",
        " to ".join(age.path),
        age.unbounded,
        age.typical.total if age.typical else None,
        boundless=age.time is None,
    )
