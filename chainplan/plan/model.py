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
    node_types: dict[Name, NodeType] = {}
    board_types: dict[Name, BoardType] = {}
    cable_types: dict[Name, CableType] = {}
    connector_types: dict[Name, ConnectorType] = {}
    barrier_types: dict[Name, BarrierType] = {}
    protocols: dict[Name, Protocol] = {}


LIBRARY_SECTIONS = tuple(Library.model_fields)
"""The sections an included file may hold."""


class Plan(Library):
    """One candidate layout of a pack's communication chain."""

    chainplan: Format
    title: Name
    revision: Name = "-"
    date: Name | None = None
    about: Note = ""
    include: list[Reference] = []
    strings: dict[JoinedName, StringPlan]
    controllers: dict[JoinedName, ControllerPlan]
    chains: dict[JoinedName, ChainPlan]
    insulation: InsulationRules = InsulationRules.model_construct()
    tasks: dict[JoinedName, Task]
    hazards: dict[JoinedName, Hazard] = {}
    sleep: SleepPlan | None = None
    supply: SupplyPlan | None = None
    uplink: UplinkPlan | None = None
    targets: Targets = Targets.model_construct()
