"""Lists of a plan that stand in CSV files beside it: the hops of a chain, and the boards of a string."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any, NamedTuple

from chainplan.plan.problems import KeyPath, PlanError, Problem, Text, dotted, nearest, whole_file
from chainplan.plan.source import Source, read_text
from chainplan.plan.yaml_nodes import YamlNode
from chainplan.plan.yaml_scalars import UnreadableError, resolved

MOST_ROWS = 10_000
"""Rows of one file, far above the boards of any pack."""

MOST_PROBLEMS = 50
"""Problems of one file that are told."""


class TableForm(NamedTuple):
    """What a CSV file may hold: its columns, of which `needed` must be there; plain values or mappings."""

    columns: tuple[str, ...]
    needed: str
    is_plain: bool = False


TABLES = {
    ("chains", "hops"): TableForm(("length",), "length", is_plain=True),
    ("strings", "boards"): TableForm(("type", "count", "first_cell"), "type"),
}
"""By section and key of its entries."""


def read_table(path: Path, table: TableForm) -> Source:
    """Read a CSV file (RFC 4180; also with ``;`` or tabs between the values) into a list.

    Other columns, such as names and notes, are left alone. Of a file without the needed column no line is
    shown: who wrote its name into a plan need not be who may read it. Raises
    :class:`~chainplan.plan.problems.PlanError` with every problem found, each with its line.
    """
    text = Text(str(path), read_text(path).removeprefix("\ufeff"))
    sign = max(",;\t", key=text.lines[0].count)
    header = [name.strip().lower().replace(" ", "_") for name in _cells(text.lines[0], sign)]
    if table.needed not in header:
        near = nearest(table.needed, [name for name in header if name.isidentifier()])
        expected = f"a first line with the columns {', '.join(table.columns)}"
        message = f"this is no CSV file with a column `{table.needed}`; what it holds is not shown"
        raise PlanError([Problem(message, whole_file(text.file), expected=expected, nearest=near)])
    problems: list[Problem] = []
    children: dict[str | int, tuple[YamlNode | None, YamlNode]] = {}
    for number, line in enumerate(text.lines[1:], start=1):
        if not line.strip():
            continue
        end = (number, len(line))
        cells = dict(zip(header, _cells(line, sign), strict=False))
        row: dict[str, Any] = {}
        try:
            row = {key: resolved(cells[key].strip()) for key in table.columns if cells.get(key, "").strip()}
            if table.needed not in row:
                raise UnreadableError(
                    f"no `{table.needed}` stands here", f"a value in the column {table.needed}"
                )
            if len(children) >= MOST_ROWS:
                raise UnreadableError("the file has too many rows", f"at most {MOST_ROWS}")
        except UnreadableError as error:
            problems.append(Problem(error.args[0], text.place((number, 0), end), expected=error.args[1]))
            if len(problems) >= MOST_PROBLEMS or len(children) >= MOST_ROWS:
                break
            continue
        inner: dict[str | int, tuple[YamlNode | None, YamlNode]] = {
            key: (None, YamlNode(value, (number, 0), end)) for key, value in row.items()
        }
        value = row[table.needed] if table.is_plain else row
        children[len(children)] = (None, YamlNode(value, (number, 0), end, None if table.is_plain else inner))
    if problems:
        raise PlanError(problems)
    root = YamlNode([node.value for _, node in children.values()], (0, 0), (0, len(text.lines[0])), children)
    return Source(text.file, root.value, text, root)


def _cells(line: str, sign: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=sign), [])
    except csv.Error:  # a value longer than any of a plan
        return []


def tables_in(data: dict[str | int, Any]) -> list[tuple[KeyPath, str, TableForm]]:
    """Return the places of a plan's data where the name of a CSV file stands, with the name."""
    found: list[tuple[KeyPath, str, TableForm]] = []
    for (section, key), table in TABLES.items():
        entries = data.get(section)
        for name, entry in entries.items() if isinstance(entries, dict) else ():
            file = entry.get(key) if isinstance(entry, dict) else None
            if isinstance(file, str) and file.strip():
                found.append(((section, name, key), file, table))
    return found


def unusable(path: KeyPath, file: str, source: Source) -> Problem:
    """Return what the plan is told where a CSV file that it names cannot be used."""
    message = "this CSV file cannot be used: see what is wrong with it there"
    return Problem(message, source.place(path), dotted(path), file, "a list, or a CSV file beside the plan")
