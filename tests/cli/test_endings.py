"""How a command ends where something goes wrong that nobody planned: with a code and a line for it."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.cli.guard import told
from chainplan.plan.starter import STARTER
from chainplan.workers import WorkerDiedError


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (MemoryError(), 3, "the memory has come to its end"),
        (SyntaxError("expected ':'"), 3, "the memory has come to its end"),
        (SystemError("error return without exception set"), 3, "the memory has come to its end"),
        (WorkerDiedError("a worker process has died"), 3, "a worker process has died"),
        (OSError(errno.ENOMEM, "Cannot allocate memory"), 3, "Cannot allocate memory"),
        (OSError(errno.EAGAIN, "Resource temporarily unavailable"), 3, "Resource temporarily unavailable"),
        (OSError(errno.EMFILE, "Too many open files"), 3, "Too many open files"),
        (RuntimeError("can't start new thread"), 3, "can't start new thread"),
        (ImportError("x.so: failed to map segment from shared object"), 3, "failed to map segment"),
        (BlockingIOError(errno.EAGAIN, "write could not complete", 0), 2, "the output cannot be written"),
        (OSError(errno.ENOSPC, "No space left on device"), 2, "the output cannot be written: No space"),
        (PermissionError(errno.EACCES, "Permission denied", "a\x1bb"), 2, "a\\x1bb: Permission denied"),
        (ImportError("No module named 'x'"), 70, "ImportError: No module named 'x'"),
        (RecursionError("too deep"), 70, "RecursionError: too deep"),
        (KeyError("a\x1b[31m\nname" * 100), 70, "please report it"),
    ],
)
def test_codes_and_words(error: Exception, code: int, words: str) -> None:
    found, message = told(error)
    assert found == code
    assert words in message
    assert message.replace("\n   expected: ", "").isprintable()
    assert len(message) < 500


@pytest.mark.parametrize("command", [["check"], ["report"], ["data"], ["simulate", "--workers", "1"]])
def test_a_fault_is_no_missed_target(
    command: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(*_: object) -> None:
        raise IndexError("there is no such thing")

    monkeypatch.setattr("chainplan.cli.plans.Evaluation", wrong)
    plan = tmp_path / "plan.yaml"
    plan.write_text(STARTER, encoding="utf-8")
    result = CliRunner().invoke(app, [command[0], str(plan), *command[1:]])
    assert result.exit_code == 70
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert line.startswith(
        "a fault of chainplan, please report it with the plan: IndexError: there is no such"
    )
    assert line.endswith(")")


def test_an_option_is_shown_without_what_moves_a_terminal(tmp_path: Path) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text(STARTER, encoding="utf-8")
    result = CliRunner().invoke(app, ["simulate", str(plan), "--burst", "\x1b[31m"])
    assert result.exit_code == 2
    assert result.stderr.startswith("--burst \\x1b[31m: ")
