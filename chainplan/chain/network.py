"""The plan built out: every string, node, segment and chain, with the attributes the budgets need.

The parts are plain frozen values in tuples, so a budget reads ``chain.nodes`` and ``chain.segments``
without a search. `Network.graph` holds the same values on a networkx graph for walks over the topology.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from chainplan.plan.layout import ChainPlan, HostBus, RecoveryPlan
from chainplan.plan.parts import CableType, ConnectorType, Insulation, NodeType, Protocol
from chainplan.quantity import Span
from chainplan.remembered import remembered, remembered_for_all

if TYPE_CHECKING:
    import networkx


class Break(NamedTuple):
    """A place where a string can open: `cells_below` cells stand between it and HV-."""

    name: str
    kind: str
    cells_below: int
    allowance: int
    """Arc and overshoot voltage on top of the string voltage, uV."""


class CellString(NamedTuple):
    """Cells in series. ``taps[i]`` is the voltage above HV- of the tap over i cells, all cells full, uV.

    ``empty[i]`` is the same with all cells empty.
    """

    name: str
    taps: tuple[int, ...]
    empty: tuple[int, ...]
    breaks: tuple[Break, ...]
    boards: tuple[str, ...]
    insulation_resistance: tuple[Span, Span] | None
    """Insulation resistance of HV+ and of HV- to chassis, mohm."""

    @property
    def voltage(self) -> int:
        """Return the full string's voltage, uV."""
        return self.taps[-1]


class Node(NamedTuple):
    """A monitoring circuit on a chain; its reference is the negative end of its lowest cell."""

    name: str
    board: str
    string: str
    type: NodeType
    cells: int
    temperatures: int
    first_cell: int
    """Number of cells between HV- and its lowest cell."""
    reference: int
    """Voltage of its reference above HV-, all cells full, uV."""
    top: int
    """Voltage of its uppermost tap above HV-, all cells full, uV."""


class Make(NamedTuple):
    """Nodes of a chain that differ only in where they stand: the first one, and their places from 0."""

    node: Node
    places: tuple[int, ...]

    @property
    def first(self) -> int:
        """Return the place nearest to the head."""
        return self.places[0]


@remembered
def makes(nodes: tuple[Node, ...]) -> tuple[Make, ...]:
    """Return the nodes of a chain make by make, in the order of their first places.

    What depends on a node's type and inputs alone is then worked out once, however many there are of it.
    """
    places: dict[tuple[int, int, int], list[int]] = {}
    for place, node in enumerate(nodes):
        places.setdefault((id(node.type), node.cells, node.temperatures), []).append(place)
    return tuple(Make(nodes[found[0]], tuple(found)) for found in places.values())


class Barrier(NamedTuple):
    """What a barrier does to a signal. What it holds stands in the plan's type of this name."""

    name: str
    delay: Span
    """fs"""
    loss: Span | None
    """udB; None where the plan gives none."""


class Wiring(NamedTuple):
    """The parts that segments are made of, by name."""

    cable_types: dict[str, CableType]
    connector_types: dict[str, ConnectorType]
    barriers: dict[str, Barrier]


class Separation(NamedTuple):
    """What keeps the ends of a segment apart: barriers by name, and the distances between the boards, nm."""

    near_barrier: str | None
    far_barrier: str | None
    barriers_share: bool
    insulation: Insulation | None
    """The kind that the plan asks for; None where its rules say."""
    creepage: Span | None
    clearance: Span | None


class Hop(NamedTuple):
    """What all segments of one make share: cable, delay, barriers and distances."""

    cable: str
    length: Span
    """nm"""
    delay: Span
    """One way, cable, connectors and barriers, fs."""
    connectors: tuple[str, ...]
    near_barrier: Barrier | None
    far_barrier: Barrier | None
    separation: Separation


class Segment(NamedTuple):
    """One hop of a chain between neighbours; `near` is nearer to the head. Number 1 leaves the head port."""

    chain: str
    number: int
    near: str
    far: str
    hop: Hop

    @property
    def name(self) -> str:
        """Return the segment's name, chain and number."""
        return segment_name(self.chain, self.number)


def segment_name(chain: str, number: int) -> str:
    """Return the name of a chain's segment."""
    return f"{chain}#{number}"


class Chain(NamedTuple):
    """The ordered walk of nodes from a head port; a ring has one segment more, back to the other port."""

    name: str
    family: str
    """The name in the plan, shared by its copies."""
    plan: ChainPlan
    protocol: Protocol
    controller: str
    head: str
    back: str | None
    nodes: tuple[Node, ...]
    segments: tuple[Segment, ...]
    ring: str = ""
    """Of a ring that is read from its back port: the ring's name, beside one of its own."""

    @property
    def wires(self) -> str:
        """Return the name of the chain in the network whose cables and nodes these are."""
        return self.ring or self.name

    @property
    def is_ring(self) -> bool:
        """Tell whether both ends meet controller ports."""
        return self.back is not None


