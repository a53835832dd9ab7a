"""A plan as a tree of what it means: parsed values, defaults filled in, runs laid together, names resolved.

What a plan includes is part of it. Types that neither plan uses are not.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterator, Mapping
from typing import Any, NamedTuple

from pydantic import BaseModel

from chainplan.comparison.references import NAMED_KEYS, REFERENCES, Renames, new_name, new_port
from chainplan.comparison.runs import JOINS, joined, walk, walk_meaning
from chainplan.comparison.trees import Tree, leaf, listing, mapping
from chainplan.plan.layout import ChainPlan, ControllerPlan
from chainplan.plan.model import LIBRARY_SECTIONS, Plan
from chainplan.plan.order import BoardWalk, copies, for_copy
from chainplan.plan.problems import KeyPath
from chainplan.plan.uplink import UplinkPlan

NOT_COMPARED = {"chainplan", "include"}
"""Keys that say nothing of the pack: the format, and which files the types come from."""

IN_ORDER: set[tuple[type, str]] = {
    *((Plan, name) for name in ("strings", "controllers", "chains", "tasks", "hazards")),
    *((UplinkPlan, name) for name in ("buses", "masters", "messages")),
}
"""Mappings whose order can matter: tasks run, and ports are served, in the order of the plan."""

AS_ONE = {(ControllerPlan, "ports")}
"""Lists that can be written as a number, so that their items have no places of their own."""

COPIED = ("strings", "controllers", "chains")

Names = Collection[tuple[str, str]]
"""Types by section and name."""

Origins = Mapping[tuple[str, str], str]
"""Copies written out, by section and name, with the name under which the plan has them all."""


class _PlanReading(NamedTuple):
    """What the tree is built with."""

    renames: Renames
    types: Names | None
    origins: Origins


def plan_tree(plan: Plan, types: Names, renames: Renames, origins: Origins) -> Tree:
    """Return what a plan means, with only those `types`, in the names that `renames` give."""
    return _part(plan, (), _PlanReading(renames, types, origins), written=True)


def sections_tree(plan: Plan, section: str, types: Names, renames: Renames) -> Mapping[str | int, Tree]:
    """Return the entries of one section by their own names, with all they refer to in their new names."""
    owner = _owner(plan, section)
    if owner is None:
        return {}
    others = {name: names for name, names in renames.items() if name != section}
    path: KeyPath = (section,) if owner is plan else ("uplink", section)
    tree = _value(
        getattr(owner, section), (type(owner), section), path, _PlanReading(others, types, {}), written=True
    )
    return tree.entries or {}


def names_in(plan: Plan, section: str, types: Names) -> list[str]:
    """Return the names in one section, of types those that count."""
    owner = _owner(plan, section)
    names = [] if owner is None else getattr(owner, section)
    return [name for name in names if section not in LIBRARY_SECTIONS or (section, name) in types]


def _owner(plan: Plan, section: str) -> BaseModel | None:
    """Return the part of a plan that a section stands in; the uplink's sections count for themselves."""
    return plan if section in Plan.model_fields else plan.uplink


def _part(part: BaseModel, path: KeyPath, reading: _PlanReading, *, written: bool) -> Tree:
    kind = type(part)
    entries: dict[str | int, Tree] = {}
    for name in kind.model_fields:
        if kind is Plan and name in NOT_COMPARED:
            continue
        is_written = written and name in part.model_fields_set
        entries[name] = _value(getattr(part, name), (kind, name), (*path, name), reading, written=is_written)
    return mapping(entries, path, written=written)


def _value(
    value: Any, field: tuple[type, str], path: KeyPath, reading: _PlanReading, *, written: bool
) -> Tree:
    if isinstance(value, BaseModel):
        return _part(value, path, reading, written=written)
    if isinstance(value, dict):
        return _entries(value, field, path, reading, written=written)
    if isinstance(value, list) and field not in AS_ONE:
        return _items(value, field, path, reading, written=written)
    return leaf(_meaning(value, field, reading.renames), path, written=written)


