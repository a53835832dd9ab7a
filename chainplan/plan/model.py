"""The plan as a whole: one file, validated, with nothing computed yet."""

from __future__ import annotations

from typing import Literal

from chainplan.plan.fields import Name, Note, Part
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

    chainplan: Literal[1]
    title: Name
    revision: Name = "-"
    date: Name | None = None
    about: Note = ""
    include: list[Name] = []
    strings: dict[Name, StringPlan]
    controllers: dict[Name, ControllerPlan]
    chains: dict[Name, ChainPlan]
    insulation: InsulationRules = InsulationRules()
    tasks: dict[Name, Task]
    hazards: dict[Name, Hazard] = {}
    targets: Targets = Targets()
