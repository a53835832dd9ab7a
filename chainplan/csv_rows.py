"""Rows as comma-separated values (RFC 4180) in which a spreadsheet finds no formula.

A spreadsheet works out a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or an end of line, whoever
wrote it: a name in a plan could fetch or run something (OWASP, "CSV Injection", quoted from memory). An
apostrophe in front makes a text of it; texts that begin with an apostrophe get one more, so that a reader who
takes one away has every text as it was. Numbers are left alone.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from typing import TextIO

_BEGINNINGS = tuple("=+-@\t\r\n'＝＋－＠")


def row_writer(stream: TextIO) -> Callable[[Iterable[object]], object]:
    """Return what writes a row to a stream, which must not change ends of lines; None is an empty cell."""
    writer = csv.writer(stream, lineterminator="\r\n")
    return lambda cells: writer.writerow(map(_harmless, cells))


def _harmless(cell: object) -> object:
    is_formula = isinstance(cell, str) and cell.lstrip(" ").startswith(_BEGINNINGS)
    return f"'{cell}" if is_formula else cell
