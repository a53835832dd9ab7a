"""Warnings: what is allowed in a plan but is seldom meant. Few, and each about something that costs.

They run only on a plan without errors.
"""

from __future__ import annotations

from collections.abc import Iterator

from chainplan.plan.findings import Finding, Wrong
from chainplan.plan.layout import ChainPlan
from chainplan.plan.model import Plan
from chainplan.plan.order import copies, for_copy, parse_port
from chainplan.plan.parts import SegmentSpec
from chainplan.plan.problems import KeyPath
from chainplan.plan.readings import READ_BY
from chainplan.plan.work_checks import ChainNodes, chain_nodes, chains_of, channels, seen_on
from chainplan.quantity import RATIO, TIME, format_ticks


def suspicions(plan: Plan, _: Wrong) -> Iterator[Finding]:
    """Yield everything suspicious about a plan that is right."""
    nodes = chain_nodes(plan)
    yield from _barriers(plan, nodes)
    yield from _addresses(plan, nodes)
    yield from _time_outs(plan)
    yield from _clocks(plan)
    yield from _ports(plan)
    yield from _tasks(plan, nodes)
    yield from _hazards(plan, nodes)


def _warning(message: str, path: KeyPath, expected: str) -> Finding:
    return Finding(message, path, None, expected, severity="warning", at_key=True)


def _barriers(plan: Plan, nodes: dict[str, ChainNodes]) -> Iterator[Finding]:
    """Neighbours on a chain stand at different potentials; without a barrier the string shorts through it."""
    for name, chain in plan.chains.items():
        hops = {
            "between the controller and the first board": _has_barrier(chain.segments, chain.head_segment)
        }
        if nodes[name].longest > 1:
            hops["between boards"] = _has_barrier(chain.segments)
        if chain.shape == "ring":
            hops["on the return path"] = _has_barrier(chain.segments, chain.back_segment)
        missing = [where for where, isolated in hops.items() if not isolated]
        if missing:
            message = f"this chain has no barrier {' and '.join(missing)}, where potentials differ"
            yield _warning(message, ("chains", name, "segments"), "barrier: NAME")
    for name, board in plan.board_types.items():
        between = board.between_nodes
        with_cells = sum(entry.count for entry in board.nodes if entry.cells)
        if between is not None and with_cells > 1 and not _has_barrier(between):
            message = "the nodes of this board stand at different potentials, and no barrier is between them"
            yield _warning(message, ("board_types", name, "between_nodes"), "barrier: NAME")


def _has_barrier(*layers: SegmentSpec) -> bool:
    return any(spec.barrier or spec.near_barrier or spec.far_barrier for spec in layers)


def _addresses(plan: Plan, nodes: dict[str, ChainNodes]) -> Iterator[Finding]:
    for name in plan.chains:
        for kind in sorted({node.type for node in nodes[name].nodes}):
            limit = plan.node_types[kind].address_limit
            if limit is not None and nodes[name].longest > limit:
                message = f"{nodes[name].longest} nodes, but `{kind}` knows addresses for {limit} only"
                yield _warning(message, ("chains", name, "order"), f"at most {limit} nodes on a chain")


def _time_outs(plan: Plan) -> Iterator[Finding]:
    reads = {chain for task in plan.tasks.values() if task.kind != "write" for chain in chains_of(plan, task)}
    for name in dict.fromkeys(chain.protocol for key, chain in plan.chains.items() if key in reads):
        if plan.protocols[name].time_out.max == 0:
            message = "without a time-out a missing answer is noticed at once, which no controller does"
            yield _warning(message, ("protocols", name, "time_out"), "time_out: 50 us")


def _clocks(plan: Plan) -> Iterator[Finding]:
    """With start and stop bits a receiver counts on from the start bit's edge by its own clock.

    At the middle of the last bit, n - 1/2 bits on, the two clocks must be less than half a bit apart.
    """
    for name, protocol in plan.protocols.items():
        bits, rate = protocol.character.wire.max, protocol.bit_rate
        framed = bits > protocol.character.data.max
        if framed and (2 * bits - 1) * (rate.max - rate.min) >= rate.min:
            share = format_ticks(RATIO.units[""] / (2 * bits - 1), RATIO, 3, "down")
            message = f"two clocks this far apart lose each other within a character of {bits} bits"
            yield _warning(message, ("protocols", name, "bit_rate"), f"less than {share} apart in all")


def _ports(plan: Plan) -> Iterator[Finding]:
    driving = {_controller(end) for chain in plan.chains.values() for end in _ends(chain, "head")}
    for base, controller in plan.controllers.items():
        idle = [name for name in copies(base, controller.count) if name not in driving]
        if idle:
            yield _warning(
                f"no chain begins at controller {idle[0]}", ("controllers", base), "a chain's head"
            )
    heads = {end: name for name, chain in plan.chains.items() for end in _ends(chain, "head")}
    backs: dict[str, str] = {}
    for name, chain in plan.chains.items():
        for end in _ends(chain, "back"):
            other = heads.get(end) or backs.get(end)
            if other is not None:
                message = f"port {end} is also an end of chain `{other}`; both may send at the same time"
                yield _warning(message, ("chains", name, "back"), "a port for the return path alone")
                break
            backs[end] = name


def _ends(chain: ChainPlan, key: str) -> list[str]:
    end = getattr(chain, key)
    return [for_copy(end, number) for number in range(1, chain.count + 1)] if end else []


def _controller(port: str) -> str:
    return (parse_port(port) or ("", ""))[0]


def _tasks(plan: Plan, nodes: dict[str, ChainNodes]) -> Iterator[Finding]:
    for name, task in plan.tasks.items():
        chains = chains_of(plan, task)
        if task.kind != "write" and not any(
            channels(task, node) for chain in chains for node in nodes[chain].nodes
        ):
            yield _warning("this task finds nothing to read", ("tasks", name), "nodes with wired inputs")
        target = plan.targets.sample_age.get(name)
        if target is None:
            continue
        drivers = {_controller(end) for chain in chains for end in _ends(plan.chains[chain], "head")}
        period = task.every * max(
            (
                controller.scan_period.max
                for base, controller in plan.controllers.items()
                if drivers & set(copies(base, controller.count))
            ),
            default=0,
        )
        if target.min < period:
            message = f"this cannot be met: the task's period alone is {format_ticks(period, TIME)}"
            yield _warning(message, ("targets", "sample_age", name), "more than the task's period")


def _hazards(plan: Plan, nodes: dict[str, ChainNodes]) -> Iterator[Finding]:
    for name, hazard in plan.hazards.items():
        wanted = READ_BY.get(hazard.kind)
        seen = seen_on(plan, hazard, nodes)
        blind = [
            copy
            for chain, part in plan.chains.items()
            for copy in copies(chain, part.count)
            if copy not in seen
        ]
        if blind:
            what = f"no task reads {wanted}" if wanted else "nothing is read"
            message = f"{what} on chain `{blind[0]}`, so this hazard stays unknown there"
            yield _warning(message, ("hazards", name), "a task for every chain")
