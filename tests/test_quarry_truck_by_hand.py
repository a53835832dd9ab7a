"""The example of three strings and a master: its uplink by hand, from the numbers in the plan.

Frames are counted from the frame formats, times added up in exact fractions of a second; the computed figures
round bit times up to whole femtoseconds, so they lie a little above these.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.results import evaluate

PLAN = Path(__file__).parent.parent / "configs" / "quarry-truck.yaml"
us = Fraction(1, 10**6)
ms = Fraction(1, 1000)

STRINGS = 1 / Fraction(500_000 * 997, 1000)
DATA = 1 / Fraction(2_000_000 * 997, 1000)
VEHICLE = 1 / Fraction(250_000 * 995, 1000)


@pytest.fixture(scope="module")
def truck() -> Evaluation:
    return evaluate(load_plan(PLAN).plan)


def assert_bound(ticks: int, by_hand: Fraction) -> None:
    exact = by_hand * 10**15
    assert exact <= ticks <= exact + 10**5


def flexible(octets: int, crc: int, fixed: int) -> Fraction:
    """A base CAN FD frame: 17 + 12 bits, 3 stuff bits and 2 of bus delay at the bit rate; the rest faster."""
    faster = 1 + 4 + 8 * octets + 4 + crc + 1 + (2 * octets + 1) + fixed
    return (17 + 12 + 3 + 2) * STRINGS + faster * DATA


LIMITS = flexible(16, 17, 6)
EVERY_CELL = flexible(64, 21, 7)
EIGHT_OCTETS = 135 * VEHICLE  # Davis, Burns, Bril and Lukkien 2007: 135 bits with 8 bytes, 115 with 6
SIX_OCTETS = 115 * VEHICLE


def test_the_last_of_the_three_limits(truck: Evaluation) -> None:
    # Lag, the longest frame of lower priority, the other two strings' frames, two bus errors of 31 bits and a
    # frame each, its own frame.
    by_hand = 500 * us + EVERY_CELL + 2 * LIMITS + 2 * (31 * STRINGS + LIMITS) + LIMITS
    assert_bound(truck.sums()["uplink/strings/limits-3"]().total, by_hand)


def test_the_limits_of_the_pack(truck: Evaluation) -> None:
    # Behind a frame of lower priority, the drive's and the brakes' messages, with two errors.
    by_hand = (
        1 * ms + EIGHT_OCTETS + EIGHT_OCTETS + SIX_OCTETS + 2 * (31 * VEHICLE + EIGHT_OCTETS) + EIGHT_OCTETS
    )
    assert_bound(truck.sums()["uplink/vehicle/pack limits"]().total, by_hand)


def test_the_age_of_the_third_strings_cells_at_the_vehicle(truck: Evaluation) -> None:
    sums = truck.sums()
    limits, pack = (
        Fraction(sums[f"uplink/{name}"]().total, 10**15)
        for name in ("strings/limits-3", "vehicle/pack limits")
    )
    memory = Fraction(sums["age/reader-3/cell voltages"]().total, 10**15)
    period = 20 * ms * Fraction(1001, 1000)
    by_hand = memory + 11 * ms + period + limits + 12 * ms + period + pack
    assert_bound(sums["vehicle/pack limits/reader-3/cell voltages"]().total, by_hand)


def test_the_loads(truck: Evaluation) -> None:
    cold = flexible(48, 21, 7)
    shortest = Fraction(999, 1000)
    by_hand = 3 * (LIMITS / (20 * ms) + EVERY_CELL / (50 * ms) + cold / (200 * ms)) / shortest
    load = truck.buses["strings"].load.total
    assert by_hand * 10**12 <= load <= by_hand * 10**12 + 1000
