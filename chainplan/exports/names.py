"""Names for other programs, made from the names of a plan: ASCII letters, digits and single underscores.

A plan's names may hold spaces, signs and any script. C identifiers (C11, 6.4.2.1) and the identifiers of a
waveform file (IEEE 1364-2005, 3.7) take letters, digits and underscores. C11, 7.1.3 keeps names with a
leading underscore for itself, C++ those with two in a row, so neither is made here.
"""

from __future__ import annotations

import re
from unicodedata import combining, normalize

MOST_LETTERS = 63
"""Letters of a name that every C compiler tells apart (C11, 5.2.4.1)."""


def identifier(text: str) -> str:
    """Return a text as letters, digits and single underscores; it may begin with a digit, and is never empty.

    Accents are dropped, other letters outside ASCII are written as ``u`` and their number in Unicode.
    """
    written = "".join(map(_written, normalize("NFKD", text)))
    return re.sub("_+", "_", written).strip("_") or "x"


def _written(char: str) -> str:
    if char.isascii():
        return char if char.isalnum() else "_"
    return "" if combining(char) else f"_u{ord(char):x}_"


class Names:
    """The names given out in one scope: no two alike, in capitals or not, none longer than `longest`."""

    def __init__(self, longest: int = MOST_LETTERS) -> None:
        self._longest = longest
        self._taken: set[str] = set()

    def unique(self, wanted: str) -> str:
        """Return the wanted name, cut to length, with a number behind it where it is taken."""
        name, number = wanted[: self._longest].rstrip("_"), 1
        while name.casefold() in self._taken:
            number += 1
            ending = f"_{number}"
            name = wanted[: self._longest - len(ending)].rstrip("_") + ending
        self._taken.add(name.casefold())
        return name


def comment(text: str) -> str:
    """Return a text fit for a comment of C or of a waveform file: printable ASCII that ends nothing.

    Neither ``*/`` nor ``/*`` nor a trigraph (C11, 5.2.1.1) nor the ``$end`` of IEEE 1364-2005, 18.2 is left.
    """
    plain = "".join(char if char.isprintable() else " " for char in text)
    plain = plain.encode("ascii", "backslashreplace").decode("ascii")
    for ends, apart in (("*/", "* /"), ("/*", "/ *"), ("??", "? ?"), ("$end", "$ end")):
        while ends in plain:
            plain = plain.replace(ends, apart)
    return plain
