"""Parts that have a new name and are otherwise the same."""

from __future__ import annotations

from collections.abc import Hashable

from chainplan.comparison.planned import Names, names_in, sections_tree
from chainplan.plan.model import Plan

SECTIONS = (
    "cell_types",
    "cable_types",
    "connector_types",
    "barrier_types",
    "node_types",
    "board_types",
    "protocols",
    "strings",
    "controllers",
    "chains",
    "tasks",
    "buses",
    "masters",
    "messages",
    "hazards",
)
"""Sections whose entries can have a new name, each behind those that its entries refer to."""


def find_renames(old: Plan, new: Plan, types: Names) -> dict[str, dict[str, str]]:
    """Return for each section the names that are new, by the old ones, where all else is equal.

    What an entry refers to may itself have a new name. Where several entries are alike they are taken in the
    order of the plans.
    """
    renames: dict[str, dict[str, str]] = {}
    for section in SECTIONS:
        if {*names_in(old, section, types)} == {*names_in(new, section, types)}:
            continue
        before = sections_tree(old, section, types, renames)
        after = sections_tree(new, section, types, {})
        free: dict[Hashable, list[str]] = {}
        for name, tree in after.items():
            if name not in before:
                free.setdefault(tree.meaning, []).append(str(name))
        for name, tree in before.items():
            if name not in after and free.get(tree.meaning):
                renames.setdefault(section, {})[str(name)] = free[tree.meaning].pop(0)
    return renames
