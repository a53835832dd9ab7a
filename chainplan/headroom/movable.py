"""What there is to move in a plan: of its types only those that are in use."""

from __future__ import annotations

from collections.abc import Iterator

from chainplan.evaluation import Evaluation
from chainplan.headroom.parameters import Parameter, boards, cable, cells, count, quantity, tolerance
from chainplan.plan.altered import value_at, with_value
from chainplan.plan.checks import HIGHEST
from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath, dotted
from chainplan.plan.spelling import spelled
from chainplan.quantity import BIT_RATE, CURRENT, LENGTH, TIME, VOLTAGE, Span


def parameters(evaluation: Evaluation) -> list[Parameter]:
    """Return the parameters of a plan."""
    return [
        *_of_protocols(evaluation),
        *_of_chains(evaluation),
        *_of_controllers(evaluation),
        *_of_conversions(evaluation),
        *_of_hazards(evaluation.plan),
        *_of_isolation(evaluation),
        *_of_uplink(evaluation.plan),
    ]


def _of_protocols(evaluation: Evaluation) -> Iterator[Parameter]:
    plan = evaluation.plan
    for name in dict.fromkeys(chain.plan.protocol for chain in evaluation.network.chains.values()):
        path: KeyPath = ("protocols", name, "bit_rate")
        yield quantity("bit rate", name, plan, path, BIT_RATE)
        yield from tolerance("bit rate tolerance", name, plan, path, BIT_RATE)


def _of_chains(evaluation: Evaluation) -> Iterator[Parameter]:
    network = evaluation.network
    for name, chains in network.families.items():
        yield from boards(network, name, chains)
        yield from cells(network, name, chains)
        yield from cable(evaluation.plan, name)


def _of_controllers(evaluation: Evaluation) -> Iterator[Parameter]:
    plan = evaluation.plan
    for name, controller in plan.controllers.items():
        path: KeyPath = ("controllers", name)
        yield quantity("scan period", name, plan, (*path, "scan_period"), TIME)
        yield from tolerance("scan period tolerance", name, plan, (*path, "scan_period"), TIME)
        if controller.set_up.max:
            yield quantity("host set-up", name, plan, (*path, "set_up"), TIME)
        yield count("retries in reserve", name, plan, (*path, "retry_reserve"), 0)
        period: KeyPath = (*path, "evaluation", "period")
        yield quantity("evaluation period", name, plan, period, TIME)


def _of_conversions(evaluation: Evaluation) -> Iterator[Parameter]:
    plan = evaluation.plan
    wanted = {task.conversion or task.reads for task in plan.tasks.values() if task.kind != "write"}
    used = dict.fromkeys(
        entry.type for board in _boards_in_use(evaluation) for entry in plan.board_types[board].nodes
    )
    for node in used:
        for conversion in plan.node_types[node].conversions:
            if conversion in wanted:
                path: KeyPath = ("node_types", node, "conversions", conversion, "time")
                yield quantity(f"conversion of {conversion}", node, plan, path, TIME)
        if plan.node_types[node].balancing is not None:
            current: KeyPath = ("node_types", node, "balancing", "current")
            yield quantity("balancing current", node, plan, current, CURRENT)


def _boards_in_use(evaluation: Evaluation) -> dict[str, None]:
    return dict.fromkeys(
        kind
        for string in evaluation.plan.strings.values()
        for kind in (
            *(run.type for run in string.boards),
            *(exception.type for exception in string.exceptions.values()),
        )
    )


def _of_hazards(plan: Plan) -> Iterator[Parameter]:
    for name in plan.hazards:
        yield count("readings to debounce", name, plan, ("hazards", name, "debounce"), 1)


def _of_isolation(evaluation: Evaluation) -> Iterator[Parameter]:
    plan = evaluation.plan
    used = dict.fromkeys(
        barrier.name
        for chain in evaluation.network.chains.values()
        for segment in chain.segments
        for barrier in (segment.hop.near_barrier, segment.hop.far_barrier)
        if barrier is not None
    )
    for name in used:
        for key, dimension in _RATINGS.items():
            path: KeyPath = ("barrier_types", name, key)
            if value_at(plan, path) is not None:
                yield quantity(f"barrier {key.replace('_', ' ')}", name, plan, path, dimension)
    altitude: KeyPath = ("insulation", "altitude")
    present = value_at(plan, altitude)
    yield Parameter(
        "altitude",
        "",
        LENGTH,
        present.max,
        10**11,
        0,
        HIGHEST,
        lambda changed, value: with_value(changed, altitude, Span.exact(value)),
        None,
        lambda value: (f"{dotted(altitude)}={spelled(Span.exact(value), LENGTH)}",),
    )


_RATINGS = {
    "working_voltage": VOLTAGE,
    "transient_voltage": VOLTAGE,
    "test_voltage": VOLTAGE,
    "creepage": LENGTH,
    "clearance": LENGTH,
}
"""What a barrier offers."""


def _of_uplink(plan: Plan) -> Iterator[Parameter]:
    for name in plan.uplink.buses if plan.uplink is not None else ():
        path: KeyPath = ("uplink", "buses", name, "bit_rate")
        yield quantity("uplink bit rate", name, plan, path, BIT_RATE)
