"""Commands as processes: whatever happens to one, no half file, no stray file, no process left behind."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from programs import BEFORE, NO_ROOM, Ended, Program, check_untouched, folder_of_results, named, run

from chainplan.cli.app import app

ROOT = Path(__file__).parents[2]
SMALL = "../small.yaml"

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux")

PRINTING = {
    "report": ["report", SMALL],
    "check": ["check", SMALL],
    "check, JUnit": ["check", SMALL, "--junit", "-"],
    "compare": ["compare", SMALL, SMALL],
    "compare, Markdown": ["compare", SMALL, SMALL, "--markdown", "-"],
    "explain": ["explain", SMALL],
    "data": ["data", SMALL],
    "simulate": ["simulate", SMALL, "--scans", "5", "--seeds", "1", "--workers", "1"],
    "guide": ["guide"],
    "graph": ["graph", SMALL],
    "schema": ["schema"],
    "slots": ["slots", SMALL],
    "waveform": ["waveform", SMALL, "--out", "/dev/stdout"],
    "tolerances": ["tolerances", SMALL, "--samples", "2", "--workers", "1"],
    "reference": ["reference"],
    "help": ["--help"],
    "help of a command": ["report", "--help"],
    "version": ["--version"],
}
"""Every command that prints."""

WRITING = {
    "check, JUnit": ["check", SMALL, "--junit", "OUT"],
    "check, Markdown": ["check", SMALL, "--markdown", "OUT"],
    "compare": ["compare", SMALL, SMALL, "--out", "OUT"],
    "compare, Markdown": ["compare", SMALL, SMALL, "--markdown", "OUT"],
    "data": ["data", SMALL, "--out", "OUT"],
    "simulate": ["simulate", SMALL, "--scans", "5", "--seeds", "1", "--workers", "1", "--out", "OUT"],
    "graph": ["graph", SMALL, "--out", "OUT"],
    "printout": ["printout", SMALL, "--out", "OUT.html"],
    "start": ["start", "OUT", "--force"],
    "schema": ["schema", "--out", "OUT"],
    "slots": ["slots", SMALL, "--out", "OUT"],
    "waveform": ["waveform", SMALL, "--out", "OUT"],
    "tolerances": ["tolerances", SMALL, "--samples", "2", "--workers", "1", "--out", "OUT"],
    "reference": ["reference", "--out", "OUT"],
}
"""Every command that writes a file, but for `study`, whose results come after a longer while."""


def check_told(ended: Ended, *words: str) -> None:
    """One message, of one or a few lines, no traceback."""
    assert ended.code == 2
    assert all(word in ended.err for word in words)
    assert "Traceback" not in ended.err
    assert len(ended.err.splitlines()) <= 3


def test_every_command_is_here() -> None:
    commands = {command.callback.__name__ for command in app.registered_commands if command.callback}
    tried = {arguments[0] for arguments in (*PRINTING.values(), *WRITING.values())}
    assert commands - tried == {"study", "capture"}  # see test_programs_ended.py


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    return folder_of_results(tmp_path)


@pytest.mark.parametrize("arguments", PRINTING.values(), ids=PRINTING)
def test_a_reader_that_has_gone(arguments: list[str], folder: Path) -> None:
    """As in `chainplan report plan.yaml | head -1`, when head has what it wants; 141 is 128 + SIGPIPE."""
    reading, writing = os.pipe()
    os.close(reading)
    ended = Program(arguments, folder, stdout=writing).end()
    os.close(writing)
    assert ended.err == ""
    assert ended.code == 141
    check_untouched(folder)


@pytest.mark.parametrize("arguments", WRITING.values(), ids=WRITING)
def test_a_full_disk(arguments: list[str], folder: Path) -> None:
    check_told(run(named(arguments), folder, prepare=NO_ROOM), "result", "cannot be written: File too large")
    check_untouched(folder)


def test_a_full_disk_in_the_middle_of_a_study(folder: Path) -> None:
    _write_study(folder)
    arguments = ["study", "../study.yaml", "--workers", "1", "--out", "result.csv"]
    check_told(run(arguments, folder, prepare=NO_ROOM))  # 100 bytes of the message
    check_untouched(folder, "result.csv.unfinished")


@pytest.mark.parametrize("arguments", WRITING.values(), ids=WRITING)
def test_a_missing_directory(arguments: list[str], folder: Path) -> None:
    check_told(run(named(arguments, "nowhere/result"), folder), "nowhere/result", "cannot be written")
    check_untouched(folder)


def _write_study(folder: Path) -> None:
    (folder.parent / "study.yaml").write_text(
        "study: 1\ntitle: Short\nplan: small.yaml\nobjectives: {scan time: minimise}\n"
        "parameters: {limit: {key: targets.scan_time, values: [50 ms, 60 ms]}}\n"
    )


def test_two_runs_that_write_one_file(folder: Path) -> None:
    """The file is that of one of the two, whole."""
    kinds = ["dot", "graphml"]
    whole = [run(["graph", SMALL, "--format", kind], folder).out for kind in kinds]
    runs = [Program(["graph", SMALL, "--format", kind, "-o", "result"], folder) for kind in kinds * 3]
    assert all(each.end().code == 0 for each in runs)
    assert (folder / "result").read_text() in whole
    assert sorted(path.name for path in folder.iterdir()) == [
        "result",
        "result.csv",
        "result.html",
        "result.svg",
    ]


@pytest.mark.parametrize(
    ("arguments", "closed", "told"),
    [
        (["report", SMALL], "1>&-", "the output cannot be written: Bad file descriptor\n"),
        (["report", SMALL], "0<&- 2>&-", None),
        (["--help"], "> /dev/full", "the output cannot be written: No space left on device\n"),
        (["schema", "--out", "OUT"], "0<&- 1>&- 2>&-", None),
        (["study", "../study.yaml", "--workers", "2", "--joblib", "loky"], "2>&-", None),
    ],
)
def test_streams_that_are_closed_or_full(
    arguments: list[str], closed: str, told: str | None, folder: Path
) -> None:
    """With an interpreter of its own: it looks at its streams before any of our code does."""
    _write_study(folder)
    command = f'"$@" {closed}'
    done = subprocess.run(
        ["sh", "-c", command, "sh", sys.executable, "-m", "chainplan", *named(arguments)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0 if told is None else 2, told or "")
    assert (folder / "result").read_bytes() == BEFORE or "--out" in arguments
