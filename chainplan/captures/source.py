"""A capture file read piece by piece, with the place of what is looked at for messages."""

from __future__ import annotations

from collections.abc import Callable
from typing import BinaryIO

from chainplan.captures.frames import Level

PIECE = 2**18
"""Bytes that are read at a time."""

Events = tuple[list[tuple[int, int, Level]], int]
"""Levels as (channel, time, level), and up to when the capture has been read, fs."""

Progress = Callable[[int], None]
"""Told how many bytes are done."""


class CaptureError(ValueError):
    """A capture that cannot be used; the text says what is wrong, and where."""


class CaptureSource:
    """A window on a file: `buffer` holds what is not yet worked off."""

    def __init__(self, stream: BinaryIO, progress: Progress | None = None) -> None:
        self.buffer = b""
        self.ends_within: int | None = None
        """The byte at which the file ends in the middle of a line, if it does."""
        self._stream, self._progress = stream, progress
        self._dropped = self._lines = self._read = 0

    def more(self) -> bool:
        """Read on; False at the end of the file."""
        piece = self._stream.read(PIECE)
        self.buffer += piece
        self._read += len(piece)
        if self._progress:
            self._progress(self._read)
        return bool(piece)

    def drop(self, count: int) -> None:
        """Let the first bytes of the buffer go."""
        self._lines += self.buffer.count(b"\n", 0, count)
        self._dropped += count
        self.buffer = self.buffer[count:]

    def cut_off(self) -> None:
        """Note that the file ends in the middle of what is left in the buffer."""
        self.ends_within = self._dropped

    def error(self, problem: str, place: int) -> CaptureError:
        """Return an error at a place in the buffer, with its line (from 1) and byte (from 0)."""
        place += len(self.buffer[place:]) - len(self.buffer[place:].lstrip())
        line = self._lines + self.buffer.count(b"\n", 0, place) + 1
        return CaptureError(f"line {line}, byte {self._dropped + place}: {problem}")
