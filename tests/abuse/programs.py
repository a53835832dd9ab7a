"""The program as a process of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from chainplan.plan.starter import STARTER

PATIENCE = 60.0
"""Seconds to wait for what must happen on any machine."""


PROGRAM = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGTERM, signal.SIG_DFL)
sys.argv[0] = "chainplan"
from chainplan.cli import main
main()
"""
"""Signals as a shell leaves them: what runs the tests may have been told to ignore them."""


class Ended(NamedTuple):
    """How a run ended: its exit code (below zero: killed by a signal) and what it said."""

    code: int
    out: str
    err: str


class Program:
    """A run of the program in a session of its own, so that whatever it leaves behind can be found."""

    def __init__(
        self,
        arguments: list[str],
        folder: Path,
        *,
        stdout: int | None = None,
        prepare: str = "",
    ) -> None:
        """Start it; `stdout` is where it writes instead of a file, `prepare` is run in it before all."""
        self._out, self._err = folder.parent / f"{folder.name}.out", folder.parent / f"{folder.name}.err"
        self._stdout, self._folder = stdout, folder
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC
        out = stdout if stdout is not None else os.open(self._out, flags, 0o600)
        err = os.open(self._err, flags, 0o600)
        self._process = subprocess.Popen(
            [sys.executable, "-c", f"{prepare}\n{PROGRAM}", *arguments],
            cwd=folder,
            env={**os.environ, "TMPDIR": str(folder), "COLUMNS": "80"},
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            start_new_session=True,
        )
        if stdout is None:
            os.close(out)
        os.close(err)
        self.pid = self._process.pid

    def end(self) -> Ended:
        """Wait for its end; nothing of its session may outlive it."""
        _wait_until(lambda: self._process.poll() is not None)
        code = self._process.returncode
        _wait_until(lambda: not _session(self.pid))
        texts = [each.read_text() if each.exists() else "" for each in (self._out, self._err)]
        return Ended(code, *texts)

    def wait_for_workers(self, count: int) -> None:
        """Wait until so many processes work for it."""
        _wait_until(lambda: len(_session(self.pid)) > count)

    def wait_for_work(self, seconds: float) -> None:
        """Wait until it has worked so long, by the processor's clock."""
        _wait_until(lambda: _processor_time(self.pid) > seconds)

    def wait_for_file(self, name: str) -> None:
        """Wait until a file of this name lies in its memory, as proc(5) tells."""
        _wait_until(lambda: name in Path(f"/proc/{self.pid}/maps").read_text(encoding="utf-8"))

    def wait_for_file_there(self, name: str, size: int) -> None:
        """Wait until a file in its folder has so many bytes."""
        path = self._folder / name
        _wait_until(lambda: path.exists() and path.stat().st_size >= size)

    def kill_worker(self, count: int) -> None:
        """Kill the last of its processes, as soon as so many work for it: helpers of a library come first."""
        self.wait_for_workers(count)
        os.kill(max(_children(self.pid))[1], signal.SIGKILL)

    def kill(self, number: int) -> None:
        """Send a signal to it, and to it alone."""
        os.kill(self.pid, number)


BEFORE = b"what was here before\n"


def folder_of_results(tmp_path: Path) -> Path:
    """Return a folder where each result is there already, from an earlier run; a plan lies beside it."""
    (tmp_path / "small.yaml").write_text(STARTER, encoding="utf-8")
    folder = tmp_path / "results"
    folder.mkdir()
    for name in ("result", "result.html", "result.csv", "result.svg"):
        (folder / name).write_bytes(BEFORE)
    return folder


def named(arguments: list[str], out: str = "result") -> list[str]:
    return [each.replace("OUT", out) for each in arguments]


def check_untouched(folder: Path, *allowed: str) -> None:
    """Nothing is there but what was there before, byte for byte."""
    found = {path.name: path.read_bytes() for path in folder.iterdir() if path.name not in allowed}
    assert found == dict.fromkeys(("result", "result.html", "result.csv", "result.svg"), BEFORE)


def run(arguments: list[str], folder: Path, *, prepare: str = "") -> Ended:
    """Run the program to its end."""
    return Program(arguments, folder, prepare=prepare).end()


NO_ROOM = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))"
"""Lets every file end after 100 bytes, as on a full disk; messages are short enough."""


def _wait_until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < end, "this does not come to an end"
        time.sleep(0.01)


def _stat(pid: int) -> list[str]:
    """Return what proc(5) says of a process, from its state on; nothing where it is gone."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return []


def _session(leader: int) -> list[int]:
    """Return the processes of a session that are alive; proc(5), stat: state, and the session's number."""
    pids = [int(entry.name) for entry in os.scandir("/proc") if entry.name.isdigit()]
    states = {pid: _stat(pid) for pid in pids}
    return [pid for pid, stat in states.items() if stat and stat[0] not in "ZX" and stat[3] == str(leader)]


def _children(parent: int) -> list[tuple[int, int]]:
    """Return the processes of a session that its leader has begun: when, in clock ticks, and the number."""
    stats = {pid: _stat(pid) for pid in _session(parent)}
    return [(int(stat[19]), pid) for pid, stat in stats.items() if stat and stat[1] == str(parent)]


def _processor_time(pid: int) -> float:
    """Return the seconds a process has worked; proc(5), stat: utime and stime in clock ticks."""
    stat = _stat(pid)
    return sum(map(int, stat[11:13])) / os.sysconf("SC_CLK_TCK") if stat else PATIENCE