class ScanSettings(NamedTuple):
    """What of a controller sets the pace of its scans, as the plan gives it."""

    start: Span | None
    set_up: Span
    set_up_by: Literal["one core", "each port"]
    host_bus: HostBus | None
    scan_period: Span
    scan_jitter: Span
    overrun: Literal["drop", "catch up"]
    retry_reserve: int
    recovery: RecoveryPlan | None

    def pace(self, busiest: int) -> int:
        """Return the longest time from one planned start to the next that is heeded, fs.

        `busiest` is the longest scan. One that ends after the next start makes that wait for the one after
        it, or begin late.
        """
        if self.overrun == "catch up":
            return max(self.scan_period.max, busiest)
        starts = -(-(self.scan_jitter.max + busiest) // self.scan_period.min)
        return max(1, starts) * self.scan_period.max

    @property
    def buses(self) -> dict[str, HostBus]:
        """Return all host buses by name; one that serves all ports has none."""
        bus = self.host_bus
        return {} if bus is None else dict.fromkeys(bus.serves or ("",), bus)

    def bus_name(self, port: str) -> str | None:
        """Return the name of the bus that serves a port; None where none does."""
        if self.host_bus is None:
            return None
        own = port.rpartition(":")[2]
        return next((name for name, ports in self.host_bus.serves.items() if own in ports), "")


class Controller(NamedTuple):
    """A control unit with its ports and the chains on them, in the order of the plan."""

    name: str
    settings: ScanSettings
    ports: tuple[str, ...]
    chains: tuple[Chain, ...]


_BITS = (
    "character",
    "preamble",
    "trailer",
    "shortest_frame",
    "read_style",
    "request",
    "answer",
    "write",
    "check",
    "bit_errors",
)
"""What of a protocol says which bits are sent and how they fare, and nothing of when."""


def outlines(chains: Iterable[Chain]) -> tuple[Chain, ...]:
    """Return chains without cables and times: what sets which bits they carry, and no more.

    Chains alike in this get the very same outlines, however long their cables and fast their wires are, so
    that what follows from the bits alone is worked out once for all of them.
    """
    return _as_one(*map(_outline, chains))


@remembered
def _outline(chain: Chain) -> Chain:
    plan, protocol = chain.plan, chain.protocol
    of_plan = plan.protocol, plan.read_from, plan.bit_errors
    of_protocol = tuple([getattr(protocol, key) for key in _BITS])
    return _outlined(
        chain.nodes, chain.name, chain.family, chain.controller, chain.head, chain.back, of_plan, of_protocol
    )


@remembered
def _outlined(
    nodes: tuple[Node, ...],
    name: str,
    family: str,
    controller: str,
    head: str,
    back: str | None,
    of_plan: tuple[Any, ...],
    of_protocol: tuple[Any, ...],
) -> Chain:
    plan = ChainPlan.model_construct(
        **dict(zip(("protocol", "read_from", "bit_errors"), of_plan, strict=True))
    )
    protocol = Protocol.model_construct(**dict(zip(_BITS, of_protocol, strict=True)))
    return Chain(name, family, plan, protocol, controller, head, back, nodes, ())


@remembered_for_all
def _as_one(*chains: Chain) -> tuple[Chain, ...]:
    return chains


@dataclass(frozen=True)
class Network:
    """Everything a plan lays out, and the parts that more of it could be made of."""

    strings: dict[str, CellString]
    controllers: dict[str, Controller]
    chains: dict[str, Chain]
    nodes: dict[str, Node] = field(repr=False)
    wiring: Wiring = field(repr=False)

    @cached_property
    def families(self) -> dict[str, tuple[Chain, ...]]:
        """Return the chains of each name in the plan, copies together."""
        found: dict[str, list[Chain]] = {}
        for chain in self.chains.values():
            found.setdefault(chain.family, []).append(chain)
        return {name: tuple(chains) for name, chains in found.items()}

    @cached_property
    def graph(self) -> networkx.MultiGraph[str]:
        """Return the topology: ports, nodes and segments, with the string order beside the chain order.

        Vertices carry ``kind`` (``controller``, ``port`` or ``node``) and ``part`` (the value itself); edges
        are keyed ``chain`` (with the :class:`Segment` as ``part``), ``string`` (to the next node up in the
        same string) or ``port`` (from a controller to its port).
        """
        import networkx

        graph: networkx.MultiGraph[str] = networkx.MultiGraph()
        for controller in self.controllers.values():
            graph.add_node(controller.name, kind="controller", part=controller)
            for port in controller.ports:
                graph.add_node(port, kind="port", part=controller)
                graph.add_edge(controller.name, port, key="port")
        for chain in self.chains.values():
            graph.add_nodes_from((node.name, {"kind": "node", "part": node}) for node in chain.nodes)
            for segment in chain.segments:
                graph.add_edge(segment.near, segment.far, key="chain", part=segment)
        upward = sorted(self.nodes.values(), key=lambda node: (node.string, node.first_cell))
        for below, above in pairwise(upward):
            if below.string == above.string:
                graph.add_edge(below.name, above.name, key="string")
        return graph
