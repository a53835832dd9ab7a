"""`check --junit` and `--markdown`: files atomically, stdout on request, exit codes as ever."""

from __future__ import annotations

import os
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.plan.starter import STARTER

BROKEN = STARTER.replace("    set_up:", "    ports: none\n    set_up:")
MISSES = STARTER.replace("scan_time: 80 ms", "scan_time: 1 ms")


class Run:
    def __init__(self, *arguments: str) -> None:
        result = CliRunner().invoke(app, ["check", *arguments], prog_name="chainplan")
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        self.code, self.out, self.err = result.exit_code, result.stdout, result.stderr


@pytest.fixture(autouse=True)
def _plans(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, text in (("good", STARTER), ("missed", MISSES), ("broken", BROKEN)):
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    ("plans", "code"),
    [(["good.yaml"], 0), (["good.yaml", "missed.yaml"], 1), (["missed.yaml", "broken.yaml"], 2)],
)
def test_files_change_neither_lines_nor_exit_code(plans: list[str], code: int) -> None:
    without = Run(*plans)
    with_files = Run(*plans, "--junit", "j.xml", "--markdown", "m.md")
    assert without.code == with_files.code == code
    assert (without.out, without.err) == (with_files.out, with_files.err)
    suites = ElementTree.parse("j.xml").getroot()
    assert [suite.get("name") for suite in suites] == plans
    summary = Path("m.md").read_text(encoding="utf-8")
    assert all(f"### {plan}: " in summary for plan in plans)
    assert not list(Path.cwd().glob("*.part"))


@pytest.mark.parametrize(("option", "start"), [("--junit", "<?xml "), ("--markdown", "### good.yaml: met: ")])
def test_a_dash_is_stdout_in_place_of_the_lines(option: str, start: str) -> None:
    run = Run("good.yaml", option, "-")
    assert (run.code, run.err) == (0, "")
    assert run.out.startswith(start)
    assert "good.yaml: met: 20 of 20 targets met, none missed\n" not in run.out.splitlines(keepends=True)


def test_both_on_stdout_are_refused() -> None:
    run = Run("good.yaml", "--junit", "-", "--markdown", "-")
    assert (run.code, run.out) == (2, "")
    assert "only one of the two" in run.err


def test_no_result_replaces_a_plan_nor_the_other_result() -> None:
    os.symlink("good.yaml", "link.yaml")
    for arguments in (["--junit", "good.yaml"], ["--markdown", "link.yaml"], ["--junit", "./good.yaml"]):
        run = Run("good.yaml", *arguments)
        assert (run.code, run.out) == (2, "")
        assert "this is a plan that is checked" in run.err
    assert Path("good.yaml").read_text(encoding="utf-8") == STARTER
    assert Run("good.yaml", "--junit", "x", "--markdown", "./x").code == 2
    assert not Path("x").exists()


def test_no_result_replaces_a_file_that_a_plan_includes() -> None:
    library = next((Path(__file__).parents[2] / "configs" / "library").glob("*.yaml")).read_bytes()
    Path("parts.yaml").write_bytes(library)
    plan = STARTER.replace("    stack:", "    boards: [{type: my board, count: 4}]\n    stack:")
    Path("whole.yaml").write_text(f"include: [parts.yaml]\n{plan}", encoding="utf-8")
    assert Run("whole.yaml").code == 0
    for option in ("--junit", "--markdown"):
        run = Run("good.yaml", "whole.yaml", option, "./parts.yaml")
        assert (run.code, run.out) == (2, "")
        assert run.err == "./parts.yaml: the result comes from this file and does not replace it\n"
    assert Path("parts.yaml").read_bytes() == library


def test_what_cannot_be_written_is_told_and_leaves_what_was_there() -> None:
    run = Run("good.yaml", "--junit", "nowhere/j.xml")
    assert run.code == 2
    assert "nowhere/j.xml: the file cannot be written" in run.err
    assert "Traceback" not in run.err


def test_values_that_were_set_are_in_the_files() -> None:
    setting = "targets.scan_time=1 ms"
    run = Run("good.yaml", "--with", setting, "--junit", "j.xml", "--markdown", "m.md")
    assert run.code == 1
    properties = ElementTree.parse("j.xml").getroot().iter("property")
    assert "targets.scan_time = 1 ms" in [each.get("value") for each in properties]
    assert "Set: targets.scan\\_time = 1 ms\n" in Path("m.md").read_text(encoding="utf-8")


def test_warnings_reach_the_files() -> None:
    Path("patient.yaml").write_text(STARTER.replace("    time_out: 50 us\n", ""), encoding="utf-8")
    run = Run("patient.yaml", "--junit", "j.xml", "--markdown", "m.md")
    assert run.code == 0
    assert "time-out" in (ElementTree.parse("j.xml").getroot().findtext("testsuite/system-err") or "")
    assert "time-out" in Path("m.md").read_text(encoding="utf-8")
