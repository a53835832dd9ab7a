"""Isolation against strings worked out by hand, and a published measurement.

A string of six modules of 67.2 V, whole or opened above module k, in states between the extremes: its taps'
potentials to chassis were found with Kirchhoff's laws and by nodal analysis, apart from the project. No
state may bring more than the budget says; a discharged link brings exactly what it says.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations

import pytest
from isolation_packs import PlannedNetwork, Stack, case, pack, segments, volts

LEAK = {"positive": "1 Mohm", "negative": "1 Mohm"}
UNEQUAL = {"positive": "2 Mohm", "negative": "500 kohm"}

# Potentials in V of all taps from HV- to HV+, those of the opened place twice: below and above the break.
LINK_AT_0_V = [
    (3, LEAK, "0 67.2 134.4 201.6 -201.6 -134.4 -67.2 0"),
    (2, LEAK, "0 67.2 134.4 -268.8 -201.6 -134.4 -67.2 0"),
]
OPENED = [
    *LINK_AT_0_V,
    # link at 403.2 V: nothing across the break; link at 200 V: -203.2 V
    (3, LEAK, "-201.6 -134.4 -67.2 0 0 67.2 134.4 201.6"),
    (3, LEAK, "-100 -32.8 34.4 101.6 -101.6 -34.4 32.8 100"),
    # no link, 10 Mohm across the break: -403.2 V * 10 / (10 + 2.5) = -322.56 V
    (3, UNEQUAL, "-16.128 51.072 118.272 185.472 -137.088 -69.888 -2.688 64.512"),
    # and a load of 100 kohm: -403.2 V * 10 Mohm / (10 Mohm + 100 kohm parallel 2 Mohm) = -399.3962 V
    (3, LEAK, "-1.9019 65.2981 132.4981 199.6981 -199.6981 -132.4981 -65.2981 1.9019"),
    # link at 0 V and an earth fault at either edge of the break
    (3, LEAK, "-201.6 -134.4 -67.2 0 -403.2 -336 -268.8 -201.6"),
    (3, LEAK, "201.6 268.8 336 403.2 0 67.2 134.4 201.6"),
]
# Whole strings: potential of HV- in V.
WHOLE = [
    ({"positive": "1 Mohm", "negative": "250 kohm"}, "-80.64"),
    (LEAK, "-201.6"),
    (LEAK, "0"),  # earth fault at HV-
    (LEAK, "-403.2"),  # at HV+
    (LEAK, "-134.4001"),  # module 2 to chassis by 1 ohm
    (LEAK, "-145.6"),  # by 100 kohm
]


def opened_above(module: int, leakage: dict[str, str], order: list[str]) -> PlannedNetwork:
    stack: Stack = [{"modules": module, "cells": 16}, {"fuse": "F"}, {"modules": 6 - module, "cells": 16}]
    return pack(stack, order=order, string={"leakage": leakage})


def boards(potentials: list[int], module: int) -> dict[str, list[int]]:
    """Return the potentials of the two taps of each board: reference and top."""
    places = [number if number < module else number + 1 for number in range(6)]
    return {f"S.{number + 1}": potentials[place : place + 2] for number, place in enumerate(places)}


def in_uv(text: str) -> list[int]:
    return [int(Fraction(word) * 10**6) for word in text.split()]


def within_the_budget(taps: dict[str, list[int]], module: int, leakage: dict[str, str]) -> None:
    for board, potentials in taps.items():
        (head,) = segments(opened_above(module, leakage, [board]))
        assert abs(potentials[0]) <= head.references.voltage
        assert max(map(abs, potentials)) <= head.conductors.voltage
    for one, other in combinations(taps, 2):
        _, between = segments(opened_above(module, leakage, [one, other]))
        assert abs(taps[one][0] - taps[other][0]) <= between.references.voltage
        worst = max(abs(here - there) for here in taps[one] for there in taps[other])
        assert worst <= between.conductors.voltage


@pytest.mark.parametrize(("module", "leakage", "potentials"), OPENED)
def test_no_opened_string_brings_more(module: int, leakage: dict[str, str], potentials: str) -> None:
    within_the_budget(boards(in_uv(potentials), module), module, leakage)


@pytest.mark.parametrize(("leakage", "minus"), WHOLE)
def test_no_whole_string_brings_more(leakage: dict[str, str], minus: str) -> None:
    taps = [in_uv(minus)[0] + number * volts("67.2 V") for number in range(7)]
    within_the_budget(boards(taps, 6), 3, leakage)


@pytest.mark.parametrize(("module", "leakage", "potentials"), LINK_AT_0_V)
def test_a_discharged_link_brings_exactly_that(module: int, leakage: dict[str, str], potentials: str) -> None:
    taps = boards(in_uv(potentials), module)
    for one, other in combinations(taps, 2):
        opened = case(opened_above(module, leakage, [one, other]), 2, " open")
        assert opened.references.total == taps[other][0] - taps[one][0]
        worst = max(abs(here - there) for here in taps[one] for there in taps[other])
        assert abs(opened.conductors.total) == worst


def test_isolation_measurement_of_un_r100() -> None:
    # UN R100 Rev. 2, measurement with the vehicle's own battery: 400 V, R+ 1 Mohm, R- 250 kohm: 80 V and 320
    # V. With Ro = 200 kohm from HV+ to chassis, beside R+: 160 V. Ri = Ro*(Vb/V' - Vb/V) is the smaller one.
    def plus(resistance: str) -> float:
        leakage = {"positive": resistance, "negative": "250 kohm"}
        network = pack(
            [{"cells": 100}], boards=[[50], [50]], cell="4 V", string={"leakage": leakage}, order=["S.1..2"]
        )
        assert case(network, 2, "intact").references.total == volts("200 V")
        return volts("400 V") + case(network, 1, "intact").references.total

    before, after = plus("1 Mohm"), plus("166.666667 kohm")
    assert before == volts("320 V")
    assert after == pytest.approx(volts("160 V"), rel=1e-8)
    assert 200e3 * (400e6 / after - 400e6 / before) == pytest.approx(250e3, rel=1e-7)
