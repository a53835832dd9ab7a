"""Rows on disk while a study runs: appended batch by batch, so that an interrupted study can go on.

A text file of JSON lines. The first says which study and plan the rows belong to; each other line is a row
with its exact figures. A line that was cut off in the middle is dropped.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from fractions import Fraction
from typing import Any, BinaryIO

from chainplan import __version__
from chainplan.study.job import CandidateRow
from chainplan.study.load import LoadedStudy
from chainplan.study.measures import Value

FORMAT = "chainplan study rows 1"


class CheckpointError(Exception):
    """A file of rows that cannot be used: it belongs to another study, or another run has it open."""


def fingerprint(loaded: LoadedStudy) -> str:
    """Return what tells studies apart: the study, the plan with all it includes, and the version."""
    parts = (FORMAT, __version__, loaded.sources.data, loaded.plan.sources.data)
    return hashlib.sha256(repr(parts).encode("utf-8", "surrogatepass")).hexdigest()


class Checkpoint:
    """A file of rows, open for more. Raises OSError where the file system does."""

    def __init__(self, name: str, key: str) -> None:
        """Open a file of rows, or begin one. Raises :class:`CheckpointError`."""
        self.name = name
        self._key = key
        self._stream: BinaryIO = open(name, "a+b")  # noqa: SIM115 - it stays open as long as the study runs
        try:
            _lock(self._stream)
            self.done = self._recovered()
        except BaseException:
            self._stream.close()
            raise

    def append(self, rows: Iterable[CandidateRow]) -> None:
        """Add rows, in order; they are on disk when this returns, as far as the system says."""
        text = "".join(_line(row) for row in rows)
        self._stream.write(text.encode("ascii"))
        self._stream.flush()
        self.done += text.count("\n")

    def rows(self) -> Iterator[CandidateRow]:
        """Yield all rows in order, one at a time."""
        with open(self.name, "rb") as stream:
            next(stream)
            for number, line in zip(range(1, self.done + 1), stream, strict=False):
                yield _row(number, line)

    def close(self, *, remove: bool) -> None:
        """Close the file; remove it where it is not needed any more."""
        self._stream.close()
        if remove:
            with suppress(OSError):
                os.unlink(self.name)

    def _recovered(self) -> int:
        """Return how many whole rows there are, and cut off what is behind them."""
        self._stream.seek(0)
        head = self._stream.readline()
        if not head.endswith(b"\n"):  # new, or cut off in its first line
            self._stream.truncate(0)
            self._stream.write(json.dumps({"format": FORMAT, "study": self._key}).encode("ascii") + b"\n")
            self._stream.flush()
            return 0
        if not _belongs(head, self._key):
            raise CheckpointError(
                "these rows are of another study, or the study, its plan or the program has changed since"
            )
        done, end = 0, self._stream.tell()
        for line in self._stream:
            if not line.endswith(b"\n"):
                break
            done, end = done + 1, end + len(line)
        self._stream.truncate(end)
        self._stream.seek(0, os.SEEK_END)
        return done


def _belongs(head: bytes, key: str) -> bool:
    try:
        found = json.loads(head)
    except ValueError:
        return False
    return isinstance(found, dict) and found.get("format") == FORMAT and found.get("study") == key


def _lock(stream: BinaryIO) -> None:
    """Keep a second run from writing to the same file, where the system can."""
    try:
        import fcntl
    except ImportError:  # not a POSIX system
        return
    try:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise CheckpointError("another run is writing these rows") from None
    except OSError:  # a file system without locks
        return


def _line(row: CandidateRow) -> str:
    values = [_plain(value) for value in row.values]
    return json.dumps([row.status, values, list(row.missed), row.reason], separators=(",", ":")) + "\n"


def _row(number: int, line: bytes) -> CandidateRow:
    status, values, missed, reason = json.loads(line)
    return CandidateRow(number, status, tuple(map(_exact, values)), tuple(missed), reason)


def _plain(value: Value) -> int | str | None:
    return f"{value.numerator}/{value.denominator}" if isinstance(value, Fraction) else value


def _exact(value: Any) -> Value:
    return Fraction(value) if isinstance(value, str) else value
