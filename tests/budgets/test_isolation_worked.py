"""Isolation against strings worked out by hand, and a published measurement.

A string of six modules of 67.2 V, whole or opened above module k, in states between the extremes: its taps'
potentials to chassis were found with Kirchhoff's laws and by nodal analysis, apart from the project. No
state may bring more than the budget says; a discharged link brings exactly what it says. Packs of several
strings below were worked out by hand in the same way.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import accumulate, combinations, product
from random import Random

import pytest
from isolation_packs import PlannedNetwork, Stack, laid_out, pack, segments, stress, volts

from chainplan.chain.hanging import Rules
from chainplan.chain.network import Break, CellString
from chainplan.chain.potentials import Potentials, Taps
from chainplan.plan.layout import InsulationRules
from chainplan.quantity import Span

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
    return pack(stack, order=order, string={"insulation_resistance": leakage})


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
        network = opened_above(module, leakage, [one, other])
        crossed = int(one[2:]) <= module < int(other[2:])
        opened = stress(network, 2, "break" if crossed else "intact")
        # The break may also be open while the link has the string's own voltage: then as in the whole string.
        apart = int(other[2:]) - int(one[2:])
        reversed_, whole = taps[other][0] - taps[one][0], apart * volts("67.2 V")
        assert opened.references.voltage == max(abs(reversed_), whole)
        if abs(reversed_) > whole:
            assert laid_out(network, 2, opened.references).total == reversed_
        worst = max(abs(here - there) for here in taps[one] for there in taps[other])
        assert opened.conductors.voltage == max(worst, (apart + 1) * volts("67.2 V"))


def test_isolation_measurement_of_un_r100() -> None:
    # UN R100 Rev. 2, measurement with the vehicle's own battery: 400 V, R+ 1 Mohm, R- 250 kohm: 80 V and 320
    # V. With Ro = 200 kohm from HV+ to chassis, beside R+: 160 V. Ri = Ro*(Vb/V' - Vb/V) is the smaller one.
    def plus(resistance: str) -> float:
        leakage = {"positive": resistance, "negative": "250 kohm"}
        network = pack(
            [{"cells": 100}],
            boards=[[50], [50]],
            cell="4 V",
            string={"insulation_resistance": leakage},
            order=["S.1..2"],
        )
        assert stress(network, 2, "intact").references.voltage == volts("200 V")
        return volts("400 V") - stress(network, 1, "intact").references.voltage

    before, after = plus("1 Mohm"), plus("166.666667 kohm")
    assert before == volts("320 V")
    assert after == pytest.approx(volts("160 V"), rel=1e-8)
    assert 200e3 * (400e6 / after - 400e6 / before) == pytest.approx(250e3, rel=1e-7)


# Strings in parallel, by hand with Kirchhoff's laws: S the string voltage, h a tap's height, y a break's.


def parallel(count: int, modules: list[int], breaks: list[int], **rules: object) -> Potentials:
    """Return strings alike but for the place of their break, of modules of so many V; leakage alike at
    poles.
    """
    taps = tuple(accumulate((module * 10**6 for module in modules), initial=0))
    leakage = Span.exact(2), Span.exact(2)
    strings = {
        f"S{number}": CellString(
            f"S{number}", taps, taps, tuple(Break("B", "fuse", below, 0) for below in at), (), leakage
        )
        for number, at in enumerate([[below] for below in breaks] or [[]] * count)
    }
    return Potentials(strings, Rules(InsulationRules.model_validate(rules)))


def highest(potentials: Potentials, one: tuple[int, int], other: tuple[int, int] | None = None) -> float:
    """Return the largest voltage of a tap (string, number) to chassis or another one, V."""

    def end(place: tuple[int, int]) -> tuple[str, Taps]:
        name = f"S{place[0]}"
        return name, Taps(place[1], place[1], *[potentials.strings[name].taps[place[1]]] * 2)

    found = potentials.voltages(end(one), None if other is None else end(other))
    return max(each.voltage for each in found) / 10**6


STUCK = {"stuck contactor": "not looked at"}
TWO_FAULTS = {"earth fault + earth fault": "not looked at"}


def test_two_strings_each_pole_by_itself() -> None:
    # Two strings of 2 x 50 V, link discharged, one on HV+ alone, the other on HV- alone with a fault at its
    # top: 2 S - h. Between the strings no fault is needed: top of one to bottom of the other 2 S.
    pair = parallel(2, [50, 50], [1, 1])
    assert [highest(pair, (0, tap)) for tap in range(3)] == [200, 150, 200]
    assert highest(pair, (0, 2), (1, 0)) == 200
    # All others alike: the other string open at y, its edge faulted: S - h + y and h + S - y.
    alike = parallel(2, [50, 50], [1, 1], leave_out=STUCK)
    assert [highest(alike, (0, tap)) for tap in range(3)] == [150, 150, 150]


def test_uneven_strings() -> None:
    # 40 + 60 + 20 V, breaks above 100 V and above 40 V; by max(h + S, 2 S - h).
    pair = parallel(2, [40, 60, 20], [2, 1])
    assert [highest(pair, (0, tap)) for tap in (0, 2, 3)] == [240, 220, 240]
    assert highest(pair, (1, 1)) == 200


def test_an_external_source() -> None:
    # Source up to 230 V: V to chassis at the bottom of a string that hangs by HV-, the fault at L+; V - h
    # above it. With S0 so, S1 open and placed by its leakage at -S / 2: V + S / 2 between top and bottom.
    source = {"external": {"voltage": "230 V"}}
    pair = parallel(2, [50, 50], [1, 1], conditions_together=1, **source)
    assert [highest(pair, (0, tap)) for tap in (0, 1)] == [230, 180]
    assert highest(pair, (0, 2), (1, 0)) == 280
    # One string without a place that opens: the fault at the link's own pole is what brings it.
    assert highest(parallel(1, [50, 50], [], **source), (0, 0)) == 230


def test_three_strings_one_by_leakage() -> None:
    # Three of 2 x 30 V: two hang by different poles, the fault at the far end of one: 2 S; the third floats
    # by equal leakages, its bottom at -S / 2: 150 V in all. A source of 90 V brings no more.
    three = parallel(3, [30, 30], [1, 1, 1], external={"voltage": "90 V"}, leave_out=TWO_FAULTS)
    assert [highest(three, (0, tap)) for tap in range(3)] == [120, 90, 120]
    assert highest(three, (0, 2), (1, 0)) == 150


@pytest.mark.parametrize("seed", range(8))
def test_closed_forms_of_strings_alike(seed: int) -> None:
    random = Random(seed)
    modules = [random.randint(1, 9) * 10 for _ in range(random.randint(2, 3))]
    whole = sum(modules)
    top = whole + random.choice((0, 10, 3 * whole, whole))
    count = random.choice((2, 2, 2, 3))
    breaks = [random.randint(1, len(modules) - 1) for _ in range(count)]
    heights = [sum(modules[:tap]) for tap in range(len(modules) + 1)]
    apart = parallel(count, modules, breaks, external={"voltage": f"{top} V"}, leave_out=TWO_FAULTS)
    alike = parallel(count, modules, breaks, leave_out=STUCK)
    for string, tap in product(range(count), range(len(modules) + 1)):
        h = heights[tap]
        # every pole by itself: max(h + S, 2 S - h, V - h, V - S + h)
        assert highest(apart, (string, tap)) == max(h + whole, 2 * whole - h, top - h, top - whole + h)
        # all others alike: h + S - y and S - h + y over the others' breaks; by its own, h + S below it and
        # 2 S - h above it (the tap at the break is its upper edge here).
        others = [heights[at] for number, at in enumerate(breaks) if number != string]
        own = h + whole if tap < breaks[string] else 2 * whole - h
        assert highest(alike, (string, tap)) == max(
            own, *(h + whole - y for y in others), *(whole - h + y for y in others)
        )
