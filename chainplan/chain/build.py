"""From a checked plan to the built-out network: runs unrolled, exceptions applied, references summed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from chainplan.chain.hops import Hops
from chainplan.chain.network import (
    Barrier,
    Break,
    CellString,
    Chain,
    Controller,
    Hop,
    Network,
    Node,
    ScanSettings,
    Segment,
    Wiring,
)
from chainplan.figures.budget import budget, part_of_plan
from chainplan.plan.layout import Actuator, ChainPlan, ControllerPlan, EvaluationPlan, StringPlan
from chainplan.plan.model import Plan
from chainplan.plan.order import copies, for_copy, parse_port, parse_walk
from chainplan.plan.parts import (
    BarrierType,
    BoardType,
    CableType,
    CellType,
    ConnectorType,
    NodeType,
    Protocol,
)
from chainplan.plan.uplink import UplinkPlan
from chainplan.remembered import remembered, remembered_for_all


class Board(NamedTuple):
    """A board in place: its type and its nodes from the lowest upward."""

    type: BoardType
    nodes: tuple[Node, ...]


class Unit(NamedTuple):
    """What judges readings and reacts: a controller, or a master of the uplink."""

    evaluation: EvaluationPlan
    actuators: dict[str, Actuator]


@part_of_plan
def units(controllers: dict[str, ControllerPlan], uplink: UplinkPlan | None) -> dict[str, Unit]:
    """Every controller, copies each by its own name, and every master, as far as they judge and react."""
    found = {
        name: Unit(plan.evaluation, plan.actuators)
        for base, plan in controllers.items()
        for name in copies(base, plan.count)
    }
    masters = uplink.masters if uplink else {}
    return found | {name: Unit(plan.evaluation, plan.actuators) for name, plan in masters.items()}


@part_of_plan
def senders(controllers: dict[str, ControllerPlan], uplink: UplinkPlan | None) -> dict[str, tuple[str, ...]]:
    """Whom a message's sender names: all copies of a controller, one of them, or a master."""
    found: dict[str, tuple[str, ...]] = {}
    for base, plan in controllers.items():
        names = copies(base, plan.count)
        found |= {name: (name,) for name in names} | {base: names}
    return found | {name: (name,) for name in (uplink.masters if uplink else ())}


class Host(NamedTuple):
    """A controller of the plan as far as it scans: its copies, their ports, and what sets their pace."""

    copies: tuple[str, ...]
    ports: tuple[str, ...]
    settings: ScanSettings


@part_of_plan
def hosts(controllers: dict[str, ControllerPlan]) -> dict[str, Host]:
    """The controllers of the plan as far as they scan, by their names there."""
    return {name: _host(plan, name) for name, plan in controllers.items()}


@remembered
def _host(plan: ControllerPlan, name: str) -> Host:
    settings = ScanSettings(*(getattr(plan, key) for key in ScanSettings._fields))
    return Host(copies(name, plan.count), plan.port_names(), settings)


@part_of_plan
def barriers(barrier_types: dict[str, BarrierType]) -> dict[str, Barrier]:
    """What the barriers of the plan do to a signal, by name."""
    return {name: Barrier(name, kind.delay, kind.loss) for name, kind in barrier_types.items()}


@budget
def network(
    strings: dict[str, StringPlan],
    hosts: dict[str, Host],
    chains: dict[str, ChainPlan],
    cell_types: dict[str, CellType],
    board_types: dict[str, BoardType],
    node_types: dict[str, NodeType],
    cable_types: dict[str, CableType],
    connector_types: dict[str, ConnectorType],
    barriers: dict[str, Barrier],
    protocols: dict[str, Protocol],
) -> Network:
    """The plan built out into strings, nodes, segments and chains.

    The plan must have passed :func:`chainplan.plan.checks.check_plan`: names are taken to exist.
    """
    cell_strings, boards = _strings(strings, cell_types, board_types, node_types)
    wiring = Wiring(cable_types, connector_types, barriers)
    laid = {chain.name: chain for chain in _chains(chains, protocols, boards, wiring)}
    controllers = {}
    for host in hosts.values():
        for name in host.copies:
            own = tuple(chain for chain in laid.values() if chain.controller == name)
            ports = tuple(f"{name}:{port}" for port in host.ports)
            controllers[name] = Controller(name, host.settings, ports, own)
    nodes = {node.name: node for chain in laid.values() for node in chain.nodes}
    return Network(cell_strings, controllers, laid, nodes, wiring)


def build_network(plan: Plan) -> Network:
    """Build a checked plan out by itself, without an evaluation."""
    return network(
        plan.strings,
        hosts(plan.controllers),
        plan.chains,
        plan.cell_types,
        plan.board_types,
        plan.node_types,
        plan.cable_types,
        plan.connector_types,
        barriers(plan.barrier_types),
        plan.protocols,
    )


@remembered_for_all
def _strings(
    plans: dict[str, StringPlan],
    cell_types: dict[str, CellType],
    board_types: dict[str, BoardType],
    node_types: dict[str, NodeType],
) -> tuple[dict[str, CellString], dict[str, Board]]:
    """Return the strings of a plan and the boards on them, by name."""
    strings: dict[str, CellString] = {}
    boards: dict[str, Board] = {}
    for base, string in plans.items():
        taps, empty, breaks = _stack(cell_types, string)
        placed = list(place_boards(board_types, string))
        leakage = (
            (string.insulation_resistance.positive, string.insulation_resistance.negative)
            if string.insulation_resistance
            else None
        )
        for name in copies(base, string.count):
            names = tuple(f"{name}.{position}" for position in range(1, len(placed) + 1))
            strings[name] = CellString(name, taps, empty, breaks, names, leakage)
            for board, (kind, cell) in zip(names, placed, strict=True):
                nodes = _nodes(node_types, name, board, board_types[kind], cell, taps)
                boards[board] = Board(board_types[kind], nodes)
    return strings, boards


