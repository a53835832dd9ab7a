"""What was changed in a plan: exactly that, as it was written, where it stands."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, get_origin

import pytest
from plan_texts import FULL, Written, changed, load_text
from pydantic import BaseModel

from chainplan.comparison.changes import Change, plan_changes
from chainplan.comparison.references import NAMED_KEYS, REFERENCES
from chainplan.plan.load import LoadedPlan, load_plan
from chainplan.plan.model import Plan
from chainplan.plan.model_words import SchemaSlot, _step
from chainplan.plan.problems import KeyPath, PlanError, dotted
from chainplan.plan.source import parse_source

CONFIGS = Path(__file__).parents[2] / "configs"
DATA: Any = parse_source(FULL, "plan.yaml").data


def between(old: str, new: str) -> list[Change]:
    return list(plan_changes(load_text(old), load_text(new)).changes)


def edited(*edits: tuple[str, str]) -> list[Change]:
    """Return the changes that edits of the full plan make."""
    return between(FULL, changed(*edits))


def texts(change: Change) -> tuple[str | None, str | None]:
    old, new = (None if side is None else side.text for side in (change.old, change.new))
    return old, new


# One key at a time.


def leaves(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    if isinstance(value, (dict, list)):
        for key, part in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(part, (*path, key))
    else:
        yield path, value


def altered(value: Any) -> Any:
    """Return another value of the same kind: a larger number, the other truth, a new text."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return value * 1.5 or 0.01
    if found := re.match(r"-?[0-9.]+(?= )", value):
        return f"{float(found[0]) * 1.25 or 1:.4f}".rstrip("0").rstrip(".") + value[found.end() :]
    return value + "x"


def with_value(data: Any, path: KeyPath, value: Any) -> Any:
    if not path:
        return value
    items = data.items() if isinstance(data, dict) else enumerate(data)
    copied = {key: with_value(part, path[1:], value) if key == path[0] else part for key, part in items}
    return copied if isinstance(data, dict) else list(copied.values())


def test_one_changed_key_is_exactly_that_key() -> None:
    before = Written(DATA)
    old = load_text(before.text)
    tried: list[KeyPath] = []
    for path, value in leaves(DATA):
        after = Written(with_value(DATA, path, altered(value)))
        try:
            new = load_text(after.text)
        except PlanError:
            continue  # a name of nothing, or a value that another one forbids
        found = plan_changes(old, new).changes
        tried.append(path)
        if path[:2] in UNUSED:
            assert not found
            continue
        assert len(found) == 1, (path, found)
        (only,) = found
        if path[:3] in RUNS and only.key != dotted(path):
            assert dotted(path).startswith(only.key)
            continue
        assert (only.kind, only.key) == ("changed", dotted(one_value(path)))
        if one_value(path) != path:
            continue
        for side, text in ((only.old, value), (only.new, altered(value))):
            assert side is not None
            assert side.line == before.keys[path][0]
            assert side.text.strip('"') == (str(text).lower() if isinstance(text, bool) else str(text))
    assert len(tried) > 120


def one_value(path: KeyPath) -> KeyPath:
    """Return the path of what is one value though it can be written in parts: a span, the ports."""
    return path[:-1] if path[-1] in ("min", "nominal", "max") or "ports" in path else path


RUNS = {("strings", "pack", "boards"), ("board_types", "lower", "nodes")}
"""Lists in which neighbours are one run, or become one by a change."""

UNUSED = {("cable_types", "short"), ("connector_types", "socket")}
"""Types of the full plan that nothing is made of."""


