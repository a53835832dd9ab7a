"""Potentials of whole and opened strings against an independent network solver and hand-worked networks.

The solver of this file is modified nodal analysis (Ho, Ruehli, Brennan 1975): one equation of Kirchhoff's
current law for each node, one more for each voltage source, solved exactly by Gaussian elimination. It shares
no formula with the module. The worked voltages were found with Kirchhoff's laws and such a solver.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from chainplan.chain.opened_string import Leak, StringState, closed_string, opened_string

UV = 10**6  # uV in a volt
OHM, KOHM, MOHM = 10**3, 10**6, 10**9  # mohm
SIX = [67_200_000] * 6
CHASSIS = "chassis"


# --- the independent solver -------------------------------------------------------------------------------


class Singular(Exception):  # noqa: N818
    """The network has no unique solution."""


def gauss(rows: list[list[Fraction]]) -> list[Fraction]:
    """Solve an augmented square system exactly."""
    size = len(rows)
    for column in range(size):
        pivot = next((row for row in range(column, size) if rows[row][column] != 0), None)
        if pivot is None:
            raise Singular
        rows[column], rows[pivot] = rows[pivot], rows[column]
        head = rows[column][column]
        rows[column] = [value / head if value else value for value in rows[column]]
        for row in range(size):
            factor = rows[row][column]
            if row != column and factor != 0:
                rows[row] = [a - factor * b if b else a for a, b in zip(rows[row], rows[column], strict=True)]
    return [row[-1] for row in rows]


class Network:
    """Resistors and voltage sources between named nodes; chassis is 0 V."""

    def __init__(self, nodes: Sequence[Any]) -> None:
        self.nodes = sorted(nodes)
        self.resistors: list[tuple[Any, Any, Fraction]] = []
        self.sources: list[tuple[Any, Any, Fraction]] = []

    def connect(self, one: Any, other: Any, resistance: Any) -> None:
        """Add a resistor; one of 0 ohm is a source of 0 V."""
        if resistance == 0:
            self.sources.append((one, other, Fraction(0)))
        elif resistance is not None:
            self.resistors.append((one, other, Fraction(resistance)))

    def solve(self) -> dict[Any, Fraction]:
        place = {node: index for index, node in enumerate(self.nodes)}
        size = len(self.nodes) + len(self.sources)
        rows = [[Fraction(0)] * (size + 1) for _ in range(size)]
        for one, other, resistance in self.resistors:
            for here, there in ((one, other), (other, one)):
                if here != CHASSIS:
                    rows[place[here]][place[here]] += 1 / resistance
                    if there != CHASSIS:
                        rows[place[here]][place[there]] -= 1 / resistance
        for number, (plus, minus, voltage) in enumerate(self.sources, start=len(self.nodes)):
            for node, sign in ((plus, 1), (minus, -1)):
                if node != CHASSIS:
                    rows[place[node]][number] += sign
                    rows[number][place[node]] += sign
            rows[number][-1] = voltage
        return dict(zip(self.nodes, gauss(rows), strict=False))  # the sources' currents come after


def string_network(modules: Sequence[Any], break_above: int | None, arguments: dict[str, Any]) -> Network:
    """Build the network; nodes are (tap, above the break)."""

    def is_upper(tap: int, edge: bool) -> bool:
        return break_above is not None and (edge if tap == break_above else tap > break_above)

    count = len(modules)
    nodes = {(tap, is_upper(tap, edge)) for tap in range(count + 1) for edge in (False, True)}
    network = Network(list(nodes))
    for tap, voltage in enumerate(modules):
        network.sources.append(
            ((tap + 1, is_upper(tap + 1, False)), (tap, is_upper(tap, True)), Fraction(voltage))
        )
    minus, plus = (0, False), (count, is_upper(count, True))
    network.connect(minus, CHASSIS, arguments.get("leak_minus"))
    network.connect(plus, CHASSIS, arguments.get("leak_plus"))
    for leak in arguments.get("earth_faults", ()):
        network.connect((leak.tap, is_upper(leak.tap, leak.above_break)), CHASSIS, leak.resistance)
    if break_above is not None:
        network.connect((break_above, True), (break_above, False), arguments.get("across_break"))
    network.connect(plus, minus, arguments.get("load"))
    if arguments.get("link_voltage") is not None:
        network.sources.append((plus, minus, Fraction(arguments["link_voltage"])))
    return network


def solved(modules: Sequence[Any], break_above: int | None, arguments: dict[str, Any]) -> list[Fraction]:
    """Return the potentials of all taps from HV- to HV+ by nodal analysis."""
    solution = string_network(modules, break_above, arguments).solve()
    return [solution[node] for node in sorted(solution)]


# --- worked networks --------------------------------------------------------------------------------------


def in_uv(text: str) -> list[Fraction]:
    return [Fraction(word) * UV for word in text.split()]


LEAKS: dict[str, Any] = {"leak_plus": MOHM, "leak_minus": MOHM}


@pytest.mark.parametrize(
    ("break_above", "arguments", "across", "potentials"),
    [
        # six modules of 67.2 V; Kirchhoff's laws, worked by hand and by nodal analysis
        (3, {"link_voltage": 0, **LEAKS}, "-403.2", "0 67.2 134.4 201.6 -201.6 -134.4 -67.2 0"),
        (2, {"link_voltage": 0, **LEAKS}, "-403.2", "0 67.2 134.4 -268.8 -201.6 -134.4 -67.2 0"),
        (3, {"link_voltage": 403_200_000, **LEAKS}, "0", "-201.6 -134.4 -67.2 0 0 67.2 134.4 201.6"),
        (3, {"link_voltage": 200 * UV, **LEAKS}, "-203.2", "-100 -32.8 34.4 101.6 -101.6 -34.4 32.8 100"),
        (
            3,
            {"leak_plus": 2 * MOHM, "leak_minus": 500 * KOHM, "across_break": 10 * MOHM},
            "-322.56",
            "-16.128 51.072 118.272 185.472 -137.088 -69.888 -2.688 64.512",
        ),
    ],
)
def test_opened_strings_worked_by_hand(
    break_above: int, arguments: dict[str, Any], across: str, potentials: str
) -> None:
    state = opened_string(SIX, break_above, **arguments)
    assert state.break_voltage == Fraction(across) * UV
    assert list(state.potentials) == in_uv(potentials)
    assert state.assumptions == ()
    assert list(state.potentials) == solved(SIX, break_above, arguments)


def test_opened_string_under_load() -> None:
    # Kirchhoff: 403.2 V * 10 Mohm / (10 Mohm + 100 kohm parallel 2 Mohm) = 399.3962 V
    state = opened_string(SIX, 3, across_break=10 * MOHM, load=100 * KOHM, **LEAKS)
    assert round(float(state.break_voltage / UV), 4) == -399.3962


@pytest.mark.parametrize(
    ("arguments", "lowest", "highest"),
    [
        # six modules of 67.2 V, whole; Kirchhoff's laws
        ({"leak_plus": MOHM, "leak_minus": 250 * KOHM}, "-80.64", "322.56"),
        (LEAKS, "-201.6", "201.6"),
        ({"earth_faults": [Leak(0, 0)]}, "0", "403.2"),
        ({"earth_faults": [Leak(6, 0)]}, "-403.2", "0"),
        ({"leak_plus": 0}, "-403.2", "0"),
        ({**LEAKS, "earth_faults": [Leak(2, 1 * OHM)]}, "-134.4001", "268.7999"),
        ({**LEAKS, "earth_faults": [Leak(2, 100 * KOHM)]}, "-145.6", "257.6"),
    ],
)
def test_whole_strings_worked_by_hand(arguments: dict[str, Any], lowest: str, highest: str) -> None:
    state = closed_string(SIX, **arguments)
    ends = [round(state.potentials[0] / UV, 4), round(state.potentials[-1] / UV, 4)]
    assert ends == [Fraction(lowest), Fraction(highest)]
    assert [tap.tap for tap in state.taps] == list(range(7))
    assert state.break_voltage == 0
    assert list(state.potentials) == solved(SIX, None, arguments)


def test_isolation_measurement_example() -> None:
    # UN R100 Rev. 2: 400 V, R+ 1 Mohm, R- 250 kohm: 80 V and 320 V; with 200 kohm from HV+ to chassis 160 V
    before = closed_string([400 * UV], leak_plus=MOHM, leak_minus=250 * KOHM)
    assert list(before.potentials) == in_uv("-80 320")
    inserted = Leak(1, 200 * KOHM)
    after = closed_string([400 * UV], leak_plus=MOHM, leak_minus=250 * KOHM, earth_faults=[inserted])
    assert after.potentials[1] == 160 * UV


def test_boards_beside_the_break() -> None:
    # Kirchhoff: with the link at 0 V the references of the two boards differ by 67.2 - 403.2 = -336.0 V, the
    # worst pair of their conductors by 403.2 V
    state = opened_string(SIX, 3, link_voltage=0, **LEAKS)
    below, above = state.taps[2:4], state.taps[4:6]
    assert above[0].potential - below[0].potential == -336 * UV
    assert state.worst_between(below[:1], above[:1]) == 336 * UV
    assert state.worst_between(below, above) == 403_200_000
    assert state.worst_between(below, below) == 67_200_000


@pytest.mark.parametrize(("above", "sign"), [(False, -1), (True, 1)])
def test_earth_fault_at_the_edge_brings_the_whole_string_voltage(above: bool, sign: int) -> None:
    state = opened_string(SIX, 3, link_voltage=0, earth_faults=[Leak(3, 0, above)], **LEAKS)
    assert state.taps[3 if above else 4].potential == sign * 403_200_000
    assert state.worst_to_chassis() == 403_200_000


# --- undetermined -----------------------------------------------------------------------------------------


def test_nothing_connected_assumes_the_whole_string_voltage() -> None:
    state = opened_string(SIX, 2)
    assert state.break_voltage == -403_200_000
    assert [state.break_lowest, state.break_highest] == in_uv("-403.2 0")
    assert not state.break_determined
    assert not state.chassis_determined
    assert [words.split(":")[0] for words in state.assumptions] == [
        "nothing determines the voltage across the break",
        "nothing determines the chassis potential",
    ]
    # lower edge: the upper edge 403.2 V under it at chassis's height, up to a whole string with HV+ earthed
    edge = state.taps[2]
    assert [edge.lowest, edge.highest] == in_uv("-268.8 403.2")
    assert state.worst_between(state.taps[:3], state.taps[3:]) == 403_200_000


def test_one_leaking_part_fixes_only_that_part() -> None:
    state = opened_string(SIX, 3, leak_minus=MOHM)
    assert not state.break_determined
    assert state.chassis_determined
    assert len(state.assumptions) == 1
    lower, upper = state.taps[:4], state.taps[4:]
    assert [tap.potential for tap in lower] == in_uv("0 67.2 134.4 201.6")
    assert all(tap.lowest == tap.potential == tap.highest for tap in lower)
    assert [(tap.lowest, tap.highest) for tap in upper] == [
        (tap.from_minus - 403_200_000, tap.from_minus) for tap in upper
    ]


def test_link_without_leakage_leaves_only_chassis_open() -> None:
    state = opened_string(SIX, 3, link_voltage=0)
    assert state.break_determined
    assert not state.chassis_determined
    assert list(state.potentials) == in_uv("0 67.2 134.4 201.6 -201.6 -134.4 -67.2 0")
    assert [state.taps[3].lowest, state.taps[3].highest] == in_uv("0 403.2")
    assert [state.taps[0].lowest, state.taps[0].highest] == in_uv("-201.6 201.6")


# --- random networks against the solver -------------------------------------------------------------------

# Exact elimination is slow and machines are busy: fewer examples than usual, without a deadline.
few = settings(max_examples=50, deadline=None)

resistances = st.integers(1, 10**6) | st.sampled_from([1, 10**3, 10**9, 10**12])
module_voltages = st.lists(
    st.sampled_from([0, 1, 67_200_000]) | st.integers(0, 10**8), min_size=1, max_size=4
)


@st.composite
def networks(draw: Any, *, solid: bool = True) -> tuple[list[int], int, dict[str, Any]]:
    modules = draw(module_voltages)
    break_above = draw(st.integers(0, len(modules)))
    present = resistances | st.just(0) if solid else resistances
    maybe = st.none() | present
    leaks = st.builds(Leak, st.integers(0, len(modules)), present, st.booleans())
    arguments = {
        "leak_plus": draw(maybe),
        "leak_minus": draw(maybe),
        "across_break": draw(maybe),
        "load": draw(maybe),
        "link_voltage": draw(st.none() | st.just(0) | st.just(sum(modules)) | st.integers(0, 10**9)),
        "earth_faults": draw(st.lists(leaks, max_size=2)),
    }
    return modules, break_above, arguments


@few
@given(networks())
def test_opened_string_equals_nodal_analysis(network: Any) -> None:
    modules, break_above, arguments = network
    try:
        expected = solved(modules, break_above, arguments)
    except Singular:
        # Undetermined, or 0 ohm paths in a loop: a short circuit, or two wires that share a current.
        try:
            state = opened_string(modules, break_above, **arguments)
        except ValueError:
            return
        paths = [arguments[name] for name in ("across_break", "load", "leak_plus", "leak_minus")]
        paths += [leak.resistance for leak in arguments["earth_faults"]]
        assert 0 in paths or state.assumptions
        return
    state = opened_string(modules, break_above, **arguments)
    assert list(state.potentials) == expected
    assert state.break_voltage == expected[break_above + 1] - expected[break_above]
    assert state.break_determined
    assert state.chassis_determined
    assert all(tap.lowest == tap.potential == tap.highest for tap in state.taps)
    assert state.worst_to_chassis() == max(map(abs, expected))


@few
@given(networks(solid=False))
def test_undetermined_exactly_where_nodal_analysis_is_singular(network: Any) -> None:
    modules, break_above, arguments = network
    state = opened_string(modules, break_above, **arguments)
    try:
        solved(modules, break_above, arguments)
    except Singular:
        assert state.assumptions
    else:
        assert not state.assumptions


@few
@given(networks())
def test_whole_string_equals_nodal_analysis(network: Any) -> None:
    modules, _, arguments = network
    kept = {name: arguments[name] for name in ("leak_plus", "leak_minus", "earth_faults")}
    try:
        expected = solved(modules, None, kept)
    except Singular:
        assume(False)
    assert list(closed_string(modules, **kept).potentials) == expected


def hold(state: StringState, modules: Sequence[int], break_above: int, arguments: dict[str, Any]) -> None:
    """Check that the state's ranges enclose the solution of a network."""
    found = solved(modules, break_above, arguments)
    assert state.break_lowest <= found[break_above + 1] - found[break_above] <= state.break_highest
    for tap, potential in zip(state.taps, found, strict=True):
        assert tap.lowest <= potential <= tap.highest
    differences = [abs(one - other) for one in found for other in found]
    assert max(differences) <= state.worst_between(state.taps, state.taps)


