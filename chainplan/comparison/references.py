"""Which texts of a plan are names of its other parts, so that a new name alone changes nothing else."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

from chainplan.plan.layout import BoardException, BoardRun, ChainPlan, StackItem, StringPlan
from chainplan.plan.order import has_copy_mark, parse_port
from chainplan.plan.parts import BoardNode, SegmentSpec
from chainplan.plan.schedule import Hazard, Targets, Task
from chainplan.plan.uplink import MessagePlan

UNITS = ("controllers", "masters")

REFERENCES: dict[tuple[type, str], tuple[str, ...]] = {
    (StringPlan, "cell_type"): ("cell_types",),
    (StackItem, "cell_type"): ("cell_types",),
    (BoardRun, "type"): ("board_types",),
    (BoardException, "type"): ("board_types",),
    (BoardNode, "type"): ("node_types",),
    (SegmentSpec, "cable"): ("cable_types",),
    (SegmentSpec, "connectors"): ("connector_types",),
    (SegmentSpec, "barrier"): ("barrier_types",),
    (SegmentSpec, "near_barrier"): ("barrier_types",),
    (SegmentSpec, "far_barrier"): ("barrier_types",),
    (ChainPlan, "protocol"): ("protocols",),
    (ChainPlan, "head"): ("controllers",),
    (ChainPlan, "back"): ("controllers",),
    (ChainPlan, "order"): ("strings",),
    (Task, "chains"): ("chains",),
    (Hazard, "task"): ("tasks",),
    (Hazard, "reaction_at"): UNITS,
    (Hazard, "reported_by"): ("messages",),
    (MessagePlan, "bus"): ("buses",),
    (MessagePlan, "sender"): UNITS,
    (MessagePlan, "carries"): ("tasks",),
    (MessagePlan, "forwards"): ("messages",),
}
"""Fields whose texts are, or begin with, a name of these sections."""

NAMED_KEYS: dict[tuple[type, str], tuple[str, ...]] = {
    (Targets, "sample_age"): ("tasks",),
    (Targets, "skew"): ("tasks",),
    (Targets, "bytes_per_sample"): ("tasks",),
    (Targets, "end_to_end_age"): ("messages",),
}
"""Mappings whose keys are names of these sections."""

Renames = Mapping[str, Mapping[str, str]]
"""For each section its old names with the new ones."""


def new_name(text: str, sections: tuple[str, ...], renames: Renames) -> str:
    """Return a name, of one copy or not, as the newer plan has it."""
    for section in sections:
        for old, new in renames.get(section, {}).items():
            tail = text.removeprefix(old)
            if text.startswith(old) and _is_copy(tail):
                return new + tail
    return text


def _is_copy(tail: str) -> bool:
    return not tail or (tail.startswith("-") and (has_copy_mark(tail[1:]) or tail[1:].isdecimal()))


def new_port(text: str, renames: Renames) -> Hashable:
    """Return ``CONTROLLER:PORT`` as the newer plan has it."""
    parts = parse_port(text)
    return text if parts is None else (new_name(parts[0], ("controllers",), renames), parts[1])