def removable(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Yield the paths of all keys of mappings."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in items:
        if isinstance(value, dict):
            yield (*path, key)
        yield from removable(part, (*path, key))


def without(data: Any, path: KeyPath) -> Any:
    if isinstance(data, dict):
        return {
            key: without(part, path[1:]) if key == path[0] else part
            for key, part in data.items()
            if (key,) != path
        }
    return [without(part, path[1:]) if number == path[0] else part for number, part in enumerate(data)]


def test_one_key_that_is_left_out_is_that_key_and_the_other_way_round() -> None:
    old = load_text(Written(DATA).text)
    tried = 0
    for path in [path for path in removable(DATA) if len(path) <= 3][::2]:  # the others are more of the same
        try:
            new = load_text(Written(without(DATA, path)).text)
        except PlanError:
            continue
        found, back = plan_changes(old, new).changes, plan_changes(new, old).changes
        tried += 1
        if new.plan == old.plan or path[:2] in UNUSED:
            assert not found
            continue
        if path[:3] in RUNS or one_value(path) != path:
            assert all(each.key.startswith(dotted(path[:3])) for each in found)
            continue
        assert found, path
        assert {each.kind for each in found} == {"removed"}, path
        assert {each.kind for each in back} == {"added"}, path
        assert all(each.key.startswith(dotted(path)) for each in (*found, *back)), (path, found)
    assert tried > 30


# As it was written, where it stands.


def test_both_values_stand_as_they_were_written_with_their_lines() -> None:
    (only,) = edited(("scan_period: 100 ms ± 0.1 %", "scan_period: 90 ms +/- 0.1 %"))
    assert texts(only) == ("100 ms ± 0.1 %", "90 ms +/- 0.1 %")
    line = FULL.split("\n").index("    scan_period: 100 ms ± 0.1 %") + 1
    assert [(side.file, side.line) for side in (only.old, only.new) if side] == [("plan.yaml", line)] * 2


def test_numbers_stand_as_they_were_written() -> None:
    (only,) = edited(("polynomial: 0x1021", "polynomial: 0x8005"))
    assert texts(only) == ("0x1021", "0x8005")


def test_what_is_left_out_is_shown_with_its_default() -> None:
    (only,) = edited(("    turn_around: 5 us\n", ""))
    assert (only.kind, texts(only)) == ("removed", ("5 us", "0 s"))
    assert only.new is not None
    assert not only.new.written


def test_a_whole_part_is_one_change() -> None:
    (only,) = edited(("  temperatures: {reads: temperatures, every: 5, value: 12 bit}\n", ""))
    assert (only.kind, only.key) == ("removed", "tasks.temperatures")
    assert texts(only) == ("{reads: temperatures, every: 5, value: 12 bit}", None)


@pytest.mark.parametrize(
    "edit",
    [
        ("bit_rate: 2 Mbit/s ± 1 %", "bit_rate: 2000 kbit/s ± 10000 ppm"),
        ("scan_period: 100 ms ± 0.1 %", "scan_period: {min: 99.9 ms, nominal: 100 ms, max: 100.1 ms}"),
        ("polynomial: 0x1021", "polynomial: 4129"),
        ("interpolate_creepage: false", "interpolate_creepage: no"),
        ("{type: six, cells: 6, temperatures: 2, count: 2}", "&n {type: six, cells: 6, temperatures: 2}, *n"),
        ("{type: twelve, count: 2, first_cell: 1}", "{type: twelve, first_cell: 1}\n      - {type: twelve}"),
        ("{modules: 2, cells: 12}", "{modules: 1, cells: 12}\n      - {modules: 1, cells: 12}"),
        ('order: ["pack-{n}.1..2",', 'order: ["pack-{n}.1", "pack-{n}.2",'),
        ("    retry_reserve: 2\n", "    retry_reserve: +2\n"),
        ("    every: 1\n", ""),
        ("  altitude: 2000 m\n", ""),
    ],
    ids=lambda edit: edit[1][:30],
)
def test_the_same_in_another_writing_is_no_change(edit: tuple[str, str]) -> None:
    assert edited(edit) == []


def test_counted_ports_are_the_ports_one_to_n() -> None:
    named = FULL.replace("[out-1, back-1, out-2, back-2]", "4").replace("main:out-{n}", "main:{n}")
    named = named.replace("    count: 2\n    shape: ring", "    shape: ring").replace(
        "main:back-{n}", "main:2"
    )
    named = named.replace("main:{n}", "main:1").replace("pack-{n}", "pack-1")
    named = named.replace("pack:\n    count: 2", "pack-1:")
    counted = load_text(named)
    listed = load_text(named.replace("ports: 4", 'ports: ["1", "2", "3", "4"]'))
    assert plan_changes(counted, listed).changes == ()


def test_copies_that_are_written_out_are_the_same() -> None:
    data = {**DATA, "chains": {}}
    for number in ("1", "2"):
        text = Written(DATA["chains"]["ring"] | {"count": 1}).text.replace("{n}", number)
        data["chains"][f"ring-{number}"] = parse_source(text, "plan.yaml").data
    data["tasks"] = with_value(DATA["tasks"], ("cell voltages", "chains"), ["ring-1", "ring-2"])
    found = between(Written(DATA).text, Written(data).text)
    assert [each.key for each in found if each.key.startswith("chains")] == []
    slower = with_value(data, ("chains", "ring-2", "head_segment", "length"), "3 m")
    (only,) = (
        each for each in between(Written(DATA).text, Written(slower).text) if each.key.startswith("chains")
    )
    assert only.old is not None
    assert (only.old.key, only.key) == (
        "chains.ring.head_segment.length",
        "chains.ring-2.head_segment.length",
    )


# New names.


RENAMED = {
    # By section: the old name, the new one, and the places of the full plan that mean it.
    "strings": ("pack", "bank", r"^  pack(?=:\n)|pack(?=-\{n\}\.)"),
    "chains": ("ring", "loop", r"^  ring(?=:)|(?<=\[)ring(?=\])"),
    "controllers": ("main", "master", r"^  main(?=:)|(?<=head: )main|(?<=back: )main|(?<=sender: )main"),
    "tasks": ("temperatures", "warmth", r"^  temperatures(?=: \{reads)"),
    "hazards": ("over-voltage", "too high", r"^  over-voltage(?=:)"),
    "cell_types": ("lfp", "iron", r"\blfp\b"),
    "node_types": ("six", "half dozen", r"\bsix\b"),
    "board_types": ("twelve", "dozen", r"\btwelve\b"),
    "protocols": ("wire", "line", r"^  wire(?=:)|(?<=protocol: )wire"),
    "barrier_types": ("cap", "coupler", r"\bcap\b"),
    "cable_types": ("pair", "twisted", r"^  pair(?=:)|(?<=cable: )pair"),
    "connector_types": ("plug", "two-pole", r"^  plug(?=:)|(?<=\[)plug, plug(?=\])"),
    "buses": ("body", "chassis", r"\bbody\b"),
    "masters": ("upper", "vehicle", r"\bupper\b"),
    "messages": ("cells", "voltages", r"^    cells(?=:)|(?<=reported_by: )cells|(?<=forwards: \[)cells"),
}


@pytest.mark.parametrize("section", RENAMED)
def test_a_new_name_is_no_other_change(section: str) -> None:
    """Also where other parts refer to it: a string by its chains, a type by what is made of it."""
    old, new, places = RENAMED[section]
    text = re.sub(places, lambda found: found[0].replace(old, new), FULL, flags=re.MULTILINE)
    found = plan_changes(load_text(FULL), load_text(text))
    assert [(each.kind, texts(each)) for each in found.changes] == [("renamed", (old, new))]
    assert found.renames == {section: {old: new}}


def test_a_new_name_with_another_change_is_a_part_gone_and_a_part_come() -> None:
    found = edited(("temperatures: {reads: temperatures, every: 5", "warmth: {reads: temperatures, every: 6"))
    assert {(each.kind, each.key) for each in found} == {
        ("removed", "tasks.temperatures"),
        ("added", "tasks.warmth"),
    }


def test_every_field_that_names_a_part_is_known_as_a_reference() -> None:
    """A field of texts that is none of these would make a new name look like a change of all that use it."""
    own = {"note", "title", "revision", "date", "about", "include", "disconnect", "fuse", "joint", "ports"}
    own |= {"leave_out", "serves"}
    local = {  # names within node types and controllers
        ("Task", "conversion"),
        ("AlarmPath", "conversion"),
        ("SleepPlan", "conversions"),
        ("Hazard", "reaction"),
    }
    found = {(model.__name__, name) for model, name in fields_of_texts(Plan) if name not in own}
    assert found - local == {(model.__name__, name) for model, name in REFERENCES}
    for model, name in NAMED_KEYS:
        assert issubclass(model, BaseModel)
        assert get_origin(model.model_fields[name].annotation) is dict


def fields_of_texts(model: Any, seen: set[Any] | None = None) -> Iterator[tuple[Any, str]]:
    seen = set() if seen is None else seen
    if model in seen:
        return
    seen.add(model)
    for name in model.model_fields:
        slot = _step(SchemaSlot(model), name)
        while slot is not None and get_origin(slot.type) in (dict, list, tuple):
            slot = _step(slot, 0)
        assert slot is not None
        if isinstance(slot.type, type) and issubclass(slot.type, BaseModel):
            yield from fields_of_texts(slot.type, seen)
        elif slot.type is str:
            yield model, name


# Order, insertions, libraries.


def test_the_order_of_tasks_counts_that_of_types_does_not() -> None:
    tasks = dict(reversed(DATA["tasks"].items()))
    (only,) = between(Written(DATA).text, Written({**DATA, "tasks": tasks}).text)
    assert (only.kind, only.key) == ("reordered", "tasks")
    assert texts(only) == ("cell voltages, temperatures, balancing", "balancing, temperatures, cell voltages")
    types = dict(reversed(DATA["cell_types"].items()))
    assert between(Written(DATA).text, Written({**DATA, "cell_types": types}).text) == []


def test_a_fuse_put_into_a_string_is_one_insertion() -> None:
    (only,) = edited(("      - {joint: busbar}\n", "      - {joint: busbar}\n      - {fuse: second fuse}\n"))
    assert (only.kind, only.key, texts(only)) == (
        "added",
        "strings.pack.stack[5]",
        (None, "{fuse: second fuse}"),
    )


def test_one_board_more_is_a_longer_run() -> None:
    more = (
        ("{cells: 12, cell_type: nmc}", "{cells: 24, cell_type: nmc}"),
        ("{type: twelve, count: 2, first_cell: 1}", "{type: twelve, count: 3, first_cell: 1}"),
        ('"pack-{n}.3 down"]', '"pack-{n}.3 down", "pack-{n}.4"]'),
    )
    assert [(each.kind, each.key, texts(each)) for each in edited(*more)] == [
        ("changed", "strings.pack.stack[2].cells", ("12", "24")),
        (
            "changed",
            "strings.pack.boards[0]",
            (
                "{type: twelve, count: 2, first_cell: 1} + {type: twelve}",
                "{type: twelve, count: 3, first_cell: 1} + {type: twelve}",
            ),
        ),
        ("added", "chains.ring.order[2]", (None, "pack-{n}.4")),
    ]


@pytest.fixture
def folders(tmp_path: Path) -> tuple[Path, Path]:
    """Two copies of an example with its library, under the same file names."""
    for folder in ("old", "new"):
        (tmp_path / folder / "library").mkdir(parents=True)
        for name in ("rail-trolley.yaml", "library/parts.yaml"):
            text = (CONFIGS / name).read_text(encoding="utf-8")
            (tmp_path / folder / name).write_text(text, encoding="utf-8")
    return tmp_path / "old" / "rail-trolley.yaml", tmp_path / "new" / "rail-trolley.yaml"


def library_edit(plan: Path, old: str, new: str) -> None:
    library = plan.parent / "library" / "parts.yaml"
    text = library.read_text(encoding="utf-8")
    assert old in text
    library.write_text(text.replace(old, new, 1), encoding="utf-8")


def loaded(folders: tuple[Path, Path]) -> tuple[LoadedPlan, LoadedPlan]:
    first, second = folders
    return load_plan(first), load_plan(second)


def test_a_library_counts_where_it_is_used_and_says_where_it_stands(folders: tuple[Path, Path]) -> None:
    library_edit(folders[1], "velocity: 0.66 c", "velocity: 0.6 c")
    (only,) = plan_changes(*loaded(folders)).changes
    assert only.key == 'cable_types."twisted pair".velocity'
    assert only.used_by == ("chains.line",)
    assert [side.file for side in (only.old, only.new) if side] == [
        str(plan.parent / "library" / "parts.yaml") for plan in folders
    ]


def test_types_that_no_plan_uses_are_left_out(folders: tuple[Path, Path]) -> None:
    _, new = loaded(folders)
    used = {new.plan.chains["line"].protocol}
    unused = next(name for name in new.plan.protocols if name not in used)
    library_edit(folders[1], f"  {unused}:", f"  another {unused}:")
    assert plan_changes(*loaded(folders)).changes == ()


def test_a_type_that_moves_into_the_plan_is_no_change(folders: tuple[Path, Path]) -> None:
    old, _ = loaded(folders)
    text = folders[1].read_text(encoding="utf-8")
    library = folders[1].parent / "library" / "parts.yaml"
    own = text.replace("include: [library/parts.yaml]", library.read_text(encoding="utf-8"))
    folders[1].write_text(own, encoding="utf-8")
    assert plan_changes(old, load_plan(folders[1])).changes == ()


# The other way round.

MIRRORED = {"added": "removed", "removed": "added"}

example = lru_cache(load_plan)


@pytest.mark.parametrize("first", sorted(CONFIGS.glob("*.yaml")), ids=lambda path: path.stem)
def test_the_other_way_round_the_same_changes_are_mirrored(first: Path) -> None:
    for second in sorted(CONFIGS.glob("*.yaml")):
        plans = example(first), example(second)
        forth = {
            (each.kind, each.old, each.new, frozenset(each.used_by)) for each in plan_changes(*plans).changes
        }
        back = {
            (MIRRORED.get(each.kind, each.kind), each.new, each.old, frozenset(each.used_by))
            for each in plan_changes(*reversed(plans)).changes
        }
        assert forth == back
        assert bool(forth) == (first != second)