@few
@given(networks(solid=False), st.sampled_from([None, 0, 5 * 10**7, 10**9]))
def test_ranges_hold_for_any_leakage_left_out(network: Any, link: int | None) -> None:
    # Nothing known (but perhaps the link): whatever passive paths there are in truth, the ranges enclose it.
    modules, break_above, arguments = network
    truth = {**arguments, "link_voltage": link}
    known = opened_string(modules, break_above, link_voltage=link)
    try:
        hold(known, modules, break_above, truth)
    except Singular:
        assume(False)


@few
@given(modules=module_voltages, above=st.booleans(), data=st.data())
def test_ranges_hold_where_one_part_leaks(modules: list[int], above: bool, data: Any) -> None:
    # One part's leakage is known, the other part leaks in truth as well: no current crosses, the part stays.
    break_above = data.draw(st.integers(0, len(modules)))
    known_leak = Leak(len(modules) if above else 0, MOHM, above)
    other_part = (0, break_above) if above else (break_above, len(modules))
    leaks = st.builds(Leak, st.integers(*other_part), resistances, st.just(not above))
    truth = {"earth_faults": [known_leak, *data.draw(st.lists(leaks, min_size=1, max_size=2))]}
    hold(opened_string(modules, break_above, earth_faults=[known_leak]), modules, break_above, truth)


