"""Every state of a small pack, one by one, and the voltages it brings: written from the rules in words alone.

Strings hang on the link by no pole, one or both; breaks, stuck contactors and earth faults up to the number
asked for; what cells, closed contactors and the link join hangs rigidly together, and chassis lies in it
where a fault nails it or leakage holds it. All in whole uV and fractions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations, pairwise, product
from typing import NamedTuple

from chainplan.chain.network import CellString
from chainplan.chain.potentials import Taps
from chainplan.plan.layout import InsulationRules

Asked = tuple[tuple[str, Taps], tuple[str, Taps] | None]
"""Two reaches, each of a string; None is chassis."""


class SmallPack(NamedTuple):
    """Strings in parallel, and the plan's rules."""

    strings: dict[str, CellString]
    rules: InsulationRules


class Piece(NamedTuple):
    """A string, or a part of it between open breaks: its first and last tap, and whether each is an edge."""

    string: str
    first: int
    last: int
    cut_below: bool
    cut_above: bool


class Standing(NamedTuple):
    """A string in a state: poles that are closed, its open breaks, and what that is called."""

    minus: bool
    plus: bool
    breaks: tuple[int, ...]
    conditions: tuple[str, ...]


@dataclass
class Group:
    """What hangs rigidly together: where HV- of each piece's string would be, above a common zero.

    ``poles`` are the link's, where it is part of it.
    """

    levels: dict[Piece, int]
    poles: tuple[int, ...] = ()


Fault = tuple[Piece | None, int]
"""Where an earth fault is: a tap of a piece, or a pole of the link by its number."""


def standings(string: CellString, first: str, together: int) -> Iterator[Standing]:
    broken = [
        numbers
        for count in range(min(together, 2) + 1)
        for numbers in combinations(range(len(string.breaks)), count)
    ]
    for minus, plus in product((False, True), repeat=2):
        if minus and plus:
            base: tuple[str, ...] = ()
        elif not (minus or plus):
            base = ("string open",)
        else:
            base = ("one pole closed",) if first == ("HV-" if minus else "HV+") else ("stuck contactor",)
        for numbers in broken:
            yield Standing(minus, plus, numbers, base + ("break",) * len(numbers))


def abnormal(conditions: tuple[str, ...]) -> int:
    return sum(each in ("break", "stuck contactor", "earth fault") for each in conditions)


def allowed(conditions: tuple[str, ...], rules: InsulationRules) -> bool:
    left_out = [name.split(" + ") for name in rules.leave_out]
    return abnormal(conditions) <= rules.conditions_together and not any(
        all(conditions.count(word) >= name.count(word) for word in set(name)) for name in left_out
    )


def pieces(string: CellString, breaks: tuple[int, ...]) -> list[Piece]:
    cuts = [0, *(string.breaks[number].cells_below for number in breaks), len(string.taps) - 1]
    last = len(cuts) - 2
    return [
        Piece(string.name, low, high, number > 0, number < last)
        for number, (low, high) in enumerate(pairwise(cuts))
    ]


def groupings(pack: SmallPack, states: dict[str, Standing], voltage: int) -> Iterator[list[Group]]:
    """Yield what hangs together, for every place of every overshoot; nothing where the state is
    impossible.
    """
    strings = pack.strings
    arcs = []
    for name, state in states.items():
        # The current of a string that is open at two places is gone, and with it what it could bring.
        arc = strings[name].breaks[state.breaks[0]].allowance if len(state.breaks) == 1 else 0
        if state.minus and state.plus and arc:
            arcs.append([(name, place, sign * arc) for place in range(3) for sign in (1, 0, -1)])
    for places in product(*arcs):
        moved = {(name, place): amount for name, place, amount in places}
        top = voltage - sum(amount for (_, place), amount in moved.items() if place == 1)
        link, others = Group({}, (0, top)), []
        for name, state in states.items():
            own = pieces(strings[name], state.breaks)
            low = moved.get((name, 0), 0)
            high = top - moved.get((name, 2), 0) - strings[name].voltage
            if len(own) == 1 and state.minus and state.plus and low != high:
                break  # a whole string on a link of another voltage
            for number, piece in enumerate(own):
                if number == 0 and state.minus:
                    link.levels[piece] = low
                elif number == len(own) - 1 and state.plus:
                    link.levels[piece] = high
                else:
                    others.append(Group({piece: 0}))
        else:
            yield [link, *others]


def leaks(pack: SmallPack, piece: Piece, level: int) -> list[Fraction]:
    """Return the places between which a piece's own leakage can hold chassis, above the group's zero."""
    string = pack.strings[piece.string]
    if string.insulation_resistance is None or (piece.cut_below and piece.cut_above):
        return [Fraction(level + string.taps[tap]) for tap in (piece.first, piece.last)]
    plus, minus = string.insulation_resistance
    if piece.cut_below or piece.cut_above:
        return [Fraction(level + (string.voltage if piece.cut_below else 0))]
    corners = product((plus.min, plus.max), (minus.min, minus.max))
    return [level + Fraction(down, up + down) * string.voltage for up, down in corners]  # G+ / (G+ + G-)


