"""Quantities written for a plan file are read back to the last tick."""

from __future__ import annotations

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from chainplan.plan.quantity_text import parse_quantity
from chainplan.plan.spelling import spelled
from chainplan.quantity import BIT_RATE, LENGTH, TIME, VOLTAGE, Dimension, Span

TICKS = st.integers(0, 10**24)


@given(st.tuples(TICKS, TICKS, TICKS), st.sampled_from([TIME, LENGTH, VOLTAGE, BIT_RATE]))
def test_any_quantity_is_read_back(ends: tuple[int, int, int], dimension: Dimension) -> None:
    span = Span(*sorted(ends))
    assert parse_quantity(yaml.safe_load(spelled(span, dimension)), dimension) == span


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("2 ms", TIME), ("2.3456 Mbit/s ± 1 %", BIT_RATE), ("350 mm", LENGTH), ("0 s", TIME),
        ("100 ms ± 0.1 %", TIME), ("1.25 V", VOLTAGE), ("1 us ± 12.5 %", TIME), ("20 km", LENGTH),
    ],
)  # fmt: skip
def test_plain_ones_are_written_plainly(text: str, dimension: Dimension) -> None:
    written = spelled(parse_quantity(text, dimension), dimension)
    assert written == text.replace("0 s", "0 ps")


def test_uneven_tolerances_are_written_out() -> None:
    span = parse_quantity({"min": "1.8 ms", "typical": "2 ms", "max": "2.3 ms"}, TIME)
    assert spelled(span, TIME) == "{min: 1.8 ms, typical: 2 ms, max: 2.3 ms}"
