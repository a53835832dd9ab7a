"""The README checked against the program: its plan, its tables, its screens, and its links."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, NamedTuple, get_args, get_origin

import pytest
import yaml
from pydantic import BaseModel
from typer.main import get_command
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.cli.examples import EVERY_COMMAND
from chainplan.evaluation import Evaluation
from chainplan.plan.key_meanings import key_meanings
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.plan.model_words import SchemaSlot, expected_words, slot_at
from chainplan.plan.parts import SegmentSpec
from chainplan.plan.problems import KeyPath
from chainplan.plan.wire_parts import BitErrors
from chainplan.quantity import DIMENSIONS, Dimension, Span, format_span

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")

TUTORIAL = "Ten minutes"
"""The section whose commands follow one another, in a folder of their own."""

OWN_TABLES = (SegmentSpec, BitErrors)
"""Parts that several sections use; each has a table of its own."""


def sections() -> dict[str, str]:
    """Return the README's sections by their heading, of the second and third level."""
    pieces = re.split(r"^#{2,3} (.+)$", README, flags=re.MULTILINE)
    return dict(zip(pieces[1::2], pieces[2::2], strict=True))


def blocks(language: str, text: str | None = None) -> list[str]:
    """Return the fenced blocks of a text; of the README but for its tutorial if none is given."""
    if text is None:
        text = README.replace(sections()[TUTORIAL], "")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def screens(text: str | None = None) -> list[tuple[str, str]]:
    """Return each command shown with what it prints."""
    pieces = [
        piece for block in blocks("console", text) for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)
    ]
    return [(command, output) for command, _, output in (piece.partition("\n") for piece in pieces if piece)]


