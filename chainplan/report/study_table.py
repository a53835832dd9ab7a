"""A study's candidates as a table for other programs: CSV (RFC 4180) or Parquet, units in the column names.

Rows are written as they come, so that memory does not grow with their number. Figures are the floats nearest
to the exact ones, the same as those of `data`.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any, BinaryIO, NamedTuple

from chainplan.csv_rows import row_writer
from chainplan.quantity import BITS, COUNT
from chainplan.report.units import Number, number, unit_of
from chainplan.study.job import CandidateRow, Job
from chainplan.study.measures import Measure, Value
from chainplan.study.parameters import Candidate

_GROUP = 10_000
"""Rows of a Parquet file written at a time."""

Result = tuple[Candidate, CandidateRow, bool]
"""A candidate, what came of it, and whether it is on the front."""


class TableColumn(NamedTuple):
    """A column: its title and the kind of its values."""

    title: str
    kind: type


def columns(job: Job) -> list[TableColumn]:
    """Return the columns, in order."""
    measured = [_measure_column(each) for each in job.measures]
    taken = {"candidate", "status", "targets missed", "reason", "Pareto front"}
    taken |= {column.title for column in measured}
    found = [TableColumn("candidate", int)]
    for parameter in job.parameters:
        title = (
            f"{parameter.name} [{parameter.unit}]"
            if parameter.unit and parameter.is_number
            else parameter.name
        )
        found.append(
            TableColumn(
                f"{title} (parameter)" if title in taken else title, float if parameter.is_number else str
            )
        )
    return [
        *found,
        TableColumn("status", str),
        *measured,
        TableColumn("targets missed", str),
        TableColumn("reason", str),
        TableColumn("Pareto front", str),
    ]


def _measure_column(measure: Measure) -> TableColumn:
    unit = unit_of(measure.dimension)
    kind = int if measure.dimension.name in (BITS.name, COUNT.name) else float
    return TableColumn(measure.name if unit == "count" else f"{measure.name} [{unit}]", kind)


def cells(job: Job, result: Result) -> list[Any]:
    """Return a row's cells, None where there is nothing."""
    candidate, row, on_front = result
    found: list[Any] = [row.number]
    for parameter, pick in zip(job.parameters, candidate, strict=True):
        choice = parameter.choice(pick)
        found.append(choice.number if parameter.is_number else choice.label)
    found.append(row.status)
    values: Iterable[Value] = row.values or (None for _ in job.measures)
    found += [value_of(measure, value) for measure, value in zip(job.measures, values, strict=True)]
    return [*found, "; ".join(row.missed), row.reason, "yes" if on_front else "no"]


def value_of(measure: Measure, value: Value) -> Number:
    """Return a figure in the unit of its column."""
    return number(value, measure.dimension)


def write_csv(job: Job, results: Iterable[Result], stream: BinaryIO) -> None:
    """Write a table as CSV in UTF-8 (:mod:`chainplan.csv_rows`)."""
    text = io.TextIOWrapper(stream, encoding="utf-8", errors="replace", newline="", write_through=True)
    write = row_writer(text)
    write(column.title for column in columns(job))
    for result in results:
        write(map(_csv_cell, cells(job, result)))
    text.flush()
    text.detach()


def _csv_cell(cell: Any) -> Any:
    # A whole number of a unit reads better without `.0`; both are the same float.
    return int(cell) if isinstance(cell, float) and cell.is_integer() and abs(cell) < 2**53 else cell


def write_parquet(job: Job, results: Iterable[Result], stream: BinaryIO) -> None:
    """Write a table as Parquet. Raises ImportError without pyarrow."""
    import pyarrow as pa
    from pyarrow import parquet

    kinds = {int: pa.int64(), float: pa.float64(), str: pa.string()}
    schema = pa.schema([(column.title, kinds[column.kind]) for column in columns(job)])
    rows = (cells(job, result) for result in results)
    with parquet.ParquetWriter(stream, schema) as writer:
        for group in _groups(rows):
            arrays = [
                pa.array(column, type=field.type)
                for column, field in zip(zip(*group, strict=True), schema, strict=True)
            ]
            writer.write_batch(pa.record_batch(arrays, schema=schema))


def _groups(rows: Iterator[list[Any]]) -> Iterator[list[list[Any]]]:
    while group := list(islice(rows, _GROUP)):
        yield group
