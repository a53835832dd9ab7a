"""The guide checked against the program: its plan, its lists, its screens, its links, and how it is shown."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, NamedTuple, get_args, get_origin

import pytest
import yaml
from guide_lists import LIST, pages, renewed
from pydantic import BaseModel
from typer.main import get_command
from typer.testing import CliRunner
from written_screens import fenced, screens

from chainplan.cli import guide
from chainplan.cli.app import app
from chainplan.evaluation import Evaluation
from chainplan.plan.key_meanings import key_meanings
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.plan.model_words import SchemaSlot, expected_words, slot_at
from chainplan.plan.problems import KeyPath
from chainplan.quantity import DIMENSIONS, Dimension, Span, format_span

ROOT = Path(__file__).parents[1]
PAGES = pages()
ALL = "\n".join(PAGES.values())

PLAN_PAGES = ("plan", "parts", "protocols", "layout", "insulation", "tasks", "uplink", "targets")
"""The pages whose pieces of YAML, in this order, are a whole plan."""

MOST_BYTES = 12_000
"""Of a page: what can still be skimmed."""


@pytest.fixture
def plan_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The guide's plan, put together from its pieces, and the same with two slips of the pen."""
    text = "\n".join(block for name in PLAN_PAGES for block in fenced("yaml", PAGES[f"{name}.md"]))
    slip = text.replace("scan_period: 50 ms", "scan_period: 50").replace("length: 400 mm", "lenght: 400 mm")
    (tmp_path / "survey-boat.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "slip.yaml").write_text(slip, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "survey-boat.yaml"


# The plan and the screens.


def test_the_pieces_are_a_whole_plan_that_meets_its_targets(plan_file: Path) -> None:
    loaded = load_plan(plan_file)
    verdicts = Evaluation(loaded.plan).verdicts
    assert not loaded.warnings
    assert {verdict.status for verdict in verdicts} == {"met"}


def test_every_section_of_a_plan_is_shown(plan_file: Path) -> None:
    shown = set(re.findall(r"^([a-z_]+):", plan_file.read_text(encoding="utf-8"), flags=re.MULTILINE))
    assert shown == set(Plan.model_fields) - {"include"}


def test_screens_are_what_the_program_prints(plan_file: Path) -> None:
    shown = screens(ALL)
    assert len(shown) >= 3
    for command, output in shown:
        program, *arguments = shlex.split(command)
        assert program == "chainplan"
        assert CliRunner().invoke(app, arguments).output == output, command


def test_commands_that_it_shows_exist() -> None:
    commands = get_command(app).commands  # type: ignore[attr-defined]
    lines = [line for block in fenced("sh", ALL) for line in block.splitlines()]
    assert len(lines) >= 4
    for line in lines:
        program, name, *words = shlex.split(line)
        assert program == "chainplan"
        known = {option for each in commands[name].params for option in each.opts}
        assert {word for word in words if word.startswith("-")} <= known, line


def test_the_job_and_the_hook_use_what_there_is() -> None:
    job, hook = map(yaml.safe_load, fenced("yml", PAGES["pipeline.md"]))
    program, command, *arguments = shlex.split(job["plans"]["script"][-1])
    assert (program, command) == ("chainplan", "check")
    options = {name for each in get_command(app).commands["check"].params for name in each.opts}  # type: ignore[attr-defined]
    assert {word for word in arguments if word.startswith("-")} <= options
    assert job["plans"]["artifacts"]["reports"]["junit"] in arguments
    (used,) = hook["repos"][0]["hooks"]
    (offered,) = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    assert used["id"] == offered["id"]
    assert re.search(used["files"], "plans/pack.yaml")
    assert not re.search(used["files"], "plans/library/parts.yaml")
    assert shlex.split(offered["entry"]) == [program, command]
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert hook["repos"][0]["rev"] == f"v{version}"


def test_the_python_example_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(ROOT)
    (code,) = fenced("python", PAGES["library.md"])
    exec(compile(code, "library.md", "exec"), {})
    assert "met scan time trolley\n" in capsys.readouterr().out


# Its lists.


@pytest.mark.parametrize("name", PAGES)
def test_lists_are_current(name: str) -> None:
    """After a change that is meant, write them anew: ``python tests/guide_lists.py``."""
    assert PAGES[name] == renewed(PAGES[name])


def test_a_terminal_of_80_columns_shows_files_unbroken() -> None:
    lines = [
        line
        for language in ("ya?ml", "sh", "python")
        for block in fenced(language, ALL)
        for line in block.splitlines()
    ]
    assert [line for line in lines if len(line) > 78] == []


@pytest.mark.parametrize("name", PAGES)
def test_pages_are_short_and_say_at_once_what_they_are_about(name: str) -> None:
    title, blank, summary, *_ = PAGES[name].splitlines()
    assert len(PAGES[name].encode()) <= MOST_BYTES
    assert title.startswith("# ")
    assert (blank, summary[-1]) == ("", ".") or name == "README.md"
    if name != "README.md":
        words = re.escape(summary[:-1])
        index = PAGES["README.md"]
        assert re.search(rf"\({name}\): {words}$", index, flags=re.MULTILINE | re.IGNORECASE)


class SchemaKey(NamedTuple):
    """A key of the schema: what a list calls it, and where a plan could have it."""

    name: str
    path: KeyPath
    default: Any


def keys_of(path: KeyPath, own: set[type], prefix: str = "") -> Iterator[SchemaKey]:
    """Yield the keys of the part at a path and of the parts in it that have no list of their own."""
    for name, info in slot_of(path).type.model_fields.items():
        here = (*path, name)
        yield SchemaKey(prefix + name, here, info.default)
        inner, steps = innermost(here)
        if is_part(slot_of(inner)) and slot_of(inner).type not in own:
            yield from keys_of(inner, own, ".".join([prefix + name, *steps, ""]))


def innermost(path: KeyPath) -> tuple[KeyPath, list[str]]:
    """Go through mappings and lists to what they hold; return its path and the list's words for the way."""
    steps = []
    while (kind := get_origin(slot_of(path).type)) in (dict, list):
        if kind is dict:
            steps.append("NAME" if get_args(get_args(slot_of(path).type)[0])[0] is str else "NUMBER")
        path = (*path, "x" if kind is dict else 0)
    return path, steps


def slot_of(path: KeyPath) -> SchemaSlot:
    slot = slot_at(path)
    assert slot is not None, path
    return slot


def is_part(slot: SchemaSlot) -> bool:
    return isinstance(slot.type, type) and issubclass(slot.type, BaseModel)


def path_of(place: str) -> KeyPath:
    return tuple("x" if step == "NAME" else step for step in place.split(".")) if place != "the plan" else ()


def of_the_plan(place: str) -> bool:
    return slot_at(path_of(place)) is not None


LISTS = {found[1]: " ".join(found[2].split()) for found in LIST.finditer(ALL)}
PLACES = [place for place in LISTS if of_the_plan(place)]


def dimension(path: KeyPath) -> Dimension:
    return next(each for each in DIMENSIONS if expected_words(path).startswith(f"{each.name} such as"))


def said(key: SchemaKey) -> Iterator[str]:
    """Yield what a list must say of a key: its values, what counts without it, and what it means."""
    inner, _ = innermost(key.path)
    slot = slot_of(inner)
    if slot.type is Span:
        yield next(
            each.name for each in DIMENSIONS if each.name == expected_words(inner).partition(" such as")[0]
        )
    if slot.type is bool:
        yield "yes or no"
    if get_origin(slot.type) is Literal and len(get_args(slot.type)) > 1:
        yield from (f"`{choice}`" for choice in get_args(slot.type))
    if not slot_of(key.path).optional:
        yield "**required**"
    elif isinstance(key.default, bool):
        yield f"left out: {'yes' if key.default else 'no'}"
    elif isinstance(key.default, Span):
        yield f"left out: {format_span(key.default, dimension(inner))}"
    elif isinstance(key.default, (int, float, str)) and key.default != "":
        yield f"left out: {key.default:g}" if isinstance(key.default, float) else f"left out: {key.default}"
    meaning = key_meanings(slot_of(key.path[:-1]).type)[str(key.path[-1])]
    assert meaning, key
    yield meaning


@pytest.mark.parametrize("place", PLACES)
def test_a_list_holds_exactly_the_keys_of_the_schema(place: str) -> None:
    own = {slot_of(innermost(path_of(each))[0]).type for each in PLACES}
    wanted = list(keys_of(innermost(path_of(place))[0], own))
    lines = re.split(r"(?:^|(?<= ))- (?=`[a-z_A-Z0-9.]+` \()", LISTS[place])[1:]
    found = {line.split("`")[1]: line for line in lines}
    assert len(found) == len(lines)
    assert set(found) == {key.name for key in wanted}
    for key in wanted:
        assert [words for words in said(key) if words not in found[key.name]] == [], key


def test_every_section_of_a_plan_has_a_list() -> None:
    parts = {name for name in Plan.model_fields if is_part(slot_of(innermost((name,))[0]))}
    assert parts == {place.partition(".")[0] for place in PLACES} - {"the plan"}


# Its links, and how it is shown.


def test_every_file_and_heading_it_links_is_there() -> None:
    for name, text in PAGES.items():
        for file, anchor in re.findall(r"\]\(([a-zA-Z]+\.md)#?([^)]*)\)", text):
            headings = re.findall(r"^#+ (.+)$", PAGES[file], flags=re.MULTILINE)
            anchors = {heading.replace("`", "").lower().replace(" ", "-") for heading in headings}
            assert not anchor or anchor in anchors, (name, file, anchor)
    tests = re.findall(r"`(tests/[^`]+)`", ALL)
    assert len(tests) >= 10
    assert [test for test in tests if not (ROOT / test).exists()] == []


def test_the_first_page_names_all_others() -> None:
    assert set(re.findall(r"\]\((\w+\.md)\)", PAGES["README.md"])) == set(PAGES) - {"README.md"}


def shown(*words: str) -> str:
    run = CliRunner().invoke(app, ["guide", *words])
    assert run.exit_code == 0
    return run.stdout


def test_without_a_topic_it_lists_every_page() -> None:
    text = shown()
    for name in PAGES:
        assert f"`chainplan guide {name.removesuffix('.md')}`" in text or name == "README.md"


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_shown_whole_without_marks_and_links(name: str) -> None:
    text = shown(name.removesuffix(".md"))
    assert text.startswith(PAGES[name].partition("\n")[0])
    assert "<!--" not in text
    assert ".md)" not in text
    for language in ("yaml", "console", "sh"):
        assert fenced(language, text) == fenced(language, PAGES[name])


def test_a_heading_shows_its_part_alone() -> None:
    text = shown("Bit", "errors")
    assert text.startswith("## Bit errors\n")
    assert "`bursts.p_bad`" in text
    assert "`frame_gap`" not in text


def test_a_wrong_topic_gets_the_nearest_one() -> None:
    run = CliRunner().invoke(app, ["guide", "hazard"])
    assert (run.exit_code, run.stdout) == (2, "")
    assert run.stderr.startswith("hazard: the guide has no such page or heading\n   expected: commands, ")
    assert run.stderr.endswith("did you mean: hazards\n")


def test_drawn_for_a_terminal_it_keeps_to_its_width(monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[str] = []
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setattr("pydoc.pager", written.append)
    assert guide.run(["plan"], 60) == 0
    (text,) = written
    assert max(map(len, re.sub(r"\x1b\[[0-9;]*m", "", text).splitlines())) <= 60
    assert "Every quantity carries its unit." in " ".join(text.split())
    assert "**required**" not in text
