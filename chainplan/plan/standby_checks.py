"""Checks of balancing, sleep, alarms and supply."""

from __future__ import annotations

from collections.abc import Iterator

from chainplan.plan.findings import Finding, Wrong, above_zero
from chainplan.plan.model import Plan
from chainplan.plan.parts import Currents
from chainplan.plan.problems import KeyPath

_MORE_THAN_IDLE = ("measuring", "communicating")


def check_standby(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Yield everything wrong with what the plan says of balancing, sleep, alarms and supply."""
    for name, cell in plan.cell_types.items():
        yield from above_zero(cell.capacity, ("cell_types", name, "capacity"), "a capacity")
    for name, node in plan.node_types.items():
        if node.balancing is not None:
            here: KeyPath = ("node_types", name, "balancing", "current")
            yield from above_zero(node.balancing.current, here, "a balancing current")
        yield from _currents(wrong, node.currents, ("node_types", name, "currents"))
    yield from _tasks(plan, wrong)
    yield from _alarms(plan, wrong)
    yield from _sleep(plan)
    yield from _target(plan, wrong)


def _currents(wrong: Wrong, currents: Currents, path: KeyPath) -> Iterator[Finding]:
    """A node at work draws at least what it draws at rest; currents that are not given are not compared."""
    given = currents.model_fields_set
    for state in _MORE_THAN_IDLE:
        if not {"idle", state} <= given or wrong.within(*path):
            continue
        if any(work < rest for work, rest in zip(getattr(currents, state), currents.idle, strict=True)):
            message = f"a node draws less while {state} than at rest"
            yield Finding(message, (*path, state), None, "the whole current in this state, at least `idle`")


def _tasks(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    for name, task in plan.tasks.items():
        if task.pause_balancing and task.kind != "measure" and not wrong.unread(("tasks", name, "kind")):
            message = "only a measure task, which has a trigger, can pause balancing"
            yield Finding(message, ("tasks", name, "pause_balancing"), True, "pause_balancing: false")


def _alarms(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    for name, hazard in plan.hazards.items():
        if hazard.alarm is None:
            continue
        path: KeyPath = ("hazards", name, "alarm")
        yield from above_zero(hazard.alarm.check_every, (*path, "check_every"), "a check period")
        unsaid = hazard.alarm.repeat_every is None and not wrong.unread((*path, "repeat_every"))
        if hazard.alarm.lost and unsaid:
            message = "an alarm that is lost has to be sent again"
            yield Finding(message, (*path, "lost"), hazard.alarm.lost, "repeat_every beside it, or lost: 0")
        if hazard.kind == "chain loss" and not wrong.unread(("hazards", name, "kind")):
            message = "an alarm cannot pass a lost chain, so it is no guaranteed way to find it"
            yield Finding(message, path, None, "no alarm for this kind of hazard", at_key=True)


def _sleep(plan: Plan) -> Iterator[Finding]:
    if plan.sleep is None:
        return
    yield from above_zero(plan.sleep.check_every, ("sleep", "check_every"), "a check period")
    yield from above_zero(plan.sleep.ftti, ("sleep", "ftti"), "a ftti")
    for number, what in enumerate(plan.sleep.checks):
        if what in plan.sleep.checks[:number]:
            yield Finding("this is named twice", ("sleep", "checks", number), what, "each once")


def _target(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    target = plan.targets.balancing
    if target is None:
        return
    path: KeyPath = ("targets", "balancing")
    for key in ("imbalance", "charge", "within"):
        yield from above_zero(getattr(target, key), (*path, key), "a target")
    if (target.imbalance is None) == (target.charge is None) and not wrong.within(*path):
        message = "what is to be balanced is either a share of the capacity or a charge"
        yield Finding(message, path, None, "one of imbalance: 2 % and charge: 1.2 Ah", at_key=True)