@pytest.fixture
def plan_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The README's plan, put together from its pieces, and the same with two slips of the pen."""
    text = "\n".join(blocks("yaml"))
    slip = text.replace("scan_period: 50 ms", "scan_period: 50").replace("length: 400 mm", "lenght: 400 mm")
    (tmp_path / "survey-boat.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "slip.yaml").write_text(slip, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "survey-boat.yaml"


# The plan.


def test_the_pieces_are_a_whole_plan_that_meets_its_targets(plan_file: Path) -> None:
    loaded = load_plan(plan_file)
    verdicts = Evaluation(loaded.plan).verdicts
    assert not loaded.warnings
    assert {verdict.status for verdict in verdicts} == {"met"}


def test_every_section_of_a_plan_is_shown(plan_file: Path) -> None:
    shown = set(re.findall(r"^([a-z_]+):", plan_file.read_text(encoding="utf-8"), flags=re.MULTILINE))
    assert shown == set(Plan.model_fields) - {"include"}


# What it shows on the screen.


def test_screens_are_what_the_program_prints(plan_file: Path) -> None:
    shown = screens()
    assert len(shown) >= 3
    for command, output in shown:
        program, *arguments = shlex.split(command)
        assert program == "chainplan"
        assert CliRunner().invoke(app, arguments).output == output, command


def typed(command: str) -> str:
    """Run a line of the tutorial: the program here, what it is piped or written into in a shell."""
    arguments, sign, rest = re.fullmatch(r"(.*?)(?: (\||>) (.*))?", command).groups()  # type: ignore[union-attr]
    program, *words = shlex.split(arguments)
    if program != "chainplan":
        return piped(command, "")
    output = CliRunner().invoke(app, words).output
    return piped(rest if sign == "|" else f"cat > {rest}", output) if sign else output


def piped(command: str, text: str) -> str:
    return subprocess.run(
        ["sh", "-c", command],
        input=text,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
        encoding="utf-8",
        timeout=60,
    ).stdout


def test_the_tutorial_leads_from_an_empty_folder_to_a_printed_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shown = screens(sections()[TUTORIAL])
    programs = [command.split()[:2] for command, _ in shown]
    for step in ("start", "check", "explain", "report", "printout"):
        assert ["chainplan", step] in programs
    for command, output in shown:
        assert typed(command) == output, command
    assert sorted(os.listdir()) == ["tug.html", "tug.txt", "tug.yaml"]
    for file in ("tug.html", "tug.txt"):
        text = Path(file).read_text(encoding="utf-8")
        assert "Yard tug" in text
        assert "Danger of death" in text


def test_the_job_and_the_hook_use_what_there_is() -> None:
    ours = (block for block in blocks("yml") if not block.startswith("study:"))
    job, hook = map(yaml.safe_load, ours)
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
    (code,) = blocks("python")
    exec(compile(code, "README.md", "exec"), {})
    assert "met scan time trolley\n" in capsys.readouterr().out


# Its tables, against the schema.


class Row(NamedTuple):
    key: str
    takes: str
    left_out: str
    meaning: str


class Key(NamedTuple):
    """A key of the schema: what a table calls it, and where a plan could have it."""

    name: str
    path: KeyPath
    default: Any


def keys_of(path: KeyPath, prefix: str = "") -> Iterator[Key]:
    """Yield the keys of the part at a path and of all parts in it, as the README's tables list them."""
    for name, info in slot_of(path).type.model_fields.items():
        here = (*path, name)
        yield Key(prefix + name, here, info.default)
        inner, steps = innermost(here)
        if is_part(slot_of(inner)) and slot_of(inner).type not in OWN_TABLES:
            yield from keys_of(inner, ".".join([prefix + name, *steps, ""]))


def innermost(path: KeyPath) -> tuple[KeyPath, list[str]]:
    """Go through mappings and lists to what they hold; return its path and the table's words for the way."""
    steps = []
    while (kind := get_origin(slot_of(path).type)) in (dict, list):
        if kind is dict:
            steps.append("NAME" if keyed_by_name(slot_of(path)) else "NUMBER")
        path = (*path, "x" if kind is dict else 0)
    return path, steps


def keyed_by_name(slot: SchemaSlot) -> bool:
    return get_args(get_args(slot.type)[0])[0] is str


def slot_of(path: KeyPath) -> SchemaSlot:
    slot = slot_at(path)
    assert slot is not None, path
    return slot


def is_part(slot: SchemaSlot) -> bool:
    return isinstance(slot.type, type) and issubclass(slot.type, BaseModel)


def rows(table: str) -> list[Row]:
    lines = re.findall(r"^\| (`.+) \|$", table, flags=re.MULTILINE)
    return [Row(*line.split(" | ")) for line in lines]


def left_out(key: Key) -> str | None:
    """Return what the table must say of a key that is left out; None where it may say it in its own words."""
    default = key.default
    if key.name in ("boards", "order", "head", "hops"):  # the rest of the plan says what they are then
        return None
    if not slot_of(key.path).optional:
        return "**required**"
    if isinstance(default, Span):
        return format_span(default, dimension(key.path)) if default.max else "0"
    if default is None or isinstance(default, BaseModel):
        return None
    if isinstance(default, (int, float)):
        return YES_OR_NO[default] if isinstance(default, bool) else f"{default:g}"
    values = [default] if isinstance(default, str) and default else default
    return ", ".join(f"`{each}`" for each in values) or "none"


YES_OR_NO = {True: "`yes`", False: "`no`"}


def dimension(path: KeyPath) -> Dimension:
    return next(each for each in DIMENSIONS if each.name == expected_words(path).partition(" such as")[0])


def takes(path: KeyPath) -> set[str]:
    """Return what the table must say of the values: a quantity's dimension, or all choices."""
    inner, _ = innermost(path)
    slot = slot_of(inner)
    if slot.type is Span:
        return {dimension(inner).name}
    if slot.type is bool:
        return {"`yes` or `no`"}
    choices = get_args(slot.type) if get_origin(slot.type) is Literal else ()
    return {f"`{choice}`" for choice in choices}


TABLES: dict[str, tuple[KeyPath, ...]] = {
    **{
        f"`{name}`": ((name, "x"),) for name in Plan.model_fields if get_origin(slot_of((name,)).type) is dict
    },
    "`insulation`": (("insulation",),),
    "`sleep` and `supply`": (("sleep",), ("supply",)),
    "`uplink`": (("uplink",),),
    "`targets`": (("targets",),),
    "A segment": (("chains", "x", "segments"),),
    "Bit errors": (("protocols", "x", "bit_errors"),),
}
"""The parts that each section's tables are about, by the section's heading."""


@pytest.mark.parametrize("heading", TABLES)
def test_a_table_lists_exactly_the_keys_of_the_schema(heading: str) -> None:
    keys = [key for path in TABLES[heading] for key in keys_of(path)]
    found = rows(sections()[heading])
    assert [row.key for row in found] == [f"`{key.name}`" for key in keys]
    for row, key in zip(found, keys, strict=True):
        wanted = left_out(key)
        assert row.left_out == wanted or (wanted is None and row.left_out.strip()), (row, wanted)
        assert all(word in row.takes for word in takes(key.path)), (row, takes(key.path))
        assert row.meaning.strip(), row
        kind = slot_of(key.path[:-1]).type
        if row.meaning != "As of a controller.":  # it says more in a schema, which has no table above it
            assert re.sub(r"\[(.+?)\]\(.*?\)", r"\1", row.meaning) == key_meanings(kind)[str(key.path[-1])]


def test_the_head_has_a_table_too() -> None:
    tables = {path[0] for paths in TABLES.values() for path in paths}
    listed = {row.key.strip("`") for row in rows(sections()["Head: what this plan is"])}
    assert listed | tables == set(Plan.model_fields)


def test_all_units_are_listed() -> None:
    found = dict(re.findall(r"^\| ([a-z ]+) \| (.+) \|$", sections()["Quantities"], flags=re.MULTILINE))
    for each in DIMENSIONS:
        units = [unit for unit in each.units if unit and unit.isascii()]
        assert [unit for unit in units if f"`{unit}`" not in found[each.name]] == [], each.name
        assert ("a plain number" in found[each.name]) == ("" in each.units)


# Its commands and links.


def test_the_exit_codes_of_every_command_are_listed() -> None:
    (table,) = re.findall(r"^\| exit code of any command .*\n((?:\|.*\n)+)", README, re.MULTILINE)
    cells = [row.split("|")[1].strip() for row in table.splitlines()[1:]]
    assert sorted(int(code) for cell in cells for code in cell.split(",")) == sorted(EVERY_COMMAND)


@pytest.mark.parametrize("mark", ["main job", "tests"])
def test_the_two_commands_stand_where_ci_looks_for_them(mark: str) -> None:
    script = re.search(rf"^<!-- {mark} -->\n```sh\n(.+)\n```$", README, flags=re.MULTILINE)
    assert script is not None
    assert script[1].startswith("python3 -m venv .venv && .venv/bin/pip install -q -c requirements.lock ")


def test_every_file_it_names_is_there() -> None:
    linked = re.findall(r"\]\(([^#)]+)\)", README)
    tests = re.findall(r"`(tests/[^`]+)`", README)
    assert len(linked) >= 4
    assert len(tests) >= 10
    assert [name for name in (*linked, *tests) if not (ROOT / name).exists()] == []


def test_the_picture_needs_nothing_from_outside() -> None:
    picture = (ROOT / ".pictures" / "report.svg").read_text(encoding="utf-8")
    assert set(re.findall(r"\w+://[^\"]+", picture)) == {"http://www.w3.org/2000/svg"}