@few
@given(st.lists(st.integers(1, 10**8), min_size=1, max_size=6), st.data())
def test_general_formula_of_the_break_voltage(modules: list[int], data: Any) -> None:
    # Voltage divider: |U| = S * R_b / (R_b + R_L parallel (R+ + R-)), wherever the break is
    across, load, plus, minus = (data.draw(resistances) for _ in range(4))
    beside = 1 / (Fraction(1, load) + Fraction(1, plus + minus))
    expected = -sum(modules) * across / (across + beside)
    for break_above in range(len(modules) + 1):
        state = opened_string(
            modules, break_above, across_break=across, load=load, leak_plus=plus, leak_minus=minus
        )
        assert state.break_voltage == expected


# --- refused ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: opened_string([], 0), "at least one module"),
        (lambda: opened_string(SIX, 7), "the string has 6 modules"),
        (lambda: opened_string(SIX, -1), "the string has 6 modules"),
        (lambda: opened_string([1, -1], 1), "voltage of module 2: -1 uV is negative"),
        (lambda: opened_string(SIX, 1, link_voltage=-1), "link voltage: -1 uV is negative"),
        (lambda: opened_string(SIX, 1, load=-1), "-1 mohm is negative"),
        (lambda: closed_string(SIX, leak_plus=-1), "-1 mohm is negative"),
        (lambda: closed_string(SIX, earth_faults=[Leak(7, 1)]), "taps 0 to 6"),
        (lambda: closed_string(SIX, earth_faults=[Leak(1, 0), Leak(2, 0)]), "short-circuit"),
        (lambda: opened_string(SIX, 1, link_voltage=0, across_break=0), "short-circuit"),
        (lambda: opened_string(SIX, 1, load=0, across_break=0), "short-circuit"),
        (
            lambda: opened_string(SIX, 3, link_voltage=0, leak_plus=0, earth_faults=[Leak(2, 0)]),
            "short-circuit",
        ),
        (lambda: opened_string(SIX, 3).worst_between([], []), "empty"),
    ],
)
def test_impossible_strings_are_refused(call: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
