"""`compare` in-process: what it prints, what it writes, and the exit code it ends with."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.plan.starter import STARTER

CONFIGS = Path(__file__).parents[2] / "configs"
MEETS = str(CONFIGS / "rail-trolley.yaml")
MISSES = str(CONFIGS / "mine-locomotive.yaml")


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["compare", *arguments], prog_name="chainplan")
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def revisions(tmp_path: Path) -> tuple[str, str]:
    """Two revisions of a plan under one file name, in two folders."""
    for folder, text in (("old", STARTER), ("new", STARTER.replace("350 mm", "360 mm"))):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "plan.yaml").write_text(text, encoding="utf-8")
    return str(tmp_path / "old" / "plan.yaml"), str(tmp_path / "new" / "plan.yaml")


def test_the_last_plan_decides_the_exit_code() -> None:
    assert run(MEETS, MISSES)[0] == 1
    assert run(MISSES, MEETS)[0] == 0
    assert run(MISSES, MISSES, MEETS)[0] == 0


def test_one_file_name_in_two_folders_is_told_apart(revisions: tuple[str, str]) -> None:
    code, out, err = run(*revisions, "--width", "400")
    assert (code, err) == (0, "")
    for letter, file in zip("AB", revisions, strict=True):
        assert f"\n{letter}  {file}: " in out
    old, new = (f"({file}:" for file in revisions)
    assert f"350 mm  {old}" in out
    assert f"360 mm  {new}" in out


def test_data_and_markdown_go_to_files_or_stdout(revisions: tuple[str, str], tmp_path: Path) -> None:
    data, markdown = tmp_path / "difference.json", tmp_path / "difference.md"
    code, out, _ = run(*revisions, "--out", str(data), "--markdown", str(markdown))
    assert (code, out) == (0, "")
    document = json.loads(data.read_text(encoding="utf-8"))
    assert document["format"] == "chainplan comparison"
    (change,) = document["against_reference"][0]["changes"]
    assert (change["key"], change["old"]["text"]) == ("chains.line.segments.length", "350 mm")
    assert run(*revisions, "--out", "-")[1] == data.read_text(encoding="utf-8")
    assert run(*revisions, "--markdown", "-")[1] == markdown.read_text(encoding="utf-8")
    schema = CliRunner().invoke(app, ["schema", "comparison"], prog_name="chainplan")
    jsonschema.validate(document, json.loads(schema.stdout))


def test_one_plan_is_not_enough() -> None:
    code, out, err = run(MEETS)
    assert (code, out) == (2, "")
    assert "two plans or more" in err


def test_what_is_wrong_with_any_plan_is_said_at_once_and_nothing_written(tmp_path: Path) -> None:
    broken = tmp_path / "broken.yaml"
    broken.write_text(STARTER.replace("    set_up:", "    ports: none\n    set_up:"), encoding="utf-8")
    out_file = tmp_path / "difference.json"
    code, out, err = run(str(broken), MEETS, "no-such-file.yaml", "--out", str(out_file))
    assert (code, out) == (2, "")
    assert "ports: none" in err
    assert "no-such-file.yaml" in err
    assert "Traceback" not in err
    assert not out_file.exists()


def test_all_shows_what_stays_the_same() -> None:
    assert len(run(MEETS, MEETS, "--all")[1]) > len(run(MEETS, MEETS)[1])
