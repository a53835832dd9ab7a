"""How a plan names boards and ports: ``STRING.POSITION``, ``STRING.FIRST..LAST`` and ``CONTROLLER:PORT``."""

from __future__ import annotations

import re
from typing import NamedTuple

COPY_MARK = "{n}"
"""Stands for the copy's number in the texts of a chain that is written once and built several times."""

_MARK = re.compile(r"\{n(?:\+([0-9]{1,4}))?\}")

_ENTRY = re.compile(r"(?P<string>.+?)\.(?P<first>[0-9]{1,9})(?:\.\.(?P<last>[0-9]{1,9}))?(?P<way> down| up)?")


class BoardWalk(NamedTuple):
    """A walk over boards `first` to `last` of a string, entering each at its lowest node unless `down`."""

    string: str
    first: int
    last: int
    down: bool

    def positions(self) -> range:
        """Return the board positions in the order of the walk."""
        step = 1 if self.last >= self.first else -1
        return range(self.first, self.last + step, step)


def parse_walk(entry: str) -> BoardWalk | None:
    """Read one entry of a chain's order; None when it is not of the form."""
    found = _ENTRY.fullmatch(entry.strip())
    if found is None:
        return None
    first = int(found["first"])
    last = int(found["last"] or first)
    down = found["way"] == " down" if found["way"] else last < first
    return BoardWalk(found["string"], first, last, down)


def parse_port(text: str) -> tuple[str, str] | None:
    """Read ``CONTROLLER:PORT``; None when it is not of the form."""
    controller, mark, port = text.rpartition(":")
    return (controller, port) if mark and controller and port else None


def copies(name: str, count: int) -> tuple[str, ...]:
    """Return the names of `count` equal parts: the name itself, or ``name-1`` to ``name-count``."""
    return (name,) if count == 1 else tuple(f"{name}-{number + 1}" for number in range(count))


def for_copy(text: str, number: int) -> str:
    """Return a chain's text with the copy's number in place of the mark; ``{n+2}`` is two more than that."""
    return _MARK.sub(lambda mark: str(number + int(mark[1] or 0)), text)


def has_copy_mark(text: str) -> bool:
    """Tell whether a text differs from copy to copy."""
    return _MARK.search(text) is not None


def back_name(ring: str) -> str:
    """Return what a ring is called where it is read from its back port."""
    return f"{ring} from the back"
