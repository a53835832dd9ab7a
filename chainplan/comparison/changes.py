"""What was changed in a plan: key by key, with both values as they were written, and where they stand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal, NamedTuple

from chainplan.comparison.planned import plan_tree, used_types, written_out
from chainplan.comparison.references import Renames
from chainplan.comparison.renames import find_renames
from chainplan.comparison.trees import Difference, Tree, differences
from chainplan.plan.includes import Sources
from chainplan.plan.load import LoadedPlan
from chainplan.plan.model import LIBRARY_SECTIONS, Plan
from chainplan.plan.problems import KeyPath, dotted
from chainplan.quantity import DIMENSIONS, Span, format_span

Kind = Literal["changed", "added", "removed", "renamed", "moved", "reordered"]

WORDS = {"title", "revision", "date", "about", "note"}
"""Keys that no figure depends on."""


class WrittenValue(NamedTuple):
    """A value in one plan: its text as written, and the place of its key.

    What was left out has `written` false, the default as its text (empty where leaving it out means none),
    and the place of what it would stand in. `line` is 0 where no line has it.
    """

    key: str
    text: str
    file: str
    line: int
    written: bool = True


class Change(NamedTuple):
    """One change; a side is None where the plan has nothing that answers to the other side."""

    kind: Kind
    key: str
    old: WrittenValue | None
    new: WrittenValue | None
    used_by: tuple[str, ...] = ()
    """What uses the type that was changed: ``strings.main``."""
    words_only: bool = False
    """A title, a date or a note: no figure depends on it."""


class PlanChanges(NamedTuple):
    """All changes from one plan to another, and which names stand for which."""

    changes: tuple[Change, ...]
    renames: Renames


def plan_changes(old: LoadedPlan, new: LoadedPlan) -> PlanChanges:
    """Return what was changed from one plan to another, section by section; titles and notes come last."""
    before, origins = written_out(old.plan, new.plan)
    after, new_origins = written_out(new.plan, old.plan)
    users = used_types(before), used_types(after)
    types = {*users[0], *users[1]}
    renames = find_renames(before, after, types)
    trees = plan_tree(before, types, renames, origins), plan_tree(after, types, {}, new_origins)
    sides = _Sides(old.sources, new.sources)
    changes = [
        *(_renamed(section, names, sides) for section, names in _pairs(renames)),
        *(_change(each, sides, users, renames) for each in differences(*trees)),
    ]
    return PlanChanges(tuple(sorted(changes, key=_section_order)), renames)


class _Sides(NamedTuple):
    """The files of both plans."""

    old: Sources
    new: Sources


Users = tuple[Mapping[tuple[str, str], Sequence[str]], Mapping[tuple[str, str], Sequence[str]]]


def _pairs(renames: Renames) -> Iterator[tuple[str, tuple[str, str]]]:
    yield from ((section, pair) for section, names in renames.items() for pair in names.items())


def _section_order(change: Change) -> tuple[bool, int]:
    """Order changes by section, those in words alone behind all others."""
    names = list(Plan.model_fields)
    head = change.key.partition(".")[0].partition("[")[0]
    return change.words_only, names.index(head) if head in names else len(names)


def _renamed(section: str, names: tuple[str, str], sides: _Sides) -> Change:
    paths = [(section, name) if section in Plan.model_fields else ("uplink", section, name) for name in names]
    old, new = (_side(name, path, sources) for name, path, sources in zip(names, paths, sides, strict=True))
    return Change("renamed", new.key, old, new)


def _change(each: Difference, sides: _Sides, users: Users, renames: Renames) -> Change:
    kind: Kind = each.kind
    if kind == "changed" and each.old and each.new and each.old.written != each.new.written:
        kind = "removed" if each.old.written else "added"
    write = _names_in_order if kind == "reordered" else _text
    old = _side(write(each.old, sides.old), each.old.paths[0], sides.old, each.old) if each.old else None
    new = _side(write(each.new, sides.new), each.new.paths[0], sides.new, each.new) if each.new else None
    key = new.key if new is not None else old.key if old is not None else ""
    words_only = bool(each.path) and each.path[-1] in WORDS
    return Change(kind, key, old, new, _users(each.path, users, renames), words_only)


def _users(path: KeyPath, users: Users, renames: Renames) -> tuple[str, ...]:
    if len(path) < 2 or path[0] not in LIBRARY_SECTIONS:
        return ()
    section, name = str(path[0]), str(path[1])
    old_name = next((old for old, new in renames.get(section, {}).items() if new == name), name)
    both = (*users[0].get((section, old_name), ()), *users[1].get((section, name), ()))
    return tuple(dict.fromkeys(both))


def _side(text: str, path: KeyPath, sources: Sources, tree: Tree | None = None) -> WrittenValue:
    place = sources.key_place(path)
    return WrittenValue(dotted(path), text, place.file, place.line, tree is None or tree.written)


def _names_in_order(tree: Tree, _: Sources) -> str:
    return ", ".join(str(each.paths[0][-1]) for each in (tree.entries or {}).values())


def _text(tree: Tree, sources: Sources) -> str:
    """Return a value as it was written, on one line; of what was left out the default."""
    if not tree.written:
        return _default(tree)
    return " + ".join(_as_written(path, sources) for path in tree.paths)


def _as_written(path: KeyPath, sources: Sources) -> str:
    value = sources.value(path)
    if isinstance(value, (int, float)):  # 0x310 and 1e-9 as they stand in the file
        place = sources.place(path)
        if place.line > 0 and place.caret is not None:
            return place.text[place.caret : place.caret + place.length] or flow(value)
    return flow(value)


def flow(value: Any) -> str:
    """Return plain data on one line, as YAML writes it where there is room for one line only."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {flow(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(flow, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value).strip() or '""'


def _default(tree: Tree) -> str:
    """Return what a left-out key stands for; empty where it stands for nothing."""
    if tree.entries is not None or tree.items is not None:
        return ""
    _, value = tree.meaning if isinstance(tree.meaning, tuple) else (False, tree.meaning)
    if isinstance(value, Span):
        return _span(value, tree.paths[0])
    if isinstance(value, tuple):
        return flow(list(value))
    return "" if value is None or value == "" else flow(value)


def _span(span: Span, path: KeyPath) -> str:
    from chainplan.plan.model_words import expected_words  # only where a quantity was left out

    name = expected_words(path).partition(" such as")[0]
    dimension = next((each for each in DIMENSIONS if each.name == name), None)
    return "" if dimension is None else format_span(span, dimension)
