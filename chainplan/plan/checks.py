"""What must hold between the parts of a plan, part by part; the whole is put together in `check_plan`.

Each check yields :class:`Finding` values with the path of the key at fault, so that all problems of a plan
are told at once, each in its place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from chainplan.plan.cover_checks import check_cover
from chainplan.plan.findings import (
    Finding,
    Wrong,
    above_zero,
    check_name,
    check_segment,
    check_whole,
    unknown,
)
from chainplan.plan.layout import ControllerPlan
from chainplan.plan.layout_checks import check_layout, check_sizes
from chainplan.plan.model import Plan
from chainplan.plan.parts import BoardNode, CheckCode
from chainplan.plan.problems import KeyPath
from chainplan.plan.schedule_checks import check_schedule
from chainplan.plan.standby_checks import check_standby
from chainplan.plan.suspicions import suspicions
from chainplan.plan.uplink_checks import check_uplink
from chainplan.plan.wire_checks import check_wire
from chainplan.plan.work_checks import check_work, layout_is_sound
from chainplan.quantity import LENGTH, Span, format_ticks

HIGHEST = 20_000 * 10**9
"""Altitude in nm above which the correction of clearances has no row (IEC 60664-1:2020, table F.10 / A.2)."""

SLOWEST_SHARE = 100
"""A velocity below this part of the speed of light is a slip: no cable or trace is as slow as that."""


def check_plan(plan: Plan, wrong: Wrong | None = None, *, suspect: bool = True) -> list[Finding]:
    """Return everything wrong between the parts of a plan that is valid part by part, and what is suspicious.

    `wrong` names what could not be read: nothing is found there, and nothing is concluded from it. Without
    `suspect` nothing is looked for that is only suspicious.
    """
    wrong = Wrong() if wrong is None else wrong
    found: list[Finding] = []

    def run(*checks: Callable[[Plan, Wrong], Iterable[Finding]]) -> bool:
        """Add what checks find; return whether the plan is free of errors so far."""
        new = [
            finding for check in checks for finding in check(plan, wrong) if not wrong.unread(finding.path)
        ]
        wrong.add(new)
        found.extend(new)
        return not any(finding.severity == "error" for finding in found)

    if not run(check_sizes):
        return found  # nothing is to be unrolled that is too large
    run(_protocols, _parts, _board_types, _controllers, _insulation, check_schedule, check_standby)
    run(check_wire, check_layout, check_uplink)
    run(check_cover)
    if layout_is_sound(plan, wrong):
        run(check_work)
    if not wrong and suspect:
        run(suspicions)
    return found


def _exact(span: Span | None, path: KeyPath, least: int = 0) -> Iterator[Finding]:
    if span is None:
        return
    if span.min != span.max:
        yield Finding("an amount of data has no tolerance", path, None, "one value, such as 4 byte")
    elif span.max < least:
        yield Finding("this amount of data is too small", path, None, f"at least {least} bit")


def _protocols(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    for name, protocol in plan.protocols.items():
        path: KeyPath = ("protocols", name)
        yield from above_zero(protocol.bit_rate, (*path, "bit_rate"), "a bit rate")
        for key in ("preamble", "trailer", "shortest_frame", "request", "answer", "write"):
            yield from _exact(getattr(protocol, key), (*path, key))
        for key in ("data", "wire"):
            yield from _exact(getattr(protocol.character, key), (*path, "character", key), 1)
        character = protocol.character
        if character.wire.max < character.data.max and not wrong.within(*path, "character"):
            yield Finding(
                "a character needs at least as many bits on the wire as it carries",
                (*path, "character"),
                None,
                "wire of at least the data bits, such as {data: 8 bit, wire: 10 bit}",
            )
        if not wrong.within(*path, "check", "width"):
            yield from _check_code(protocol.check, (*path, "check"))
            if protocol.read_style != "summation" and protocol.request.max + protocol.check.width.max == 0:
                here = (*path, "request")
                yield Finding("a read request has no bits", here, None, "request: 2 byte", at_key=True)


def _check_code(check: CheckCode, path: KeyPath) -> Iterator[Finding]:
    yield from _exact(check.width, (*path, "width"))
    width, polynomial = check.width.max, check.polynomial
    if polynomial is None:
        return
    here = (*path, "polynomial")
    if width == 0:
        yield Finding("a polynomial needs the width of the check", here, hex(polynomial), "width: 16 bit")
    elif polynomial >> width:
        expected = f"at most {width} bits, the highest term left out (CRC-16 x^16 + x^12 + x^5 + 1 is 0x1021)"
        yield Finding("the polynomial has more bits than the check code", here, hex(polynomial), expected)
    elif polynomial % 2 == 0:
        expected = "an odd number: the term +1 is written, the highest term is left out"
        yield Finding("this polynomial has no term +1", here, hex(polynomial), expected)


def _parts(plan: Plan, _: Wrong) -> Iterator[Finding]:
    for name, cell in plan.cell_types.items():
        yield from above_zero(cell.voltage, ("cell_types", name, "voltage"), "a cell voltage")
    for name, cable in plan.cable_types.items():
        path: KeyPath = ("cable_types", name, "velocity")
        yield from above_zero(cable.velocity, path, "a velocity")
        if 0 < cable.velocity.min * SLOWEST_SHARE < 299_792_458 * 10**6:
            message = "this is slower than any cable"
            yield Finding(message, path, None, "a share of the speed of light, such as 0.66 c")
    for name, node in plan.node_types.items():
        yield from above_zero(node.jabber_limit, ("node_types", name, "jabber_limit"), "a limit")
    for name, barrier in plan.barrier_types.items():
        here: KeyPath = ("barrier_types", name)
        yield from above_zero(barrier.working_voltage, (*here, "working_voltage"), "a rating")
        yield from above_zero(barrier.test_voltage, (*here, "test_voltage"), "a test voltage")
        yield from above_zero(barrier.creepage, (*here, "creepage"), "a distance")
        yield from above_zero(barrier.clearance, (*here, "clearance"), "a distance")


def _board_types(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    for name, board in plan.board_types.items():
        path: KeyPath = ("board_types", name)
        for number, entry in enumerate(board.nodes):
            yield from _board_node(plan, wrong, entry, (*path, "nodes", number))
        several = sum(entry.count for entry in board.nodes) > 1
        if several and board.between_nodes is None and not wrong.within(*path, "nodes"):
            yield Finding(
                "a board with several nodes needs `between_nodes`: the hop from one to the next",
                (*path, "between_nodes"),
                None,
                "between_nodes: {cable: NAME, length: 30 mm, barrier: NAME}",
                at_key=True,
            )
        if board.between_nodes is not None:
            here = (*path, "between_nodes")
            yield from check_segment(plan, wrong, board.between_nodes, here)
            yield from check_whole(board.between_nodes, here)


def _board_node(plan: Plan, wrong: Wrong, entry: BoardNode, path: KeyPath) -> Iterator[Finding]:
    yield from check_name(plan, wrong, "node_types", entry.type, (*path, "type"))
    node = plan.node_types.get(entry.type)
    if node is None:
        return
    for wired, key in (("cells", "cell_inputs"), ("temperatures", "temperature_inputs")):
        inputs = getattr(node, key)
        if getattr(entry, wired) > inputs and not wrong.unread(("node_types", entry.type, key)):
            yield Finding(
                f"the node has only {inputs} {wired.removesuffix('s')} inputs",
                (*path, wired),
                getattr(entry, wired),
                f"at most {inputs}",
            )


def _controllers(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    if not plan.controllers and not wrong.within("controllers"):
        yield Finding(
            "a plan needs at least one controller", ("controllers",), None, "NAME: {...}", at_key=True
        )
    for name, controller in plan.controllers.items():
        path: KeyPath = ("controllers", name)
        evaluation = controller.evaluation
        yield from above_zero(controller.scan_period, (*path, "scan_period"), "a scan period")
        yield from above_zero(evaluation.period, (*path, "evaluation", "period"), "a task period")
        for here, used, whole, period in (
            ((*path, "evaluation", "run_time"), evaluation.run_time, "evaluation", evaluation.period),
            ((*path, "scan_jitter"), controller.scan_jitter, "scan_period", controller.scan_period),
        ):
            if used.max > period.min > 0 and not wrong.within(*path, whole):
                yield Finding("this is longer than the period itself", here, None, "less than the period")
        ports = controller.port_names()
        yield from _host_bus(controller, path, wrong)
        for number, port in enumerate(ports):
            if port in ports[:number]:
                yield Finding("two ports have this name", (*path, "ports", number), port, "different names")


def _host_bus(controller: ControllerPlan, path: KeyPath, wrong: Wrong) -> Iterator[Finding]:
    """Yield what is wrong with the bus between a controller's processor and its chains."""
    bus, ports = controller.host_bus, controller.port_names()
    if bus is None:
        return
    yield from above_zero(bus.bit_rate, (*path, "host_bus", "bit_rate"), "a bit rate")
    served: set[str] = set()
    for name, own in bus.serves.items():
        for number, port in enumerate(own):
            here: KeyPath = (*path, "host_bus", "serves", name, number)
            if port not in ports and not wrong.within(*path, "ports"):
                yield unknown(port, here, ports, "port")
            elif port in served:
                yield Finding("a bus serves this port already", here, port, "every port once")
            served.add(port)
    left = [port for port in ports if port not in served]
    if served and left:
        message = f"no host bus serves port {left[0]}"
        yield Finding(message, (*path, "host_bus", "serves"), None, "every port on one bus", at_key=True)


def _insulation(plan: Plan, _: Wrong) -> Iterator[Finding]:
    rules = plan.insulation
    if rules.altitude.max > HIGHEST:
        expected = f"at most {format_ticks(HIGHEST, LENGTH)}"
        yield Finding("no clearance is known for this altitude", ("insulation", "altitude"), None, expected)
    yield from above_zero(rules.impulse, ("insulation", "impulse"), "an impulse voltage")
