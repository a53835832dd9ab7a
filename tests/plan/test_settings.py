"""Values set from outside the file: the same plan and the same messages as if the file said so."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from plan_texts import FULL, marked

from chainplan.plan.load import LoadedPlan, load_source
from chainplan.plan.problems import KeyPath, PlanError, Problem, dotted
from chainplan.plan.settings import FORM, SettingError, parse_key
from chainplan.plan.source import parse_source

NOWHERE = Path("no such folder")


def with_settings(*settings: str, text: str = FULL) -> LoadedPlan:
    return load_source(parse_source(text, "plan.yaml"), NOWHERE, settings, "--with")


def refused(*settings: str) -> Problem:
    with pytest.raises(PlanError) as caught:
        with_settings(*settings)
    assert len(caught.value.problems) == 1, caught.value.problems
    return caught.value.problems[0]


def leaves(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    """Yield every value of a plan that is no mapping or list, with its path."""
    items = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    )
    if items is None:
        yield path, value
    else:
        for key, item in items:
            yield from leaves(item, (*path, key))


DATA = parse_source(FULL, "plan.yaml").data
LEAVES = [path for path, _ in leaves(DATA)]


@pytest.mark.parametrize("path", LEAVES, ids=map(dotted, LEAVES))
def test_what_the_file_says_anyway_changes_nothing(path: KeyPath) -> None:
    value: Any = DATA
    for step in path:
        value = value[step]
    written = tuple(str(step) if isinstance(step, int) and "exceptions" in path else step for step in path)
    loaded = with_settings(f"{dotted(written)}={json.dumps(value, ensure_ascii=False)}")
    assert loaded.plan == with_settings().plan
    assert [each.path for each in loaded.sources.settings] == [path]


@pytest.mark.parametrize(
    ("setting", "edit"),
    [
        ("node_types.six.turn_around=7 us", (("node_types", "six", "turn_around"), "7 us")),
        ('node_types.six.conversions."cell voltages".time={min: 1 ms, max: 2 ms}',
         (("node_types", "six", "conversions", "cell voltages", "time"), {"min": "1 ms", "max": "2 ms"})),
        ("board_types.lower.nodes[1].cells = 5", (("board_types", "lower", "nodes", 1, "cells"), 5)),
        ("revision= B # of May", (("revision",), "B")),
        ("connector_types.plug={loss: 1 dB}", (("connector_types", "plug"), {"loss": "1 dB"})),
    ],
)  # fmt: skip
def test_a_setting_is_an_edit_of_the_file(setting: str, edit: tuple[KeyPath, Any]) -> None:
    (*parents, last), value = edit
    data = yaml.safe_load(FULL)
    place = data
    for step in parents:
        place = place[step]
    place[last] = value

    def outcome(*settings: str, text: str) -> Any:
        try:
            return with_settings(*settings, text=text).plan
        except PlanError as error:  # fewer cells leave some unmonitored: the same refusal then
            return sorted((problem.key, problem.message) for problem in error.problems)

    edited = outcome(text=yaml.safe_dump(data, allow_unicode=True, sort_keys=False))
    assert outcome(setting, text=FULL) == edited


def test_the_last_setting_of_a_key_counts() -> None:
    loaded = with_settings(
        "revision=B", "connector_types.plug.loss=2 dB", "connector_types.plug={delay: 1 ps}"
    )
    assert loaded.plan.revision == "B"
    assert loaded.plan.connector_types["plug"].loss is None
    assert [each.path for each in loaded.sources.settings] == [("revision",), ("connector_types", "plug")]
    later = with_settings("connector_types.plug={delay: 1 ps}", "connector_types.plug.loss=2 dB")
    assert later.plan.connector_types["plug"].loss is not None


def test_what_the_file_said_is_kept() -> None:
    source = parse_source(FULL, "plan.yaml")
    loaded = load_source(source, NOWHERE, ["revision=B", "node_types.six.note=fixed"], "--with")
    assert [(each.before, each.text) for each in loaded.sources.settings] == [
        ("A", "B"),
        ("invented", "fixed"),
    ]
    assert source.data == DATA


@pytest.mark.parametrize(
    ("setting", "message", "under", "near"),
    [
        ("node_types.sex.wake=1 us", "there is no `sex` in `node_types`", "sex", "six"),
        ("node_types.six.woke=1 us", "there is no `woke` in `node_types.six`", "woke", "wake"),
        ("nodetypes.six.wake=1 us", "there is no `nodetypes` in a plan", "nodetypes", "node_types"),
        ("board_types.lower.nodes[2].cells=1", "there is no `2` in `board_types.lower.nodes`", "[2]", None),
        ("board_types.lower.nodes[x].cells=1", "counted from 0 in brackets, such as [0]", "[", None),
        ("title.short=x", "`title` holds no keys", "short", None),
        ("include=[a.yaml]", "includes are read before anything is set", "include", None),
        ("title", "there is no value", "", None),
        ("title=", "there is no value", "", None),
        ("=x", "a name is missing here", "=", None),
        ('cable_types."pair.velocity=1 c', "this quote is not closed", '"', None),
        ("node_types.six.wake=300", '300 has no unit; write for example "2 ms"', "300", None),
        ("node_types.six.wake=300 mss", '"mss" is not a unit of time', "300 mss", "ms"),
        ("node_types.six.wake={min: 1 us, max: 2 us", "a mapping in `{ }` is not closed", "{", None),
    ],
)  # fmt: skip
def test_a_wrong_setting_is_shown_where_it_is_wrong(
    setting: str, message: str, under: str, near: str | None
) -> None:
    problem = refused(setting)
    assert message in problem.message
    assert problem.place is not None
    assert (problem.place.file, problem.place.text) == ("--with", setting)
    assert marked(problem) == under
    assert problem.expected
    assert problem.nearest == near


def test_a_check_between_parts_points_at_the_setting() -> None:
    problem = refused("title=x", "tasks.cell voltages.conversion=nonsense")
    assert problem.place is not None
    assert problem.place.file == "--with (2)"
    assert marked(problem) == "nonsense"


def test_all_wrong_settings_are_told_at_once() -> None:
    with pytest.raises(PlanError) as caught:
        with_settings("a=1", "title=", "=")
    assert len(caught.value.problems) == 3


@given(st.text(max_size=60))
def test_any_text_is_a_setting_or_refused_in_words(text: str) -> None:
    try:
        with_settings(text)
    except PlanError as error:
        assert all(problem.message and problem.place for problem in error.problems)  # noqa: PT017


@given(st.lists(st.text("ab .[]=\"'1", min_size=1, max_size=6), min_size=1, max_size=4))
def test_keys_are_read_as_messages_write_them(names: list[str]) -> None:
    names = [name for name in names if '"' not in name and name.strip() == name]
    if names:
        key = parse_key(dotted(tuple(names)) + "=1")
        assert key.path == tuple(names)


def test_a_key_that_ends_in_nothing_is_refused() -> None:
    with pytest.raises(SettingError):
        parse_key("a.")
    assert "KEY=VALUE" in FORM
