"""The pack as the tool understood it, in a few lines: strings, boards, and every chain that differs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from chainplan.chain.network import Chain, Network, Node
from chainplan.evaluation import Evaluation
from chainplan.plan.layout import StringPlan
from chainplan.plan.problems import display_width
from chainplan.quantity import BIT_RATE, LENGTH, VOLTAGE
from chainplan.report.drawing import Sign
from chainplan.report.figures import Look, amount, listed, plural

_WIRE = Sign("─", "-")
_BREAK = Sign("╱", "/")
_FOLD = Sign("…", "...")


def strings_line(evaluation: Evaluation) -> str:
    """Return strings, cells and voltages, strings of one kind together."""
    network = evaluation.network
    parts = []
    for name, plan in evaluation.plan.strings.items():
        string = network.strings[name if plan.count == 1 else f"{name}-1"]
        cells = len(string.taps) - 1
        low, high = amount(string.empty[-1], VOLTAGE, "down"), amount(string.voltage, VOLTAGE, "up")
        volts = f"{low.removesuffix(' V')} to {high}" if high.endswith(" V") else f"{low} to {high}"
        parts.append(f"{plural(plan.count, 'string')} x {cells} cells{_modules(plan)}, {volts}")
    return "; ".join(parts)


def _modules(plan: StringPlan) -> str:
    runs = [(item.modules, item.cells) for item in plan.stack if item.modules]
    sizes = {cells for _, cells in runs}
    loose = any(item.cells and not item.modules for item in plan.stack)
    if len(sizes) != 1 or loose:
        return ""
    return f" ({plural(sum(modules or 0 for modules, _ in runs), 'module')} x {sizes.pop()})"


def boards_line(evaluation: Evaluation) -> str:
    """Return the boards and nodes on the chains, and the controllers."""
    network = evaluation.network
    boards = len({node.board for node in network.nodes.values()})
    return (
        f"{plural(boards, 'board')}, {plural(len(network.nodes), 'node')}, "
        f"{plural(len(network.controllers), 'controller')}"
    )


def chain_lines(network: Network, look: Look, most: int) -> Iterator[str]:
    """Yield for each chain of the plan its drawing and what it is; copies are told once."""
    families = list(network.families.values())
    for chains in families[:most]:
        yield _drawn(network, chains[0], look)
        yield "  " + _facts(network, chains)
    if len(families) > most:
        yield f"  and {plural(len(families) - most, 'chain')} more that differ: -s isolation draws all"


def _facts(network: Network, chains: Sequence[Chain]) -> str:
    chain = chains[0]
    length = sum(segment.hop.length.max for segment in chain.segments)
    shape = "ring" if chain.is_ring else "open chain"
    what = shape if len(chains) == 1 else f"{len(chains)} {shape}s alike, each"
    volts = [volt for node in chain.nodes for volt in (node.reference, node.top)]
    low, high = amount(min(volts), VOLTAGE, "down"), amount(max(volts), VOLTAGE, "up")
    parts = [
        f"{what}: {plural(len(chain.nodes), 'node')}, {amount(length, LENGTH, 'up')}",
        amount(chain.protocol.bit_rate.typical, BIT_RATE),
        f"{low} to {high}",
    ]
    names = [name for near, far in pairwise(chain.nodes) for name in _breaks(network, near, far)]
    if names:
        parts.append(f"{_BREAK.plain} {listed(list(dict.fromkeys(names)), 2)}")
    return ", ".join(parts)


def _breaks(network: Network, one: Node, other: Node) -> list[str]:
    """Return the places at which their string can open between two nodes of it."""
    if one.string != other.string:
        return []
    low, high = sorted((one, other), key=lambda node: node.first_cell)
    ends = low.first_cell + low.cells, high.first_cell
    return [
        each.name for each in network.strings[one.string].breaks if ends[0] <= each.cells_below <= ends[1]
    ]


def _drawn(network: Network, chain: Chain, look: Look) -> str:
    """Return head, nodes and back with wires between; what does not fit in the middle is folded."""
    ascii_only = not look.unicode
    wire, broken, fold = (sign.get(ascii_only) for sign in (_WIRE, _BREAK, _FOLD))
    plain = f" {wire}{wire} "
    stops: list[tuple[str, str]] = [("", look.text(chain.head))]
    before: Node | None = None
    for node in chain.nodes:
        crossed = before is not None and _breaks(network, before, node)
        stops.append((f" {wire}{broken}{wire} " if crossed else plain, look.text(node.name)))
        before = node
    if chain.back is not None:
        stops.append((plain, look.text(chain.back)))
    for kept in range(len(stops), 2, -1):
        head, tail = stops[: kept - kept // 2], stops[len(stops) - kept // 2 :]
        left = stops[len(head) : len(stops) - len(tail)]
        if left:
            opens = any(broken in link for link, _ in (*left, tail[0]))
            tail = [(f" {wire}{broken}{wire} " if opens else plain, tail[0][1]), *tail[1:]]
            head = [*head, (plain, f"{fold} {len(left)} more {fold}")]
        line = "".join(link + name for link, name in (*head, *tail))
        if display_width(line) <= look.width:
            return line
    return f"{look.text(chain.head)}{plain}{plural(len(chain.nodes), 'node')}"
