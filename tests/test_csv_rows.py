"""Rows of names and figures: RFC 4180 to the reader, and no formula to a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chainplan.csv_rows import row_writer

FORMULAS = ["=1+1", "+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "＝1", "  =1", "'=1", "'"]
"""Beginnings that OWASP, "CSV Injection" (from memory), warns of, and what is put before them."""


def written(*rows: Sequence[object]) -> str:
    stream = io.StringIO(newline="")
    write = row_writer(stream)
    for row in rows:
        write(row)
    return stream.getvalue()


def read(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("name", FORMULAS)
def test_a_name_is_no_formula(name: str) -> None:
    ((cell, other),) = read(written([name, "pack 1"]))
    assert cell == f"'{name}"
    assert other == "pack 1"


def test_numbers_stay_numbers() -> None:
    assert written([-1, -0.5, 3, None, True]) == "-1,-0.5,3,,True\r\n"


@given(st.lists(st.lists(st.text(st.characters(exclude_categories=["Cs"])), min_size=2), max_size=4))
def test_nothing_is_lost(rows: list[list[str]]) -> None:
    found = [[cell.removeprefix("'") for cell in row] for row in read(written(*rows))]
    assert found == rows