def held(pack: SmallPack, group: Group, faults: tuple[Fault, ...]) -> tuple[Fraction, Fraction] | None:
    """Return the least and greatest place of chassis; None where faults contradict each other."""
    nailed = set()
    for piece, number in faults:
        if piece is None and group.poles:
            nailed.add(Fraction(group.poles[number]))
        elif piece is not None and piece in group.levels:
            nailed.add(Fraction(group.levels[piece] + pack.strings[piece.string].taps[number]))
    if len(nailed) > 1:
        return None
    places = list(nailed) or [place for each in group.levels.items() for place in leaks(pack, *each)]
    external = pack.rules.external
    if not nailed and external is not None and external.earthed:
        places += map(Fraction, group.poles)
    return (min(places), max(places)) if places else (Fraction(0), Fraction(0))


def conductors(reach: Taps, piece: Piece) -> Iterator[int]:
    """Yield the taps of a reach in a piece: of a break's edges, those on whose side the reach has cells."""
    for tap in range(max(reach.first, piece.first), min(reach.last, piece.last) + 1):
        if tap == piece.first and piece.cut_below and not (reach.first == tap or tap < reach.last):
            continue
        if tap == piece.last and piece.cut_above and reach.first == tap:
            continue
        yield tap


def all_states(pack: SmallPack) -> Iterator[tuple[dict[str, Standing], tuple[str, ...]]]:
    """Yield how all strings can stand together, and the conditions that makes."""
    rules, strings = pack.rules, pack.strings
    for first in ("HV-", "HV+") if rules.first_pole is None else (rules.first_pole,):
        options = [list(standings(each, first, rules.conditions_together)) for each in strings.values()]
        for chosen in product(*options):
            conditions = tuple(word for each in chosen for word in each.conditions)
            if allowed(conditions, rules):
                yield dict(zip(strings, chosen, strict=True)), conditions


class EveryState:
    """The largest voltages of all states, between given reaches."""

    def __init__(self, pack: SmallPack, asked: list[Asked]) -> None:
        self.pack = pack
        self.asked = asked
        self.found = [Fraction(0)] * len(asked)
        self.count = 0
        for states, conditions in all_states(pack):
            for voltage in self.voltages(states):
                for groups in groupings(pack, states, voltage):
                    self._with_faults(groups, conditions)

    def voltages(self, states: dict[str, Standing]) -> set[int]:
        strings, external = self.pack.strings, self.pack.rules.external
        whole = {
            strings[name].voltage
            for name, each in states.items()
            if each.minus and each.plus and not each.breaks
        }
        if len(whole) > 1:
            return set()
        source = set() if external is None else {external.voltage.max}
        return whole or {0, *source, *(string.voltage for string in strings.values())}

    def _with_faults(self, groups: list[Group], conditions: tuple[str, ...]) -> None:
        nodes: list[Fault] = [(None, 0), (None, 1)]
        nodes += [(piece, tap) for group in groups for piece in group.levels for tap in piece[1:3]]
        for count in range(self.pack.rules.conditions_together - abnormal(conditions) + 1):
            if allowed(conditions + ("earth fault",) * count, self.pack.rules):
                for faults in combinations(nodes, count):
                    places = [held(self.pack, group, faults) for group in groups]
                    known = [place for place in places if place is not None]
                    if len(known) == len(places):
                        self.count += 1
                        self._measure(groups, known)

    def _measure(self, groups: list[Group], chassis: list[tuple[Fraction, Fraction]]) -> None:
        for number, (one, other) in enumerate(self.asked):
            for g, low, high in self._places(groups, one):
                least, most = chassis[g]
                if other is None:
                    self._take(number, high - least, most - low)
                    continue
                for h, other_low, other_high in self._places(groups, other):
                    if g == h:
                        self._take(number, Fraction(high - other_low), Fraction(other_high - low))
                    else:
                        up = (high - least) - (other_low - chassis[h][1])
                        self._take(number, up, (other_high - chassis[h][0]) - (low - most))

    def _take(self, number: int, *voltages: Fraction) -> None:
        self.found[number] = max(self.found[number], *voltages)

    def _places(self, groups: list[Group], end: tuple[str, Taps]) -> Iterator[tuple[int, int, int]]:
        name, reach = end
        string = self.pack.strings[name]
        for number, group in enumerate(groups):
            for piece, level in group.levels.items():
                taps = [level + string.taps[tap] for tap in conductors(reach, piece)]
                if piece.string == name and taps:
                    yield number, min(taps), max(taps)
