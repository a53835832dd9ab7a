"""Ticks that say what they are ticks of, for the fields of a result that are written as data.

``worst: Time`` holds whole femtoseconds; :mod:`chainplan.quantity` says the tick of each.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from chainplan.quantity import (
    BITS,
    CAPACITY,
    COUNT,
    CURRENT,
    DATA_PER_SAMPLE,
    LENGTH,
    LEVEL,
    RATE,
    RATIO,
    TIME,
    VOLTAGE,
)

Ticks = int | Fraction

Time = Annotated[int, TIME]
Voltage = Annotated[int, VOLTAGE]
Length = Annotated[int, LENGTH]
Bits = Annotated[Ticks, BITS]
Bytes = Annotated[Ticks, DATA_PER_SAMPLE]
Ratio = Annotated[Ticks, RATIO]
Counted = Annotated[int, COUNT]
Level = Annotated[int, LEVEL]
Rate = Annotated[int, RATE]
Charge = Annotated[int, CAPACITY]
Current = Annotated[Ticks, CURRENT]