def _entries(
    values: dict[Any, Any], field: tuple[type, str], path: KeyPath, reading: _PlanReading, *, written: bool
) -> Tree:
    section = field[1]
    named = (section,) if section in reading.renames else NAMED_KEYS.get(field, ())
    entries: dict[str | int, Tree] = {}
    for name, value in values.items():
        if section in LIBRARY_SECTIONS and reading.types is not None and (section, name) not in reading.types:
            continue
        key = new_name(name, named, reading.renames) if isinstance(name, str) else name
        origin = reading.origins.get((section, name), name) if isinstance(name, str) else name
        entries[key] = _value(value, field, (*path, origin), reading, written=written)
    return mapping(entries, path, in_order=field in IN_ORDER, written=written)


def _items(
    values: list[Any], field: tuple[type, str], path: KeyPath, reading: _PlanReading, *, written: bool
) -> Tree:
    if field == (ChainPlan, "order"):
        values = [walk(entry, reading.renames) for entry in values]
    items = []
    for item, numbers in joined(values, JOINS.get(field)):
        paths = [(*path, number) for number in numbers]
        tree = _value(item, field, paths[0], reading, written=written)
        items.append(tree._replace(paths=tuple(paths)))
    return listing(tuple(items), path, written=written)


def _meaning(value: Any, field: tuple[type, str], renames: Renames) -> Hashable:
    if isinstance(value, BoardWalk):
        return walk_meaning(value)
    if isinstance(value, tuple) and field in REFERENCES:
        return tuple(new_name(each, REFERENCES[field], renames) for each in value)
    if isinstance(value, str) and field in REFERENCES:
        if field in ((ChainPlan, "head"), (ChainPlan, "back")):
            return new_port(value, renames)
        return new_name(value, REFERENCES[field], renames)
    found: Hashable = value
    return found


def used_types(plan: Plan) -> dict[tuple[str, str], list[str]]:
    """Return the types that a plan uses, by section and name, each with what uses it, directly or not.

    A user is an entry of a section that is no library's, as ``strings.main``.
    """
    library = {
        (section, name): set(_types_in(entry))
        for section in LIBRARY_SECTIONS
        for name, entry in getattr(plan, section).items()
    }
    users: dict[tuple[str, str], list[str]] = {}
    for section in ("strings", "chains", "tasks"):
        for name, entry in getattr(plan, section).items():
            reached: set[tuple[str, str]] = set()
            waiting = list(_types_in(entry))
            while waiting:
                found = waiting.pop()
                if found not in reached:
                    reached.add(found)
                    waiting += library.get(found, ())
            for found in sorted(reached):
                users.setdefault(found, []).append(f"{section}.{name}")
    return users


def _types_in(value: Any, field: tuple[type, str] | None = None) -> Iterator[tuple[str, str]]:
    """Yield the types that a part names, section and name."""
    if isinstance(value, BaseModel):
        for name in type(value).model_fields:
            yield from _types_in(getattr(value, name), (type(value), name))
    elif isinstance(value, dict):
        for part in value.values():
            yield from _types_in(part, field)
    elif isinstance(value, list):
        for part in value:
            yield from _types_in(part, field)
    elif isinstance(value, str) and field is not None:
        yield from ((each, value) for each in REFERENCES.get(field, ()) if each in LIBRARY_SECTIONS)


def written_out(plan: Plan, other: Plan) -> tuple[Plan, Origins]:
    """Return a plan with those parts written out copy by copy that the other one has so.

    ``ring`` with ``count: 4`` and `ring-1` to `ring-4` are then the same.
    """
    updates: dict[str, Any] = {}
    origins: dict[tuple[str, str], str] = {}
    for section in COPIED:
        theirs, entries = getattr(other, section), {}
        for name, part in getattr(plan, section).items():
            names = copies(name, part.count)
            as_one = part.count == 1 or name in theirs or any(each not in theirs for each in names)
            for number, copy in enumerate([name] if as_one else names, start=1):
                entries[copy] = part if as_one else _copy(part, number)
                if not as_one:
                    origins[section, copy] = name
        updates[section] = entries
    return (plan.model_copy(update=updates), origins) if origins else (plan, {})


def _copy(part: BaseModel, number: int) -> BaseModel:
    update: dict[str, Any] = {"count": 1}
    if isinstance(part, ChainPlan):
        update["head"] = for_copy(part.head, number)
        update["back"] = for_copy(part.back, number) if part.back else None
        update["order"] = [for_copy(entry, number) for entry in part.order]
    copied = part.model_copy(update=update)
    copied.model_fields_set.intersection_update(part.model_fields_set)  # what was left out stays so
    return copied
