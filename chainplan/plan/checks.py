"""What must hold between the parts of a plan: names exist, every cell has its node, chains are whole.

Each check yields :class:`Finding` values with the path of the key at fault, so that all problems of a plan
are told at once, each in its place. Checks of the layout follow in :mod:`chainplan.plan.layout_checks`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from chainplan.plan.findings import Finding, above_zero, check_segment, check_whole, unknown
from chainplan.plan.layout_checks import check_layout
from chainplan.plan.model import Plan
from chainplan.plan.parts import BoardNode, Check, Protocol
from chainplan.plan.problems import KeyPath, nearest
from chainplan.plan.schedule import Hazard, Task
from chainplan.quantity import Span

READ_BY = {
    "cell over-voltage": "cell voltages",
    "cell under-voltage": "cell voltages",
    "over-temperature": "temperatures",
    "under-temperature": "temperatures",
    "open sense wire": "open wire",
}
"""What a task must read to show each kind of hazard; a lost chain shows in every read."""


def check_plan(plan: Plan) -> list[Finding]:
    """Return everything wrong between the parts of a plan that is valid part by part."""
    findings = [*_protocols(plan), *_parts(plan), *_board_types(plan), *_controllers(plan)]
    findings += [*_tasks(plan), *_hazards(plan), *_targets(plan)]
    return findings + check_layout(plan)


def _exact(span: Span, path: KeyPath, least: int = 0) -> Iterator[Finding]:
    if span.min != span.max:
        yield Finding("an amount of data has no tolerance", path, None, "one value, such as 4 byte")
    elif span.max < least:
        yield Finding("this amount of data is too small", path, None, f"at least {least} bit")


def _protocols(plan: Plan) -> Iterator[Finding]:
    for name, protocol in plan.protocols.items():
        path: KeyPath = ("protocols", name)
        yield from above_zero(protocol.bit_rate, (*path, "bit_rate"), "a bit rate")
        for key in ("preamble", "trailer", "shortest_frame", "request", "answer", "write"):
            yield from _exact(getattr(protocol, key), (*path, key))
        for key in ("data", "wire"):
            yield from _exact(getattr(protocol.character, key), (*path, "character", key), 1)
        if protocol.character.wire.max < protocol.character.data.max:
            yield Finding(
                "a character needs at least as many bits on the wire as it carries",
                (*path, "character"),
                None,
                "wire of at least the data bits, such as {data: 8 bit, wire: 10 bit}",
            )
        yield from _check_code(protocol, (*path, "check"))
        if protocol.read_style != "summation" and not _bits(protocol.request, protocol.check):
            yield Finding(
                "a read request has no bits", (*path, "request"), None, "at least 1 bit", at_key=True
            )


def _bits(part: Span, check: Check) -> int:
    return part.max + check.width.max


def _check_code(protocol: Protocol, path: KeyPath) -> Iterator[Finding]:
    check = protocol.check
    yield from _exact(check.width, (*path, "width"))
    if check.polynomial is not None and check.polynomial >> check.width.max:
        yield Finding(
            "the polynomial has more bits than the check code",
            (*path, "polynomial"),
            hex(check.polynomial),
            f"at most {check.width.max} bits, the highest term left out (CRC-16 x^16+x^12+x^5+1 is 0x1021)",
        )


def _parts(plan: Plan) -> Iterator[Finding]:
    for name, cell in plan.cell_types.items():
        yield from above_zero(cell.voltage, ("cell_types", name, "voltage"), "a cell voltage")
    for name, cable in plan.cable_types.items():
        path: KeyPath = ("cable_types", name, "velocity")
        yield from above_zero(cable.velocity, path, "a velocity")
        if cable.velocity.max > 299_792_458 * 10**6:
            yield Finding("nothing travels faster than light", path, None, "at most 1 c, such as 0.66 c")
    for name, barrier in plan.barrier_types.items():
        yield from above_zero(barrier.working_voltage, ("barrier_types", name, "working_voltage"), "a rating")


def _board_types(plan: Plan) -> Iterator[Finding]:
    for name, board in plan.board_types.items():
        path: KeyPath = ("board_types", name)
        for number, entry in enumerate(board.nodes):
            yield from _board_node(plan, entry, (*path, "nodes", number))
        if sum(entry.count for entry in board.nodes) > 1 and board.between_nodes is None:
            yield Finding(
                "a board with several nodes needs `between_nodes`: the hop from one to the next",
                path,
                None,
                "between_nodes: {cable: NAME, length: 30 mm, barrier: NAME}",
                at_key=True,
            )
        if board.between_nodes is not None:
            yield from check_segment(plan, board.between_nodes, (*path, "between_nodes"))
            yield from check_whole(board.between_nodes, (*path, "between_nodes"))


def _board_node(plan: Plan, entry: BoardNode, path: KeyPath) -> Iterator[Finding]:
    node = plan.node_types.get(entry.type)
    if node is None:
        yield unknown(entry.type, (*path, "type"), plan.node_types, "node type")
        return
    for wired, inputs in (("cells", node.cell_inputs), ("temperatures", node.temperature_inputs)):
        if getattr(entry, wired) > inputs:
            yield Finding(
                f"the node has only {inputs} {wired.removesuffix('s')} inputs",
                (*path, wired),
                getattr(entry, wired),
                f"at most {inputs}",
            )


def _controllers(plan: Plan) -> Iterator[Finding]:
    for name, controller in plan.controllers.items():
        path: KeyPath = ("controllers", name)
        yield from above_zero(controller.scan_period, (*path, "scan_period"), "a scan period")
        yield from above_zero(controller.evaluation.period, (*path, "evaluation", "period"), "a task period")
        if controller.host_bus is not None:
            yield from above_zero(controller.host_bus.bit_rate, (*path, "host_bus", "bit_rate"), "a bit rate")
        ports = controller.port_names()
        for number, port in enumerate(ports):
            if port in ports[:number]:
                yield Finding("two ports have this name", (*path, "ports", number), port, "different names")


def _tasks(plan: Plan) -> Iterator[Finding]:
    families = set(plan.chains)
    for name, task in plan.tasks.items():
        path: KeyPath = ("tasks", name)
        if task.phase is not None and task.phase >= task.every:
            yield Finding(
                "a phase is below the period", (*path, "phase"), task.phase, f"0 to {task.every - 1}"
            )
        if task.overlap and task.kind != "measure":
            yield Finding("only a measure task can overlap", (*path, "overlap"), True, "overlap: false")
        for number, chain in enumerate(task.chains or ()):
            family = chain if chain in families else chain.rpartition("-")[0]
            if family not in families:
                yield unknown(chain, (*path, "chains", number), sorted(families), "chain")
        yield from _task_data(task, path)
        yield from _conversions(plan, name, task, path)


def _task_data(task: Task, path: KeyPath) -> Iterator[Finding]:
    reads = task.kind != "write"
    if reads and task.reads != "status" and (task.value is None or task.value.max < 1):
        yield Finding("a task that reads values needs their width", path, None, "value: 16 bit", at_key=True)
    if reads and task.reads == "status" and task.data.max < 1:
        yield Finding("a status read needs the data of one node", path, None, "data: 2 byte", at_key=True)
    if task.value is not None:
        yield from _exact(task.value, (*path, "value"))
    yield from _exact(task.data, (*path, "data"))


def _conversions(plan: Plan, name: str, task: Task, path: KeyPath) -> Iterator[Finding]:
    """A measure task triggers a conversion: every node that has channels for it must know its time."""
    if task.kind != "measure":
        return
    wanted = task.conversion or task.reads
    inputs = "temperatures" if task.reads == "temperatures" else "cells"
    used = {
        entry.type for board in plan.board_types.values() for entry in board.nodes if getattr(entry, inputs)
    }
    for kind in sorted(used & set(plan.node_types)):
        known = plan.node_types[kind].conversions
        if wanted not in known and task.reads != "status":
            yield Finding(
                f"node type `{kind}` has no conversion `{wanted}` for this task",
                (*path, "conversion") if task.conversion else path,
                wanted,
                "one of " + ", ".join(known) if known else f"conversions: {{{wanted}: {{time: 2 ms}}}} there",
                nearest(wanted, known),
                at_key=not task.conversion,
            )


def _hazards(plan: Plan) -> Iterator[Finding]:
    for name, hazard in plan.hazards.items():
        path: KeyPath = ("hazards", name)
        yield from above_zero(hazard.tolerant_time, (*path, "tolerant_time"), "a tolerant time")
        for controller, part in plan.controllers.items():
            if hazard.reaction not in part.actuators:
                finding = unknown(hazard.reaction, (*path, "reaction"), part.actuators, "actuator")
                yield finding._replace(message=f"controller `{controller}` has no actuator of this name")
        yield from _hazard_task(plan, hazard, path)


def _hazard_task(plan: Plan, hazard: Hazard, path: KeyPath) -> Iterator[Finding]:
    wanted = READ_BY.get(hazard.kind)
    if hazard.task is None:
        if not any(_shows(task, wanted) for task in plan.tasks.values()):
            what = f"reads {wanted}" if wanted else "reads anything"
            yield Finding(
                f"no task {what}, so this hazard stays unknown", path, None, "such a task", at_key=True
            )
    elif hazard.task not in plan.tasks:
        yield unknown(hazard.task, (*path, "task"), plan.tasks, "task")
    elif not _shows(plan.tasks[hazard.task], wanted):
        fitting = [name for name, task in plan.tasks.items() if _shows(task, wanted)]
        yield Finding(
            f"this task does not show a {hazard.kind}",
            (*path, "task"),
            hazard.task,
            "one of " + ", ".join(fitting) if fitting else f"a task that reads {wanted or 'anything'}",
        )


def _shows(task: Task, wanted: str | None) -> bool:
    return task.kind != "write" and (wanted is None or task.reads == wanted)


def _targets(plan: Plan) -> Iterator[Finding]:
    for key in ("sample_age", "skew", "bytes_per_sample"):
        limits: dict[str, Any] = getattr(plan.targets, key)
        for name in limits:
            if name not in plan.tasks:
                yield unknown(name, ("targets", key, name), plan.tasks, "task", at_key=True)
