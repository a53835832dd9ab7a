"""Commands that are ended in the middle: no half file, no stray file, no process left behind."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from programs import Program, check_untouched, folder_of_results, named

ROOT = Path(__file__).parents[2]
SMALL = "../small.yaml"
LARGE = str(ROOT / "configs" / "harbour-ferry.yaml")
STUDY = ROOT / "configs" / "studies" / "bit-rate-or-reach.yaml"

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux")

WITH_WORKERS = {
    "simulate": ["simulate", LARGE, "--scans", "20000", "--seeds", "50", "--workers", "2", "--out", "OUT"],
    "tolerances": ["tolerances", LARGE, "--samples", "100000", "--workers", "2", "--out", "OUT"],
    "study": ["study", "study.yaml", "--workers", "2", "--out", "OUT.csv", "--plot", "OUT.svg"],
}
ANEW = ["--with", "title=A plan that no test before has searched"]
"""A program begins as a copy of the tests, with what they remember: this plan is none of theirs."""

ALONE = {
    "report": ["report", LARGE, "--section", "headroom", *ANEW],
    "printout": ["printout", LARGE, "--out", "OUT.html", *ANEW],
    "data": ["data", LARGE, "--headroom", "--out", "OUT", *ANEW],
    "simulate": ["simulate", LARGE, "--scans", "20000", "--workers", "1", "--out", "OUT"],
}
ON_JOBLIB = ["study", "study.yaml", "--workers", "2", "--joblib", "loky", "--out", "OUT.csv"]
LONG = {**WITH_WORKERS, **{f"{name}, alone": arguments for name, arguments in ALONE.items()}}
"""Commands in the middle of something."""


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    return folder_of_results(tmp_path)


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("arguments", [*LONG.values(), ON_JOBLIB], ids=[*LONG, "study, loky"])
def test_a_run_that_is_ended_in_the_middle(
    arguments: list[str], ending: signal.Signals, folder: Path
) -> None:
    """Ctrl-C is 130, SIGTERM 143, as shells count them; only a study keeps its rows, to go on from."""
    _write_study(folder)
    program = Program(named(arguments), folder)
    if "loky" in arguments:
        program.wait_for_file_there("result.csv.unfinished", 1000)
    elif "2" in arguments:
        program.wait_for_workers(2)
    else:
        program.wait_for_work(0.8)
    program.kill(ending)
    ended = program.end()
    assert ended.code == 128 + ending
    assert "Traceback" not in ended.err
    check_untouched(folder, "study.yaml", "result.csv.unfinished")


@pytest.mark.parametrize("arguments", [*WITH_WORKERS.values(), ON_JOBLIB], ids=[*WITH_WORKERS, "study, loky"])
def test_workers_do_not_outlive_a_program_that_is_killed(arguments: list[str], folder: Path) -> None:
    """SIGKILL leaves a program no time to end them; `end` waits until its session is empty."""
    _write_study(folder)
    program = Program(named(arguments), folder)
    program.wait_for_workers(2)
    program.kill(signal.SIGKILL)
    assert program.end().code == -signal.SIGKILL


@pytest.mark.parametrize("arguments", [*WITH_WORKERS.values(), ON_JOBLIB], ids=[*WITH_WORKERS, "study, loky"])
def test_a_worker_that_is_killed(arguments: list[str], folder: Path) -> None:
    """As a system does that is short of memory: the program says so, and it is no missed target."""
    _write_study(folder)
    program = Program(named(arguments), folder)
    if "study" in arguments:
        program.wait_for_file_there("result.csv.unfinished", 1000)
    program.kill_worker(2)
    ended = program.end()
    assert ended.code == 3, ended.err
    assert "a worker process has died" in ended.err
    assert "Traceback" not in ended.err
    assert ("run it again to go on: " in ended.err) == ("study" in arguments)
    check_untouched(folder, "study.yaml", "result.csv.unfinished")


def test_a_capture_that_is_interrupted_while_it_waits(folder: Path) -> None:
    """A capture may come through a pipe, and the pipe may have nothing more to say."""
    pipe = folder.parent / "pipe"
    os.mkfifo(pipe)
    keeps_open = os.open(pipe, os.O_RDWR)
    os.write(keeps_open, b"$timescale 1 ns $end $var wire 1 ! line $end $enddefinitions $end\n")
    arguments = ["capture", SMALL, str(pipe), "--channel", "line=main controller:1", "--out", "result"]
    program = Program(arguments, folder)
    program.wait_for_work(0.2)
    program.kill(signal.SIGINT)
    ended = program.end()
    os.close(keeps_open)
    assert (ended.code, ended.err) == (130, "")
    check_untouched(folder)


def _write_study(folder: Path) -> None:
    """Write a study of many candidates."""
    text = STUDY.read_text(encoding="utf-8").replace("plan: plans", f"plan: {STUDY.parent / 'plans'}")
    many = text.replace("points: 240, sequence: sobol", "points: 50000")
    assert many != text
    (folder / "study.yaml").write_text(many, encoding="utf-8")
