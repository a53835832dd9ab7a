"""The plan as a whole: one file, validated, with nothing computed yet."""

from __future__ import annotations

from chainplan.plan.fields import Format, JoinedName, Name, Note, Part, Reference
from chainplan.plan.layout import ChainPlan, ControllerPlan, InsulationRules, StringPlan
from chainplan.plan.parts import (
    BarrierType,
    BoardType,
    CableType,
    CellType,
    ConnectorType,
    NodeType,
    Protocol,
)
from chainplan.plan.schedule import Hazard, Targets, Task
from chainplan.plan.standby import SleepPlan, SupplyPlan
from chainplan.plan.uplink import UplinkPlan


class Library(Part):
    """Types that several plans share; a plan includes such a file by name."""

    cell_types: dict[Name, CellType] = {}
    """Cells: voltage and capacity."""
    node_types: dict[Name, NodeType] = {}
    """Nodes: the monitoring circuits on the chain."""
    board_types: dict[Name, BoardType] = {}
    """Boards: each carries one node or several."""
    cable_types: dict[Name, CableType] = {}
    """Cables and board traces."""
    connector_types: dict[Name, ConnectorType] = {}
    """Connectors on the way."""
    barrier_types: dict[Name, BarrierType] = {}
    """Barriers: the isolating parts at a segment's ends."""
    protocols: dict[Name, Protocol] = {}
    """Protocols: what a frame costs on the wire and how reads are framed."""


LIBRARY_SECTIONS = tuple(Library.model_fields)
"""The sections an included file may hold."""


class Plan(Library):
    """One candidate layout of a pack's communication chain."""

    chainplan: Format
    """The format of the plan file."""
    title: Name
    """Stands over the report."""
    revision: Name = "-"
    """Your revision of the plan."""
    date: Name | None = None
    """Your date of it."""
    about: Note = ""
    """What the plan is about."""
    include: list[Reference] = []
    """Files with types that several plans share, beside this file: `include: [library/parts.yaml]`. They hold
    the seven sections that follow, and may include others.
    """
    strings: dict[JoinedName, StringPlan]
    """Strings: cells in series between one pair of HV terminals, and the boards on them."""
    controllers: dict[JoinedName, ControllerPlan]
    """Controllers: control units at chassis potential, with ports."""
    chains: dict[JoinedName, ChainPlan]
    """Chains: each walks from a head port from board to board; a ring comes back to a second port."""
    insulation: InsulationRules = InsulationRules.model_construct()
    """What sets the distances by IEC 60664-1; the kind of insulation where a segment says none."""
    tasks: dict[JoinedName, Task]
    """What the firmware does, scan by scan."""
    hazards: dict[JoinedName, Hazard] = {}
    """Faults that must be handled in time."""
    sleep: SleepPlan | None = None
    """How the nodes watch while the controller sleeps."""
    supply: SupplyPlan | None = None
    """How the pack is used, as far as the nodes' own supply is concerned."""
    uplink: UplinkPlan | None = None
    """The CAN buses on which controllers tell the vehicle, or a master, what they have read."""
    targets: Targets = Targets.model_construct()
    """Limits that you set; what is left out is computed but not judged."""
