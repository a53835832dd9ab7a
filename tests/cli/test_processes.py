"""The program as a process: what only shows there, such as pipes, encodings, terminals and imports."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MEETS = "configs/rail-trolley.yaml"
MISSES = "configs/mine-locomotive.yaml"


def environment(**changes: str) -> dict[str, str]:
    kept = {
        key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "FORCE_COLOR", "COLUMNS")
    }
    return {**kept, "PYTHONPATH": str(ROOT), "TERM": "xterm-256color", **changes}


def program(*arguments: str, **changes: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "chainplan", *arguments],
        cwd=ROOT,
        env=environment(**changes),
        capture_output=True,
        check=False,
        timeout=60,
    )


def on_terminal(*arguments: str, **changes: str) -> str:
    """Run the program with a terminal of 80 columns as its output; return what it wrote there."""
    leader, follower = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "chainplan", *arguments],
        cwd=ROOT,
        env=environment(COLUMNS="80", **changes),
        stdout=follower,
        stderr=subprocess.PIPE,
    ) as process:
        os.close(follower)
        written = b""
        while True:
            try:
                piece = os.read(leader, 65536)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            written += piece
    os.close(leader)
    assert process.returncode == 1  # the plan misses targets
    return written.decode("utf-8")


def test_piped_report_has_no_escape_codes_and_80_columns() -> None:
    done = program("report", MEETS)
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode("utf-8")
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) == 80


def test_on_a_terminal_there_is_colour_unless_no_color_is_set() -> None:
    coloured = on_terminal("report", MISSES, "-s", "targets")
    plain = on_terminal("report", MISSES, "-s", "targets", NO_COLOR="1")
    assert re.search(r"\x1b\[1;31m✗ MISSED", coloured)
    assert not re.search(r"\x1b\[[0-9;]*3[0-9]", plain)
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == re.sub(r"\x1b\[[0-9;]*m", "", plain)


@pytest.mark.parametrize("command", [["report", "-s", "scan"], ["check"], ["explain", "scan/cab"]])
def test_streams_that_know_only_ascii_get_only_ascii(command: list[str]) -> None:
    done = program(command[0], MISSES, *command[1:], PYTHONIOENCODING="ascii")
    assert done.returncode in (0, 1)
    assert done.stdout.isascii()
    assert done.stderr == b""


@pytest.mark.parametrize("command", [["report", "-s", "single faults"], ["data"]])
def test_a_reader_that_leaves_early_is_no_error(command: list[str]) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "chainplan", command[0], "configs/storage-container.yaml", *command[1:]],
        cwd=ROOT,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        errors = process.stderr.read()
    assert (process.returncode, errors) == (141, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("command", [["report", MEETS], ["check", MEETS]])
def test_a_full_disk_is_told(command: list[str]) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "chainplan", *command],
            cwd=ROOT,
            env=environment(),
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
            timeout=60,
        )
    assert done.returncode == 2
    assert done.stderr == b"the output cannot be written: No space left on device\n"


SIZES = ["99999999999", "9" * 5000, "1001", "0", "-80", "", "wide", "²", "٨٠", "1", "7", "0080"]
"""What may stand in COLUMNS: too many, none, no number, a digit that is none, too few."""


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("command", [["report", MEETS, "-s", "targets"], ["--help"], ["check", MEETS]])
def test_a_screen_of_any_size(command: list[str], size: str) -> None:
    done = program(*command, **dict.fromkeys(("COLUMNS", "LINES", "TERMINAL_WIDTH"), size))
    assert (done.returncode, done.stderr) == (0, b"")
    lines = done.stdout.decode("utf-8").splitlines()
    assert max(map(len, lines)) <= 1000
    assert len(lines) < 10_000
    if size == "0080":
        assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("asked", ["nonsense", "complete_bash"])
def test_a_completion_that_no_shell_asked_for(asked: str) -> None:
    """Its code is not 1, which says that a target is missed."""
    done = program("check", MEETS, _CHAINPLAN_COMPLETE=asked, COMP_WORDS="chainplan", COMP_CWORD="x")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


def imported(*arguments: str) -> set[str]:
    """Return the top modules a command has imported when it ends."""
    code = (
        "import sys\n"
        f"sys.argv = ['chainplan', *{list(arguments)!r}]\n"
        "from chainplan.cli.program import main\n"
        "try:\n    main()\n"
        "finally:\n    sys.stderr.write(' '.join(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env=environment(),
        capture_output=True,
        check=False,
        timeout=60,
    )
    return set(done.stderr.decode().split())


def test_help_imports_nothing_of_the_planner() -> None:
    modules = imported("--help")
    own = {name for name in modules if name.startswith("chainplan")}
    assert own == {"chainplan", "chainplan.cli", "chainplan.cli.app", "chainplan.cli.guard"} | {
        "chainplan.cli.program",
        "chainplan.cli.examples",
        "chainplan.cli.options",
        "chainplan.figures",
        "chainplan.figures.sections",
    }
    assert not modules & {"pydantic", "networkx", "yaml"}


def test_check_imports_neither_a_terminal_library_nor_a_graph_library() -> None:
    modules = imported("check", MEETS)
    assert "chainplan.evaluation" in modules
    assert not modules & {"rich", "networkx", "numpy", "scipy", "simpy"}