def place_boards(board_types: dict[str, BoardType], string: StringPlan) -> Iterator[tuple[str, int]]:
    """Yield each board's type and the number of cells below it, from HV- upward."""
    cell = 0
    position = 0
    for run in string.boards:
        if run.first_cell is not None:
            cell = run.first_cell - 1
        for _ in range(run.count):
            position += 1
            other = string.exceptions.get(position)
            kind = other.type if other else run.type
            yield kind, cell
            cell += board_cells(board_types[kind])


def board_cells(board_type: BoardType) -> int:
    """Return the number of cells a board monitors."""
    return sum(node.cells * node.count for node in board_type.nodes)


def _stack(
    cell_types: dict[str, CellType], string: StringPlan
) -> tuple[tuple[int, ...], tuple[int, ...], tuple[Break, ...]]:
    """Return a string's taps with its cells full and with its cells empty, uV, and where it can open."""
    taps, empty = [0], [0]
    breaks = []
    for item in string.stack:
        opening = item.opening
        if opening is not None:
            kind, name = opening
            breaks.append(Break(name, kind, len(taps) - 1, item.allowance.max))
            continue
        voltage = cell_types[item.cell_type or string.cell_type].voltage
        for _ in range((item.modules or 1) * (item.cells or 0)):
            taps.append(taps[-1] + voltage.max)
            empty.append(empty[-1] + voltage.min)
    return tuple(taps), tuple(empty), tuple(breaks)


def _nodes(
    node_types: dict[str, NodeType],
    string: str,
    board: str,
    board_type: BoardType,
    cell: int,
    taps: tuple[int, ...],
) -> tuple[Node, ...]:
    several = sum(entry.count for entry in board_type.nodes) > 1
    nodes: list[Node] = []
    for entry in board_type.nodes:
        for _ in range(entry.count):
            name = f"{board}/{len(nodes) + 1}" if several else board
            kind = node_types[entry.type]
            ends = taps[cell], taps[cell + entry.cells]
            nodes.append(Node(name, board, string, kind, entry.cells, entry.temperatures, cell, *ends))
            cell += entry.cells
    return tuple(nodes)


def _chains(
    chains: dict[str, ChainPlan], protocols: dict[str, Protocol], boards: dict[str, Board], wiring: Wiring
) -> Iterator[Chain]:
    for base, chain in chains.items():
        protocol = protocols[chain.protocol]
        for walk in _walks(chain, boards, base, *wiring):
            yield Chain(walk.name, base, chain, protocol, *walk[1:])


class _Walked(NamedTuple):
    """A chain but for its protocol."""

    name: str
    controller: str
    head: str
    back: str | None
    nodes: tuple[Node, ...]
    segments: tuple[Segment, ...]


@remembered_for_all
def _walks(
    chain: ChainPlan,
    boards: dict[str, Board],
    base: str,
    cable_types: dict[str, CableType],
    connector_types: dict[str, ConnectorType],
    barriers: dict[str, Barrier],
) -> list[_Walked]:
    """Return every copy of a chain with its nodes and segments."""
    hops = Hops(Wiring(cable_types, connector_types, barriers), chain)
    found = []
    for number, name in enumerate(copies(base, chain.count), start=1):
        head = for_copy(chain.head, number)
        back = for_copy(chain.back, number) if chain.back else None
        passage = _passage(boards, *(for_copy(entry, number) for entry in chain.order))
        segments = _segments(name, head, back, passage, hops)
        controller, _ = parse_port(head) or ("", "")
        found.append(_Walked(name, controller, head, back, passage.nodes, segments))
    return found


class _Passage(NamedTuple):
    """What a chain passes from its head on: boards, each with its nodes as they are met, and all nodes."""

    boards: tuple[tuple[BoardType, tuple[Node, ...]], ...]
    nodes: tuple[Node, ...]


@remembered
def _passage(boards: dict[str, Board], *order: str) -> _Passage:
    """Walk a chain's order, entering each board at the end that faces the walk.

    Chains that differ in cables alone so share their nodes, and whatever was worked out of those.
    """
    passed = []
    for entry in order:
        walk = parse_walk(entry)
        assert walk is not None  # the form of every entry was checked with the plan
        for position in walk.positions():
            board = boards[f"{walk.string}.{position}"]
            passed.append((board.type, board.nodes[::-1] if walk.down else board.nodes))
    return _Passage(tuple(passed), tuple(node for _, nodes in passed for node in nodes))


def _segments(name: str, head: str, back: str | None, passage: _Passage, hops: Hops) -> tuple[Segment, ...]:
    """Return the hops of a chain from its head, in order."""
    segments: list[Segment] = []
    near = head

    def hop_to(far: str, hop: Hop) -> None:
        segments.append(Segment(name, len(segments) + 1, near, far, hop))

    for number, (board_type, nodes) in enumerate(passage.boards, start=1):
        for place, node in enumerate(nodes):
            hop_to(node.name, hops.in_board(board_type) if place else hops.to_board(number))
            near = node.name
    if back is not None:
        hop_to(back, hops.to_board(len(passage.boards) + 1, last=True))
    return tuple(segments)
