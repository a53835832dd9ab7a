"""Plans, studies and settings that nobody should have written: read or refused in words, in little time."""

from __future__ import annotations

import copy
import os
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from limits import never_hangs
from plan_texts import FULL

from chainplan.plan.load import MOST_FINDINGS, LoadedPlan, load_plan, load_source
from chainplan.plan.problems import PlanError
from chainplan.plan.schema_problems import MOST_PROBLEMS
from chainplan.plan.source import MAX_BYTES, parse_source
from chainplan.plan.starter import STARTER
from chainplan.study.job import job_of
from chainplan.study.load import load_study

CONFIGS = Path(__file__).parents[2] / "configs"
SIZE = 1_000_000
"""Large enough that work which grows with its square would never end."""

FOLDER = Path("no-such-folder")


def refusal(text: str, *with_values: str) -> PlanError:
    """Read a plan that cannot be used; its message stays one that somebody can read."""
    with never_hangs(), pytest.raises(PlanError) as caught:
        load_source(parse_source(text, "plan.yaml"), FOLDER, with_values, "--with")
    assert len(str(caught.value)) < 100_000
    return caught.value


def lines(pattern: str, count: int) -> str:
    return "".join(pattern.format(number) for number in range(count))


FILES = {
    "one long line": ("a: " + "x" * SIZE, "`a`: this key is not known here"),
    "one long key": ("x" * SIZE + ": 1", "a `:` cannot stand here"),
    "one long number": ("a: " + "1" * SIZE, "this whole number is too long"),
    "one long comment": ("#" * SIZE, "the file is empty"),
    "items of a letter": ("- a\n" * 200_001, "more than 200000 values"),
    "items in brackets": ("a: [" + "a," * 200_001 + "]", "more than 200000 values"),
    "brackets": ("[" * SIZE, "nested more than 40 deep"),
    "dashes": ("- " * (SIZE // 2), "nested more than 40 deep"),
    "open quote": ('a: "' + "x\n" * (SIZE // 2), "a text in quotes is not closed"),
    "aliases of nothing": ("a: [" + "*a," * (SIZE // 3) + "]", "no `&a` stands above this alias"),
    "the same key": ("a: 1\n" * (SIZE // 5), "this key is given twice"),
    "directives": ("%x\n" * (SIZE // 3), "not YAML"),
    "documents": ("---\n" * (SIZE // 4), "a second document begins here"),
    "half surrogates": ('a: "' + "\\ud800" * (SIZE // 6) + '"', "an unknown or unfinished escape"),
    "control characters": ("\x01" * SIZE, "the character U+0001 cannot stand in a plan"),
    "direction marks": (STARTER.replace("Starter plan", "\u202e" * (SIZE // 3)), "this text is too long"),
}


@pytest.mark.parametrize(("text", "said"), FILES.values(), ids=FILES)
def test_large_files_of_nothing(text: str, said: str) -> None:
    assert said in str(refusal(text))


PARTS = {
    "unknown sections": (STARTER + lines("k{}: 1\n", 20_000), "this key is not known here"),
    "unknown targets": (STARTER + lines("  k{}: 1\n", 20_000), "this key is not known here"),
    "empty keys": (STARTER + lines("k{}:\n", 20_000), "nothing is written here"),
    "node types": (
        STARTER.replace("board_types: ", lines("  n{}: {{cell_inputs: 12}}\n", 10_000) + "board_types: "),
        "the key `forwarding` is missing",
    ),
    "exceptions": (
        STARTER.replace(
            "    head_segment",
            "    exceptions:\n" + lines("      {}: {{length: 1 m}}\n", 20_000) + "    head_segment",
        ),
        "this is not a position",
    ),
    "hazards": (
        STARTER.replace(
            "hazards: ",
            "hazards:\n"
            + lines("  h{}: {{kind: over-temperature, ftti: 1 s, reaction: contactor}}\n", 1001)
            + "#",
        ),
        "too many hazards",
    ),
    "order": (
        STARTER.replace("    segments:", "    order: [" + "main.1," * 60_000 + "]\n    segments:"),
        "this list is too long",
    ),
    "boards": (
        STARTER.replace("    stack:", "    boards: [{type: my board, count: 1000000000}]\n    stack:"),
        "this number is too large",
    ),
    "nodes": (
        STARTER.replace("    stack:", "    boards: [{type: my board, count: 100000}]\n    stack:"),
        "the plan has 100000 nodes up to this string",
    ),
    "modules": (
        STARTER.replace("{modules: 2,", "{modules: 100000,"),
        "the plan has 2400000 cells up to this string",
    ),
    "chains": (
        STARTER.replace("  line:\n", "  line:\n    count: 201\n"),
        "the plan has 201 chains up to this one",
    ),
    "huge numbers": (STARTER.replace("350 mm", "1" + "0" * 400 + " mm"), "is too long (404 characters)"),
    "huge exponents": (STARTER.replace("350 mm", "1e400 mm"), "an exponent goes up to 60"),
}


@pytest.mark.parametrize(("text", "said"), PARTS.values(), ids=PARTS)
def test_plans_of_far_too_much(text: str, said: str) -> None:
    error = refusal(text)
    assert said in str(error)
    assert len(error.problems) <= MOST_PROBLEMS + MOST_FINDINGS


def test_names_of_eighty_emoji() -> None:
    """Names are the user's: eighty letters outside the basic plane, marks and joiners, too."""
    text = (
        STARTER.replace("my cell", "😀" * 80)
        .replace("my node", "é" * 80)
        .replace("main controller", "電" * 80)
    )
    with never_hangs():
        assert isinstance(load_source(parse_source(text, "plan.yaml"), FOLDER), LoadedPlan)


@pytest.mark.parametrize("name", ["/dev/zero", "pipe", "folder", "link", "plan.yaml"])
def test_includes_that_are_no_files(name: str, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("link")
    plan = tmp_path / "plan.yaml"
    plan.write_text(f"include: [{name}]\n{STARTER}", encoding="utf-8")
    with never_hangs(), pytest.raises(PlanError, match="include"):
        load_plan(plan)


@pytest.mark.parametrize("size", [MAX_BYTES, MAX_BYTES + 1])
def test_the_largest_file(size: int, tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes(b"#" * size)
    said = "is empty" if size == MAX_BYTES else "too large"
    with never_hangs(), pytest.raises(PlanError, match=said):
        load_plan(path)


SETTINGS = {
    "too many letters": ("x" * 10_001, "this setting is too long"),
    "letters": ("x" * 10_000, "there is no value"),
    "dots": ("a" + ".a" * 4_999, "there is no value"),
    "deep": ("a" + ".a" * 4_990 + "=1", "there is no `a` in a plan"),
    "brackets": ("tasks" + "[0]" * 3_000 + "=1", "there is no"),
    "a deep value": ("title=" + "[" * 5_000, "nested more than 40 deep"),
    "a huge index": ("strings.main.boards[99999999999999999999]=1", "counted from 0 in brackets"),
    "control characters": ("title=\x1b[31m", "U+001B cannot stand in a plan"),
    "control characters in the key": ("ti\x1btle=x", "there is no `ti\\x1btle` in a plan"),
    "half a surrogate": ("title=\ud800", "U+D800 cannot stand in a plan"),
    "a zero": ("title=a\0b", "U+0000 cannot stand in a plan"),
    "nothing": ("", "a name is missing here"),
    "equals signs": ("=" * 5_000, "a name is missing here"),
}


@pytest.mark.parametrize(("setting", "said"), SETTINGS.values(), ids=SETTINGS)
def test_settings(setting: str, said: str) -> None:
    error = refusal(STARTER, setting)
    assert all(line.isprintable() for line in str(error).split("\n"))
    assert said in str(error)


def test_very_many_settings() -> None:
    with never_hangs():
        given = [f"tasks.temperatures.every={number + 1}" for number in range(3_000)]
        plan = load_source(parse_source(STARTER, "plan.yaml"), FOLDER, given).plan
    assert plan.tasks["temperatures"].every == 3_000


STUDY = """\
study: 1
title: too much
plan: {plan}
parameters:
{parameters}
objectives: {{scan time: minimise}}
"""


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ("  a: {key: title, values: [" + ",".join(map(str, range(10_000))) + ",1]}", "this list is too long"),
        ("  a: {key: title, values: [" + ",".join(map(str, [*range(9_999), 1])) + "]}", "given twice"),
        (lines("  a{}: {{key: title, values: [a, b]}}\n", 101), "too long"),
        (lines("  a{}: {{key: revision, values: [a, b]}}\n", 100), "sets this key, too"),
        ("  a:\n    choices:\n" + lines("      c{0}: {{k{0}: 1}}\n", 3_000), "there is no"),
        ("  a: {key: targets.scan_time, from: 1 fs, to: 1e59 d, steps: 10000}", "targets.scan_time"),
        ("  a: {key: '" + "a." * 90 + "a', values: [1]}", "there is no"),
    ],
)
def test_studies(parameters: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "study.yaml"
    path.write_text(STUDY.format(plan=CONFIGS / "rail-trolley.yaml", parameters=parameters), encoding="utf-8")
    with never_hangs(), pytest.raises(PlanError) as caught:
        job_of(load_study(path))
    assert said in str(caught.value)
    assert len(str(caught.value)) < 100_000


PIECES: list[Any] = [
    *(
        0,
        -1,
        1,
        10**9,
        10**18,
        10**29,
        1.5,
        -0.0,
        1e300,
        True,
        None,
        "",
        "x",
        [],
        {},
        [1],
        {"a": 1},
        "a.b",
        "1",
    ),
    *(
        "1 ms",
        "0 ms",
        "-1 ms",
        "1e60 d",
        "5 %",
        "0 %",
        "2 Mbit/s",
        "1 bit/s",
        "100 V",
        "0 V",
        "1 m",
        "0 m",
        "100 km",
    ),
    *("1 byte", "125000 byte", "1000 dB", "-1000 dB", "0 ohm", "\u202e", "😀" * 80, 100_000, 1000, 256),
]
TREES = [yaml.safe_load(FULL), yaml.safe_load(STARTER)]
STUDIES = [yaml.safe_load(path.read_text("utf-8")) for path in sorted((CONFIGS / "studies").glob("*.yaml"))]


def paths(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield (*path, key)
        yield from paths(item, (*path, key))


def at(tree: Any, path: tuple[Any, ...]) -> Any:
    for step in path:
        tree = tree[step]
    return tree


def mutated(tree: Any, random: Random) -> Any:
    """Return a tree with values replaced, taken out, doubled, or put where others were."""
    tree = copy.deepcopy(tree)
    for _ in range(random.choice((1, 1, 2, 4))):
        everywhere = list(paths(tree))
        if not everywhere:
            break
        *holder, last = random.choice(everywhere)
        node = at(tree, tuple(holder))
        kind = random.randrange(5)
        if kind == 0:
            del node[last]
        elif kind == 1:
            node[last] = copy.deepcopy(at(tree, random.choice(everywhere)))
        elif kind == 2 and isinstance(node, list):
            node.insert(last, copy.deepcopy(node[last]))
        elif kind == 2:
            node[random.choice(("x", 1, "count", "type", "include", f"{last}s"))] = node[last]
        else:
            node[last] = copy.deepcopy(random.choice(PIECES))
    return tree


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(TREES), st.randoms(use_true_random=False), st.integers(0, 40), st.binary(max_size=2))
def test_any_change_of_a_plan(tree: Any, random: Random, place: int, slip: bytes) -> None:
    """The tree is changed, and sometimes its text as well; anything but an answer or a refusal fails."""
    text = yaml.safe_dump(mutated(tree, random), allow_unicode=True, sort_keys=False)
    cut = len(text) * place // 40
    text = text[:cut] + slip.decode("latin-1") + text[cut:]
    with never_hangs():
        try:
            load_source(parse_source(text, "plan.yaml"), FOLDER)
        except PlanError as error:
            check_message(error)


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(STUDIES), st.randoms(use_true_random=False))
def test_any_change_of_a_study(tmp_path_factory: pytest.TempPathFactory, tree: Any, random: Random) -> None:
    path = tmp_path_factory.getbasetemp() / "study.yaml"
    study = mutated(tree, random)
    if isinstance(study.get("plan"), str):
        study["plan"] = str(CONFIGS / "studies" / study["plan"])
    path.write_text(yaml.safe_dump(study, allow_unicode=True, sort_keys=False), encoding="utf-8")
    with never_hangs():
        try:
            job_of(load_study(path))
        except PlanError as error:
            check_message(error)


def check_message(error: PlanError) -> None:
    assert error.problems
    assert all(line.isprintable() for line in str(error).split("\n"))
