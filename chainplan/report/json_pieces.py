"""Large documents as JSON, piece by piece: a record of a list stands on a line of its own.

So a document of any length is written without its whole text in memory, reads well from the top, and differs
line by line from that of another plan.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

_LAID_OUT = 2
"""Objects within objects whose entries stand on lines of their own."""


def json_pieces(entries: Iterable[tuple[str, Any]]) -> Iterator[str]:
    """Yield an object of these entries as strict JSON, a piece at a time: ASCII, no NaN, a line break last.

    An entry is not asked for before the one ahead of it has been written. Raises ``ValueError`` for a number
    that JSON has no form for.
    """
    yield from _object(entries, 0)
    yield "\n"


def _object(entries: Iterable[tuple[str, Any]], depth: int) -> Iterator[str]:
    before, indent = "{\n", "  " * (depth + 1)
    for key, value in entries:
        yield f"{before}{indent}{_on_one_line(key)}: "
        yield from _value(value, depth + 1)
        before = ",\n"
    yield "{}" if before == "{\n" else "\n" + "  " * depth + "}"


def _value(value: Any, depth: int) -> Iterator[str]:
    if isinstance(value, dict) and value and depth < _LAID_OUT:
        yield from _object(value.items(), depth)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        before, indent = "[\n", "  " * (depth + 1)
        for record in value:
            yield f"{before}{indent}{_on_one_line(record)}"
            before = ",\n"
        yield "\n" + "  " * depth + "]"
    else:
        yield _on_one_line(value)


def _on_one_line(value: Any) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=True)
