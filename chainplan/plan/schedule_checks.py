"""Checks of what the firmware does and what must hold: tasks, hazards and targets, each by itself."""

from __future__ import annotations

from collections.abc import Iterator
from math import lcm
from typing import Any

from chainplan.plan.findings import Finding, Wrong, above_zero, check_name, listed, unknown
from chainplan.plan.layout import ChainPlan
from chainplan.plan.model import Plan
from chainplan.plan.order import back_name, copies
from chainplan.plan.problems import KeyPath, nearest
from chainplan.plan.readings import READ_BY, is_block, is_sampled
from chainplan.plan.schedule import MOST_SCANS, Hazard, Task
from chainplan.quantity import Span

MOST_TASKS = 100
"""Tasks of one plan: their phases are searched for together."""

MOST_HAZARDS = 1000
"""Hazards of one plan: each is judged, and printed."""


def check_schedule(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Yield everything wrong with tasks, hazards and targets that shows without the layout."""
    if len(plan.tasks) > MOST_TASKS:
        yield Finding("too many tasks", ("tasks",), None, f"at most {MOST_TASKS}", at_key=True)
    if len(plan.hazards) > MOST_HAZARDS:
        yield Finding("too many hazards", ("hazards",), None, f"at most {MOST_HAZARDS}", at_key=True)
    yield from _major_cycle(plan)
    chains = _chain_names(plan)
    for name, task in plan.tasks.items():
        yield from _task(plan, wrong, task, ("tasks", name), chains)
    for name, hazard in plan.hazards.items():
        yield from _hazard(plan, wrong, hazard, ("hazards", name))
    yield from _targets(plan, wrong)


def _major_cycle(plan: Plan) -> Iterator[Finding]:
    """Yield the task that fits the others least, if the tasks repeat too rarely."""
    cycle = lcm(*(task.every for task in plan.tasks.values()))
    if cycle <= MOST_SCANS:
        return

    def others(name: str) -> int:
        return lcm(*(task.every for other, task in plan.tasks.items() if other != name))

    odd = min(plan.tasks, key=others)
    every, rest = plan.tasks[odd].every, others(odd)
    fitting = [number for number in range(1, MOST_SCANS + 1) if lcm(rest, number) <= MOST_SCANS]
    near = f", such as {min(fitting, key=lambda number: abs(number - every))}" if fitting else ""
    message = f"the tasks repeat only after {cycle} scans"
    expected = f"tasks that repeat within {MOST_SCANS} scans{near}"
    yield Finding(message, ("tasks", odd, "every"), every, expected)


def _chain_names(plan: Plan) -> set[str]:
    """Return what a task may call a chain: the name of the plan, or that of one copy."""
    return {name for base, chain in plan.chains.items() for name in (base, *copies(base, chain.count))}


def _task(plan: Plan, wrong: Wrong, task: Task, path: KeyPath, chains: set[str]) -> Iterator[Finding]:
    if task.phase is not None and task.phase >= task.every and not wrong.unread((*path, "every")):
        message = "a phase is below the task's period"
        expected = f"0 to {task.every - 1}" if task.every > 1 else "0, or no phase"
        yield Finding(message, (*path, "phase"), task.phase, expected)
    if task.overlap and task.kind != "measure" and not wrong.unread((*path, "kind")):
        yield Finding("only a measure task can overlap", (*path, "overlap"), True, "overlap: false")
    for number, chain in enumerate(task.chains or ()):
        known = chain in chains or wrong.may_exist("chains", chain)
        if not known and not _maybe_copy(plan, wrong, chain):
            yield unknown(chain, (*path, "chains", number), sorted(chains), "chain")
    if task.sent_from == "back":
        yield from _sent_from_back(plan, wrong, task, path, chains)
    elif task.reversal.max and not wrong.unread((*path, "sent_from")):
        message = "a ring that is asked by its head need not be turned"
        yield Finding(message, (*path, "reversal"), None, "sent_from: back beside it", at_key=True)
    yield from _data(wrong, task, path)
    style = task.read_style or "summation"
    if style != "summation" and task.kind != "write":
        for name, protocol in plan.protocols.items():
            bits = protocol.request.max + protocol.check.width.max
            if bits == 0 and any(_runs_with(task, chain, name, base) for base, chain in plan.chains.items()):
                message = f"protocol `{name}` gives a read request no bits, which this style needs"
                yield Finding(message, (*path, "read_style"), style, "request: 2 byte in the protocol")


def _runs_with(task: Task, chain: ChainPlan, protocol: str, base: str) -> bool:
    return chain.protocol == protocol and _runs_on(task, chain, base)


def _runs_on(task: Task, chain: ChainPlan, base: str) -> bool:
    names = (base, *copies(base, chain.count))
    return task.chains is None or any(name in task.chains for name in names)


def _sent_from_back(
    plan: Plan, wrong: Wrong, task: Task, path: KeyPath, chains: set[str]
) -> Iterator[Finding]:
    """Only a ring has a back port, and what goes across it comes in there."""
    here = (*path, "sent_from")
    rings = [name for name, chain in plan.chains.items() if chain.shape == "ring"]
    for name, chain in plan.chains.items():
        if wrong.within("chains", name) or not _runs_on(task, chain, name):
            continue
        if chain.shape != "ring":
            message = f"chain `{name}`, on which this task runs, is open: it has no back port"
            expected = f"head, or `chains: [{', '.join(rings)}]` beside it" if rings else "head"
            yield Finding(message, here, "back", expected)
            return
        protocol = plan.protocols.get(chain.protocol)
        style = task.read_style or (protocol.read_style if protocol else "")
        if chain.read_from == "across" and style == "summation" and task.kind != "write":
            message = (
                f"summation frames of chain `{name}` go across it, so that its return path is used by each"
            )
            yield Finding(message, here, "back", "head, or another `read_style`")
            return
        for copy in copies(name, chain.count):
            if (called := back_name(copy)) in chains:
                message = f"`{called}` is what reads of `{copy}` from its back port are called"
                yield Finding(message, ("chains", called), None, "another name for this chain", at_key=True)


def _maybe_copy(plan: Plan, wrong: Wrong, name: str) -> bool:
    """Tell whether a name could be a copy of a chain whose count could not be read."""
    base = name.rpartition("-")[0]
    return base in plan.chains and wrong.unread(("chains", base, "count"))


def _data(wrong: Wrong, task: Task, path: KeyPath) -> Iterator[Finding]:
    if task.kind == "write" or wrong.within(*path, "kind") or wrong.within(*path, "reads"):
        pass
    elif task.reads == "none":
        yield Finding(f"a {task.kind} task reads something", (*path, "reads"), "none", "cell voltages")
    elif is_block(task.reads):
        if task.data.max < 1:
            message = f"a read of {task.reads} needs the data of one node"
            yield Finding(message, (*path, "data"), None, "data: 2 byte", at_key=True)
    elif task.value is None or task.value.max < 1:
        here = (*path, "value")
        yield Finding("a task that reads values needs their width", here, None, "value: 16 bit", at_key=True)
    for key, amount in (("value", task.value), ("data", task.data)):
        if amount is not None and amount.min != amount.max:
            message = "an amount of data has no tolerance"
            yield Finding(message, (*path, key), None, "one value, such as 4 byte")


def _hazard(plan: Plan, wrong: Wrong, hazard: Hazard, path: KeyPath) -> Iterator[Finding]:
    yield from above_zero(hazard.ftti, (*path, "ftti"), "a ftti")
    if hazard.debounce_time is not None:
        yield from above_zero(hazard.debounce_time, (*path, "debounce_time"), "a time")
        for key in ("debounce", "counter"):
            if key in hazard.model_fields_set and getattr(hazard, key) is not None:
                message = f"readings are debounced by a time, so there is no room for a {key}"
                yield Finding(message, (*path, key), None, f"debounce_time or {key}", at_key=True)
    elsewhere = hazard.reaction_at is not None or wrong.unread((*path, "reaction_at"))
    for controller, part in () if elsewhere else plan.controllers.items():
        if hazard.reaction not in part.actuators and not wrong.within("controllers", controller, "actuators"):
            finding = unknown(hazard.reaction, (*path, "reaction"), part.actuators, "actuator")
            yield finding._replace(message=f"controller `{controller}` has no actuator of this name")
    wanted = READ_BY.get(hazard.kind)
    if hazard.task is not None:
        yield from check_name(plan, wrong, "tasks", hazard.task, (*path, "task"))
    if wrong.within("tasks") or wrong.unread((*path, "kind")):
        return
    fitting = [name for name, task in plan.tasks.items() if shows(task, wanted)]
    if hazard.task in plan.tasks and hazard.task not in fitting:
        expected = listed(fitting) or f"a task that reads {wanted or 'anything'}"
        yield Finding(f"this task does not show a {hazard.kind}", (*path, "task"), hazard.task, expected)
    elif hazard.task is None and not fitting and (hazard.alarm is None or wanted is None):
        message = f"no task reads {wanted or 'anything'}, so this hazard stays unknown"
        yield Finding(message, path, None, "such a task", at_key=True)


def shows(task: Task, wanted: str | None) -> bool:
    """Tell whether a task shows a hazard that `wanted` shows (None: any read does)."""
    return task.kind != "write" and (wanted is None or task.reads == wanted)


def _targets(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    targets = plan.targets
    for key in type(targets).model_fields:
        if isinstance(limit := getattr(targets, key), Span):
            yield from above_zero(limit, ("targets", key), "a target")
    for name, age in targets.sample_age.items():
        yield from above_zero(age, ("targets", "sample_age", name), "a target")
    for key in ("sample_age", "skew", "bytes_per_sample"):
        limits: dict[str, Any] = getattr(targets, key)
        for name in limits:
            path = ("targets", key, name)
            yield from check_name(plan, wrong, "tasks", name, path, at_key=True)
            task = plan.tasks.get(name)
            if task is None or wrong.within("tasks", name):
                continue
            sampling = [other for other, each in plan.tasks.items() if samples(each)]
            if not samples(task) and (key != "bytes_per_sample" or task.kind == "write"):
                message = "this task brings no samples, so there is nothing to check against the target"
                yield Finding(message, path, None, listed(sampling), nearest(name, sampling), at_key=True)
            elif key == "skew" and task.kind != "measure":
                message = "this task triggers no conversion, so its skew is not known"
                yield Finding(message, path, None, "a measure task", at_key=True)


def samples(task: Task) -> bool:
    """Tell whether a task brings values that were sampled at some instant."""
    return task.kind != "write" and is_sampled(task.reads)
