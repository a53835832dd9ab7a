"""The commands in-process: what they print, where, and the exit code they end with."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.cli.program import COMPLETING, asked_for
from chainplan.figures.sections import SECTIONS
from chainplan.plan.starter import STARTER

CONFIGS = Path(__file__).parents[2] / "configs"
MEETS = str(CONFIGS / "rail-trolley.yaml")
MISSES = str(CONFIGS / "mine-locomotive.yaml")


class Run:
    """What a command printed, and its exit code."""

    def __init__(self, *arguments: str) -> None:
        result = CliRunner().invoke(app, list(arguments), prog_name="chainplan")
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        self.code, self.out, self.err = result.exit_code, result.stdout, result.stderr


@pytest.fixture
def broken(tmp_path: Path) -> str:
    path = tmp_path / "broken.yaml"
    text = STARTER.replace("    set_up:", "    ports: none\n    set_up:").replace("350 mm", "350 m m")
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_check_says_little_and_ends_with_0_when_all_is_met() -> None:
    run = Run("check", MEETS)
    assert (run.code, run.err) == (0, "")
    assert run.out.splitlines() == [run.out.rstrip("\n")]
    assert run.out.startswith(f"{MEETS}: met: ")


def test_check_has_a_line_per_missed_target_and_ends_with_1() -> None:
    run = Run("check", MISSES)
    *missed, closing = run.out.splitlines()
    assert run.code == 1
    assert closing.startswith(f"{MISSES}: MISSED: {len(missed)} of ")
    assert all(line.startswith(f"{MISSES}: missed: ") and "margin -" in line for line in missed)


def test_check_of_several_plans_reports_each_and_ends_with_the_worst(broken: str) -> None:
    run = Run("check", MISSES, MEETS)
    assert run.code == 1
    assert f"{MEETS}: met: " in run.out
    run = Run("check", broken, MEETS, "no-such-file.yaml", MISSES)
    assert run.code == 2
    assert f"{MEETS}: met: " in run.out
    assert f"{MISSES}: MISSED: " in run.out
    assert "no-such-file.yaml" in run.err
    assert "no-such-file.yaml" not in run.out


@pytest.mark.parametrize("command", ["report", "check", "explain", "data"])
def test_problems_of_a_plan_go_to_stderr_all_at_once_with_exit_code_2(command: str, broken: str) -> None:
    run = Run(command, broken)
    assert (run.code, run.out) == (2, "")
    assert run.err.count("error: ") == 2
    assert "ports: none" in run.err
    assert "350 m m" in run.err
    assert "Traceback" not in run.err


@pytest.mark.parametrize("command", ["report", "check", "explain", "data"])
def test_warnings_go_to_stderr_and_stop_nothing(command: str, tmp_path: Path) -> None:
    path = tmp_path / "patient.yaml"
    path.write_text(STARTER.replace("    time_out: 50 us\n", ""), encoding="utf-8")
    run = Run(command, str(path))
    assert run.code == 0
    assert run.err.count("warning: ") == 1
    assert "time-out" in run.err
    assert run.out


@pytest.mark.parametrize("section", SECTIONS)
def test_report_of_one_section(section: str) -> None:
    run = Run("report", MEETS, "--section", section, "--width", "100")
    assert run.code == 0
    assert run.out.startswith("Rail inspection trolley\n")
    assert max(map(len, run.out.splitlines())) <= 100


def test_report_of_a_plan_that_misses_ends_with_1() -> None:
    run = Run("report", MISSES, "-s", "targets")
    assert run.code == 1
    assert "misses targets" in run.out


def test_unknown_sections_are_refused_with_the_known_ones() -> None:
    run = Run("report", MEETS, "--section", "everything")
    assert run.code == 2
    assert "everything" in run.err


def test_a_section_that_is_not_there_is_refused_before_anything_is_worked_out() -> None:
    refused = Run("report", "no-such-plan.yaml", "--section", "Tagets")
    assert (refused.code, refused.out) == (2, "")
    assert refused.err.startswith("--section Tagets: the report has no such section\n   expected: targets, ")
    assert "did you mean: targets" in refused.err


def test_explain_lists_explains_and_refuses() -> None:
    listing = Run("explain", MEETS)
    assert listing.code == 0
    assert "scan/trolley" in listing.out
    one = Run("explain", MEETS, "latency", "over-voltage")
    assert one.code == 0
    assert one.out.startswith("FHTI of over-voltage, worst case\n")
    several = Run("explain", MEETS, "cell voltages")
    assert (several.code, several.out) == (2, "")
    assert "age/trolley/cell voltages" in several.err
    none = Run("explain", MEETS, "latency/over-voltge")
    assert none.code == 2
    assert 'did you mean "latency/over-voltage"?' in none.err


def test_explain_says_why_a_target_has_no_figure() -> None:
    truck = str(CONFIGS / "quarry-truck.yaml")
    flood = ["--with", "uplink.messages.drive.bus=strings", "--with", "uplink.messages.drive.period=0.1 ms"]
    refused = Run("explain", truck, "latency", "pack", "over-voltage", *flood)
    assert (refused.code, refused.out) == (2, "")
    assert refused.err.startswith("fault handling time, pack over-voltage: there is no figure to explain: ")
    assert "more than the whole bus" in refused.err


def test_data_goes_to_stdout_or_whole_to_a_file(tmp_path: Path) -> None:
    printed = Run("data", MEETS)
    assert printed.code == 0
    assert json.loads(printed.out)["format"] == "chainplan results"
    out = tmp_path / "results.json"
    out.write_text("old", encoding="utf-8")
    written = Run("data", MEETS, "--out", str(out))
    assert (written.code, written.out) == (0, "")
    assert out.read_text(encoding="utf-8") == printed.out
    assert os.listdir(tmp_path) == ["results.json"]


def test_a_failed_write_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "results.json"
    out.write_text("old", encoding="utf-8")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    run = Run("data", MEETS, "--out", str(out))
    assert run.code == 2
    assert "No space left on device" in run.err
    assert out.read_text(encoding="utf-8") == "old"
    assert os.listdir(tmp_path) == ["results.json"]


@pytest.mark.parametrize("name", ["missing/results.json", "", "a\0b"])
def test_files_that_cannot_be_written_are_refused(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run = Run("data", MEETS, "--out", name)
    assert run.code == 2
    assert "cannot be written" in run.err


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    run = Run("data", MEETS, "--out", str(tmp_path))
    assert run.code == 2
    assert "directory" in run.err


def test_start_writes_a_plan_that_meets_its_targets(tmp_path: Path) -> None:
    path = tmp_path / "first.yaml"
    run = Run("start", str(path))
    assert run.code == 0
    assert str(path) in run.out
    checked = Run("check", str(path))
    assert (checked.code, checked.err) == (0, "")
    assert "not checked" not in checked.out


def test_start_replaces_nothing_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("mine", encoding="utf-8")
    run = Run("start", str(path))
    assert run.code == 2
    assert "--force" in run.err
    assert path.read_text(encoding="utf-8") == "mine"
    path.chmod(0o600)
    assert Run("start", str(path), "--force").code == 0
    assert path.read_text(encoding="utf-8") == STARTER
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_start_does_not_follow_a_link_to_nowhere(tmp_path: Path) -> None:
    link = tmp_path / "link.yaml"
    link.symlink_to(tmp_path / "elsewhere.yaml")
    assert Run("start", str(link)).code == 2
    assert not (tmp_path / "elsewhere.yaml").exists()


def test_new_files_follow_the_umask(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    before = os.umask(0o027)
    try:
        Run("start", str(path))
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_schemas_are_json_and_know_each_other_apart(tmp_path: Path) -> None:
    plan = json.loads(Run("schema").out)
    results = json.loads(Run("schema", "results").out)
    assert "chainplan" in plan["required"]
    assert "sums" in results["required"]
    assert Run("schema", "plan", "--out", str(tmp_path / "s.json")).code == 0
    assert json.loads((tmp_path / "s.json").read_text(encoding="utf-8")) == plan


def test_version_and_help() -> None:
    version = Run("--version")
    assert version.code == 0
    assert version.out.startswith("chainplan ")
    for command in ("", "report", "check", "explain", "data", "simulate", "start", "schema"):
        run = Run(*filter(None, [command]), "--help")
        assert run.code == 0
        assert "Usage" in run.out
    assert Run("chek", MEETS).code == 2
    assert Run("check").code == 2


def test_ctrl_c_ends_quietly_as_shells_count_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("chainplan.cli.plans.load_plan", interrupted)
    run = Run("check", MEETS)
    assert (run.code, run.out, run.err) == (130, "", "")


def test_commands_are_the_trades_own_words() -> None:
    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    assert list(commands) == [
        "report",
        "check",
        "compare",
        "explain",
        "data",
        "simulate",
        "tolerances",
        "slots",
        "waveform",
        "printout",
        "graph",
        "capture",
        "study",
        "start",
        "guide",
        "schema",
        "reference",
    ]


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["check", "plan.yaml"], ["check"]),
        (["--version", "report"], ["report"]),
        (["reprot"], None),
        (["reference"], None),
        ([], None),
        (["--help"], None),
    ],
)
def test_only_the_command_that_is_named_is_made_ready(words: list[str], names: list[str] | None) -> None:
    every = app.registered_commands
    found = [each.callback.__name__ for each in asked_for(words, every) if each.callback]
    assert found == (names or [each.callback.__name__ for each in every if each.callback])


def test_a_shell_that_completes_words_finds_every_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(COMPLETING, "complete_bash")
    assert asked_for(["check"], app.registered_commands) == app.registered_commands


def test_the_list_of_commands_says_the_same_without_their_options(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = CliRunner().invoke(app, ["--help"]).output
    monkeypatch.setattr(app, "registered_commands", asked_for(["--help"], app.registered_commands))
    assert CliRunner().invoke(app, ["--help"]).output == whole
    assert "Print missed targets only" in whole


def test_explain_takes_the_words_of_the_report() -> None:
    assert Run("explain", MEETS, "scan", "time").out.startswith("scan time of trolley, worst case\n")
    assert "figure: isolation/line#1/references" in Run("explain", MEETS, "barrier", "creepage").out
    assert Run("explain", MEETS, "utilisation").code == 0
    assert 'did you mean "barrier creepage"?' in Run("explain", MEETS, "barier", "creepage").err


def test_strict_fails_what_could_not_be_checked() -> None:
    assert Run("check", MEETS).code == 0
    strict = Run("check", MEETS, "--strict")
    assert strict.code == 1
    assert strict.out.endswith("none missed, 2 not checked\n")


def test_a_section_is_named_by_its_heading_in_any_case_or_by_its_first_word() -> None:
    by_name = Run("report", MEETS, "-s", "fault handling")
    assert by_name.code == 0
    for words in ("From fault to safe state", "from", "FROM"):
        assert Run("report", MEETS, "-s", words).out == by_name.out


def test_the_whole_report_ends_with_the_first_screen() -> None:
    first = Run("report", MEETS).out
    whole = Run("report", MEETS, "--full").out
    assert whole.endswith(first)
    assert "ASSUMPTIONS" in whole


def test_what_to_type_first_is_told() -> None:
    assert Run().out.startswith("Three first steps:\n  chainplan start plan.yaml")
