"""Checks of the work against the layout: what each task finds to read on the chains it runs on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

from chainplan.plan.cover_checks import walks
from chainplan.plan.findings import Finding, Wrong, listed
from chainplan.plan.model import Plan
from chainplan.plan.order import copies
from chainplan.plan.parts import BoardNode
from chainplan.plan.problems import KeyPath, nearest
from chainplan.plan.readings import READ_BY, Quantity, is_block, values_at
from chainplan.plan.schedule import Hazard, Task
from chainplan.plan.schedule_checks import shows

MOST_ANSWERS = 50_000
"""Answers of nodes in one run of all tasks: far above any pack, far below what takes minutes to plan."""


class WiredNode(NamedTuple):
    """A node of a chain: its type, and how many of its inputs are wired."""

    type: str
    cells: int
    temperatures: int


class ChainNodes(NamedTuple):
    """How many nodes of which kind all copies of one chain have together, and one copy at most."""

    nodes: Counter[WiredNode]
    longest: int


def chain_nodes(plan: Plan) -> dict[str, ChainNodes]:
    """Return the nodes on every chain of a plan whose layout is sound, by the chain's name in the plan."""
    boards = {
        name: types
        for base, string in plan.strings.items()
        for types in [_types_by_position(plan, base)]
        for name in copies(base, string.count)
    }
    nodes_on = {
        name: [wired(entry) for entry in board.nodes for _ in range(entry.count)]
        for name, board in plan.board_types.items()
    }
    found = {}
    for name, chain in plan.chains.items():
        types = Counter(
            boards[walk.string][position - 1]
            for _, walk in walks(plan, name)
            for position in walk.positions()
        )
        nodes: Counter[WiredNode] = Counter()
        for kind, number in types.items():
            for node in nodes_on[kind]:
                nodes[node] += number
        found[name] = ChainNodes(nodes, -(-nodes.total() // chain.count))
    return found


def _types_by_position(plan: Plan, name: str) -> list[str]:
    string = plan.strings[name]
    types = [run.type for run in string.boards for _ in range(run.count)]
    for position, other in string.exceptions.items():
        types[position - 1] = other.type
    return types


def wired(entry: BoardNode) -> WiredNode:
    """Return what a board type says of a node."""
    return WiredNode(entry.type, entry.cells, entry.temperatures)


def channels(task: Task, node: WiredNode) -> int:
    """Return how many values a node has for a task; a block of data is one."""
    return 0 if task.kind == "write" else values_at(task.reads, node.cells, node.temperatures)


def chains_of(plan: Plan, task: Task) -> list[str]:
    """Return the chains, by their names in the plan, on which a task runs, on one copy at least."""
    return [
        name
        for name, chain in plan.chains.items()
        if task.chains is None or any(each in task.chains for each in (name, *copies(name, chain.count)))
    ]


def layout_is_sound(plan: Plan, wrong: Wrong) -> bool:
    """Tell whether it is known which nodes stand on which chain, whatever else is wrong with the plan."""
    sections = ("strings", "board_types", "node_types")
    return not (
        any(wrong.within(section) or wrong.may_exist(section, "") for section in sections)
        or wrong.lost("chains", plan.chains)
        or any(wrong.within("chains", name, key) for name in plan.chains for key in ("order", "count"))
    )


def check_work(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Yield what the nodes cannot do for a task, hazards that stay unknown, and work beyond measure.

    Only with a sound layout; tasks and hazards with something wrong in them are left out.
    """
    nodes = chain_nodes(plan)
    answers = 0
    for name, task in plan.tasks.items():
        if wrong.within("tasks", name):
            continue
        on = [nodes[chain] for chain in chains_of(plan, task)]
        yield from _conversions(plan, task, ("tasks", name), {node for each in on for node in each.nodes})
        answers += sum(_answers(plan, task, each) for each in on)
        if answers > MOST_ANSWERS:
            message = f"the tasks up to this one need {answers} answers of nodes in one run"
            expected = f"at most {MOST_ANSWERS}, such as by more values_per_read"
            yield Finding(message, ("tasks", name), None, expected, at_key=True)
            return
    yield from _checks(plan, nodes, wrong)
    for name, hazard in plan.hazards.items():
        doubtful = wrong.within("hazards", name) or wrong.within("tasks")
        if not doubtful and not seen_on(plan, hazard, nodes):
            message = "on no chain is there a task and a node that show this hazard, so it stays unknown"
            yield Finding(
                message, ("hazards", name), None, "a task that finds something to read", at_key=True
            )


def _conversions(plan: Plan, task: Task, path: KeyPath, nodes: set[WiredNode]) -> Iterator[Finding]:
    """Values come from a conversion, triggered or free-running: every node that has them knows its time."""
    if task.kind == "write" or is_block(task.reads):
        return
    wanted = task.conversion or task.reads
    used: dict[str, int] = {}
    for node in nodes:
        used[node.type] = max(used.get(node.type, 0), channels(task, node))
    for kind, count in sorted(used.items()):
        known = plan.node_types[kind].conversions
        if not count:
            continue
        if wanted not in known:
            here = (*path, "conversion") if task.conversion else path
            yield _no_conversion(plan, kind, wanted, "task", here, named=bool(task.conversion))
        elif known[wanted].step.min * (count - 1) > known[wanted].time.max:
            message = f"the last of {count} channels would be sampled after the conversion has ended"
            here = ("node_types", kind, "conversions", wanted, "step")
            yield Finding(message, here, None, "a step that fits into the conversion's time")


def _no_conversion(
    plan: Plan, kind: str, wanted: str, what: str, path: KeyPath, *, named: bool, instead: str = ""
) -> Finding:
    """Return the finding for a node type without the conversion that a task or a check needs.

    `named` says that the plan names it at `path`, which else is that of the whole part.
    """
    known = plan.node_types[kind].conversions
    message = f"node type `{kind}` has no conversion `{wanted}` for this {what}"
    expected = (listed(known) or f"conversions: {{{wanted}: {{time: 2 ms}}}} there") + instead
    return Finding(message, path, wanted, expected, nearest(wanted, known), at_key=not named)


def _checks(plan: Plan, nodes: dict[str, ChainNodes], wrong: Wrong) -> Iterator[Finding]:
    """Yield the checks of alarms, awake and asleep, whose conversion a node that makes them does not have."""
    wired = {node for chain in nodes.values() for node in chain.nodes}
    instead = ", or hardware: yes for comparators"

    def lacking(quantity: Quantity, conversion: str) -> list[str]:
        types = {node.type for node in wired if values_at(quantity, node.cells, node.temperatures)}
        raising = [plan.node_types[kind] for kind in sorted(types)]
        return [
            kind
            for kind, part in zip(sorted(types), raising, strict=True)
            if part.raises_alarms and conversion not in part.conversions
        ]

    for name, hazard in plan.hazards.items():
        quantity = READ_BY.get(hazard.kind)
        if hazard.alarm is None or hazard.alarm.hardware or quantity is None:
            continue
        if wrong.within("hazards", name):
            continue
        by, path = hazard.alarm.conversion, ("hazards", name, "alarm")
        if by is None and is_block(quantity):  # a node checks its own registers without a conversion
            continue
        for kind in lacking(quantity, by or quantity):
            here: KeyPath = (*path, "conversion") if by else path
            yield _no_conversion(plan, kind, by or quantity, "alarm", here, named=bool(by), instead=instead)
    sleep = None if wrong.within("sleep") else plan.sleep
    for quantity in sleep.checks if sleep and not sleep.hardware else ():
        assert sleep is not None
        by = sleep.conversions.get(quantity)
        here = ("sleep", "conversions", quantity) if by else ("sleep",)
        for kind in lacking(quantity, by or quantity):
            yield _no_conversion(
                plan, kind, by or quantity, "check asleep", here, named=bool(by), instead=instead
            )


def _answers(plan: Plan, task: Task, chain: ChainNodes) -> int:
    """Return how many answers a run of a task fetches from a chain and its copies, about."""
    if task.kind == "write":
        return 0
    most = max((_sent(plan, task, node) for node in chain.nodes), default=0)
    blocks = -(-most // task.values_per_read) if task.values_per_read and not is_block(task.reads) else 1
    return blocks * chain.nodes.total() if most else 0


def _sent(plan: Plan, task: Task, node: WiredNode) -> int:
    if task.sends == "wired inputs":
        return channels(task, node)
    kind = plan.node_types[node.type]
    return values_at(task.reads, kind.cell_inputs, kind.temperature_inputs)


def seen_on(plan: Plan, hazard: Hazard, nodes: dict[str, ChainNodes]) -> set[str]:
    """Return the chains, by the names of their copies, on which a task or an alarm shows a hazard."""
    wanted = READ_BY.get(hazard.kind)
    seen: set[str] = set()
    for name, chain in plan.chains.items():
        all_copies = copies(name, chain.count)
        if hazard.alarm is not None and wanted is not None:
            shown = [
                plan.node_types[node.type].raises_alarms
                for node in nodes[name].nodes
                if values_at(wanted, node.cells, node.temperatures)
            ]
            alarmed = bool(shown) and all(shown)
            seen.update(all_copies if alarmed else ())
        for key, task in plan.tasks.items():
            if (
                hazard.task in (None, key)
                and shows(task, wanted)
                and any(channels(task, node) for node in nodes[name].nodes)
            ):
                everywhere = task.chains is None or name in task.chains
                seen.update(all_copies if everywhere else set(all_copies) & set(task.chains or ()))
    return seen
