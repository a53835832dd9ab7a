"""Rows on disk while a study runs: appended batch by batch, so that an interrupted study can go on.

A text file. Its first line says which study and plan the rows belong to; each other line is a row: a
checksum, then the number of the candidate and its exact figures as JSON. A line whose checksum is wrong (cut
off, overwritten, filled with zeros by a file system that came back after a power failure) is as if it were
not there: its candidate is evaluated again.
"""

from __future__ import annotations

import hashlib
import json
import os
from array import array
from collections.abc import Iterable, Iterator
from contextlib import suppress
from fractions import Fraction
from typing import Any, BinaryIO

from chainplan import __version__
from chainplan.study.job import CandidateRow
from chainplan.study.load import LoadedStudy
from chainplan.study.measures import Value

FORMAT = "chainplan study rows 2"

MOST_IN_LINE = 1 << 24
"""Bytes of a line that are read at a time: far above any row, and no harm where a file has no lines."""

_NOWHERE = -1


class CheckpointError(Exception):
    """A file of rows that cannot be used.

    It belongs to another study, another run has it open, it changed while it was, or it is no regular file.
    """


def fingerprint(loaded: LoadedStudy) -> str:
    """Return what tells studies apart: the study, the plan with all it includes, and the version."""
    parts = (FORMAT, __version__, loaded.sources.data, loaded.plan.sources.data)
    return hashlib.sha256(repr(parts).encode("utf-8", "surrogatepass")).hexdigest()


class Checkpoint:
    """A file of rows, open for more; `lost` counts the lines that were damaged when it was opened.

    Raises OSError where the file system does.
    """

    def __init__(self, name: str, key: str, total: int) -> None:
        """Open the file of rows of so many candidates, or begin one. Raises :class:`CheckpointError`."""
        self.name = name
        self.done = 0
        self.lost = 0
        self._key = key.encode()[: hashlib.blake2b.MAX_KEY_SIZE]
        self._places = array("q", [_NOWHERE]) * (total + 1)
        """Where in the file the row of each number begins."""
        if os.path.exists(name) and not os.path.isfile(name):  # reading a device may never end
            raise CheckpointError("this is no regular file")
        self._stream: BinaryIO = open(name, "a+b")  # noqa: SIM115 - it stays open as long as the study runs
        try:
            _lock(self._stream)
            self._recover(json.dumps({"format": FORMAT, "study": key}).encode("ascii") + b"\n")
        except BaseException:
            self._stream.close()
            raise

    def missing(self) -> Iterator[int]:
        """Yield the numbers of the candidates that have no row yet, in order."""
        places = self._places
        return (number for number in range(1, len(places)) if places[number] == _NOWHERE)

    def append(self, rows: Iterable[CandidateRow]) -> None:
        """Add rows; they are on disk when this returns, as far as the system says."""
        place = self._stream.seek(0, os.SEEK_END)
        for row in rows:
            line = self._line(row)
            self._stream.write(line)
            self._take(row.number, place)
            place += len(line)
        self._stream.flush()

    def rows(self) -> Iterator[CandidateRow]:
        """Yield all rows in order of their numbers, one at a time. Raises :class:`CheckpointError`."""
        with open(self.name, "rb") as stream:
            here = 0
            for number, place in enumerate(self._places):
                if place == _NOWHERE:
                    continue
                if place != here:
                    stream.seek(place)
                line = stream.readline()
                here = place + len(line)
                row = self._row(line)
                if row is None or row.number != number:
                    raise CheckpointError(f"the row of candidate {number} has changed while the study ran")
                yield row

    def close(self, *, remove: bool) -> None:
        """Close the file; remove it where it is not needed any more."""
        with suppress(OSError):  # of a full disk, which has been told
            self._stream.close()
        if remove:
            with suppress(OSError):
                os.unlink(self.name)

    def _recover(self, head: bytes) -> None:
        """Find the rows that are whole. Their checksums know the study, so that they prove a damaged head."""
        self._stream.seek(0)
        found = line = self._stream.readline(MOST_IN_LINE)
        place = len(line)
        while line := self._stream.readline(MOST_IN_LINE):
            row = self._row(line)
            if row is not None and 0 < row.number < len(self._places):
                self._take(row.number, place)
            elif line.strip():
                self.lost += 1
            place += len(line)
        if not self.done and not head.startswith(found):
            raise CheckpointError(
                "these rows are of another study, or the study, its plan or the program has changed since"
            )
        if not self.done and place < len(head):  # new, or cut off in its first line
            self._stream.truncate(0)
            self._stream.write(head)
        else:
            self.lost += found != head
            self._stream.seek(-1, os.SEEK_END)
            if self._stream.read(1) != b"\n":  # lest the next row be taken for the end of a damaged one
                self._stream.write(b"\n")
        self._stream.flush()

    def _take(self, number: int, place: int) -> None:
        self.done += self._places[number] == _NOWHERE
        self._places[number] = place

    def _line(self, row: CandidateRow) -> bytes:
        values = [_plain(value) for value in row.values]
        fields = [row.number, row.status, values, list(row.missed), row.reason]
        text = json.dumps(fields, separators=(",", ":")).encode("ascii")
        return self._sum(text) + b" " + text + b"\n"

    def _row(self, line: bytes) -> CandidateRow | None:
        """Return the row that stands on a line, a cut-off line end apart; None where it is damaged."""
        checksum, _, text = line.removesuffix(b"\n").partition(b" ")
        if checksum != self._sum(text):
            return None
        number, status, values, missed, reason = json.loads(text)
        return CandidateRow(number, status, tuple(map(_exact, values)), tuple(missed), reason)

    def _sum(self, text: bytes) -> bytes:
        return hashlib.blake2b(text, digest_size=8, key=self._key).hexdigest().encode("ascii")


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


def _plain(value: Value) -> int | str | None:
    return f"{value.numerator}/{value.denominator}" if isinstance(value, Fraction) else value


def _exact(value: Any) -> Value:
    return Fraction(value) if isinstance(value, str) else value
