"""The README checked against the program: its commands, its tutorial, its picture and its links."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
from pathlib import Path

import pytest
from guide_lists import pages
from typer.main import get_command
from typer.testing import CliRunner
from written_screens import fenced, screens

from chainplan.cli.app import app

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")

MOST_BYTES = {"README.md": 14_000, "DEVELOPERS.md": 8_192}


def section(heading: str) -> str:
    found = re.search(rf"^## {heading}\n(.*?)(?=^## |\Z)", README, flags=re.MULTILINE | re.DOTALL)
    assert found is not None
    return found[1]


@pytest.mark.parametrize("name", MOST_BYTES)
def test_it_stays_short(name: str) -> None:
    assert len((ROOT / name).read_bytes()) <= MOST_BYTES[name]


def test_it_warns_before_it_shows_anything() -> None:
    before = " ".join(README.partition("## Two commands")[0].replace("> ", "").split())
    for words in ("Danger of death", "lethal DC voltage", "planning aid only", "own text, local codes"):
        assert words in before


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
    shown = screens(section("Ten minutes"))
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


def test_each_path_has_commands_that_exist_and_pages_to_read() -> None:
    paths = re.split(r"^\*\*(.+?)\.\*\*", section("Three paths"), flags=re.MULTILINE)[1:]
    assert paths[::2] == ["Firmware architect", "Hardware team", "Design review"]
    commands = get_command(app).commands  # type: ignore[attr-defined]
    for text in paths[1::2]:
        assert "](chainplan/guide/" in text
        (block,) = fenced("sh", text)
        for line in block.splitlines():
            program, name, *words = shlex.split(line, comments=True)
            assert program == "chainplan"
            known = {option for each in commands[name].params for option in each.opts}
            assert {word for word in words if word.startswith("-")} <= known, line


@pytest.mark.parametrize("mark", ["main job", "tests"])
def test_the_two_commands_stand_where_ci_looks_for_them(mark: str) -> None:
    script = re.search(rf"^<!-- {mark} -->\n```sh\n(.+)\n```$", README, flags=re.MULTILINE)
    assert script is not None
    assert script[1].startswith("python3 -m venv .venv && .venv/bin/pip install -q -c requirements.lock ")


def test_every_file_it_names_is_there_and_every_page_of_the_guide_is_named() -> None:
    linked = re.findall(r"\]\(([^#)]+)\)", README)
    assert [name for name in linked if not (ROOT / name).exists()] == []
    assert {Path(name).name for name in linked if name.startswith("chainplan/guide/")} == set(pages())
