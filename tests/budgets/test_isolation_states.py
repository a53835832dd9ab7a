"""The worst voltages against every state of drawn packs, one by one, and those states against nodal analysis.

Written from the rules in words alone: strings hang on the link by no pole, one or both; breaks, faults and
stuck contactors up to the number asked for; everything that cells, closed contactors and the link join hangs
rigidly together. `Circuit` solves the same states by modified nodal analysis (Ho, Ruehli, Brennan, IEEE
Trans. CAS-22, 1975). Cells are all at one voltage here, in multiples of 840 uV, so that no leakage needs to
be rounded.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, combinations, product
from random import Random
from typing import NamedTuple

from chainplan.chain.network import Break, CellString
from chainplan.chain.potentials import Potentials, Taps
from chainplan.plan.layout import InsulationRules
from chainplan.quantity import Span

UNIT = 840


class Made(NamedTuple):
    """A drawn pack: its strings, the rules, and the same in the test's own words."""

    strings: dict[str, CellString]
    rules: InsulationRules


class Piece(NamedTuple):
    """A string, or a part of it between open breaks: its first and last tap, and whether each is an edge."""

    string: str
    first: int
    last: int
    cut_below: bool
    cut_above: bool


class Hung(NamedTuple):
    """A string in a state: poles that are closed, and its open breaks."""

    minus: bool
    plus: bool
    breaks: tuple[int, ...]
    conditions: tuple[str, ...]


@dataclass
class Group:
    """What hangs rigidly together: each piece's HV- level (its tap 0 as if whole) above a common zero."""

    levels: dict[Piece, int]
    poles: tuple[int, ...] = ()
    """Potentials of the link's poles, where it is the link's group."""


def hung(string: CellString, first: str, together: int) -> Iterator[Hung]:
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
            yield Hung(minus, plus, numbers, base + ("break",) * len(numbers))


def abnormal(conditions: tuple[str, ...]) -> int:
    return sum(each in ("break", "stuck contactor", "earth fault") for each in conditions)


def allowed(conditions: tuple[str, ...], rules: InsulationRules) -> bool:
    if abnormal(conditions) > rules.conditions_together:
        return False
    return not any(
        all(conditions.count(word) >= name.count(word) for word in set(name)) for name in left_out(rules)
    )


def left_out(rules: InsulationRules) -> list[list[str]]:
    return [name.split(" + ") for name in rules.leave_out]


def pieces(string: CellString, breaks: tuple[int, ...]) -> list[Piece]:
    cuts = [0, *(string.breaks[number].cells_below for number in breaks), len(string.taps) - 1]
    last = len(cuts) - 2
    return [
        Piece(string.name, *cuts[number : number + 2], number > 0, number < last)
        for number in range(last + 1)
    ]


def link_groups(made: Made, states: dict[str, Hung], voltage: int) -> Iterator[list[Group]]:
    """Yield the groups for every place of the overshoot; nothing where the state contradicts itself."""
    strings = made.strings
    arcs = []
    for name, state in states.items():
        # The current of a string that is open at two places is gone, and with it what it could bring.
        allowance = strings[name].breaks[state.breaks[0]].allowance if len(state.breaks) == 1 else 0
        if state.minus and state.plus and allowance:
            arcs.append([(name, place, sign * allowance) for place in range(3) for sign in (1, 0, -1)])
    for places in product(*arcs):
        moved = {(name, place): amount for name, place, amount in places}
        top = voltage - sum(amount for (_, place), amount in moved.items() if place == 1)
        link = Group({}, (0, top))
        others = []
        for name, state in states.items():
            whole = strings[name].taps[-1]
            own = pieces(strings[name], state.breaks)
            low = 0 + moved.get((name, 0), 0)
            high = top - moved.get((name, 2), 0) - whole
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


def leaks(made: Made, piece: Piece, level: int) -> list[Fraction]:
    """Return where a piece alone can hold chassis by its leakage, above the group's zero."""
    string = made.strings[piece.string]
    if string.leakage is None or (piece.cut_below and piece.cut_above):
        return [Fraction(level + string.taps[tap]) for tap in (piece.first, piece.last)]
    found = []
    plus, minus = string.leakage
    for up, down in product((plus.min, plus.max), (minus.min, minus.max)):
        if piece.cut_below:
            share = Fraction(1)
        elif piece.cut_above:
            share = Fraction(0)
        else:
            share = Fraction(down, up + down)  # G+ / (G+ + G-)
        found.append(level + share * string.voltage)
    return found


Pinned = list[tuple[Fraction, Fraction]]


def pins(made: Made, group: Group, faults: list[tuple[str, int]]) -> tuple[Fraction, Fraction] | None:
    """Return the least and greatest place of chassis; None where faults contradict each other."""
    nailed = {
        Fraction(group.levels[piece] + made.strings[piece.string].taps[tap])
        for piece in group.levels
        for name, tap, here in faults_of(faults)
        if name == piece.string and here == piece
    } | {
        Fraction(group.poles[number])
        for name, number, _ in faults_of(faults)
        if name == "link" and group.poles
    }
    if len(nailed) > 1:
        return None
    if nailed:
        (place,) = nailed
        return place, place
    places = [place for piece, level in group.levels.items() for place in leaks(made, piece, level)]
    if made.rules.external is not None and made.rules.external.earthed and group.poles:
        places += map(Fraction, group.poles)
    return (min(places), max(places)) if places else (Fraction(0), Fraction(0))


def faults_of(faults: list) -> list:  # type: ignore[type-arg]
    return faults


def conductors(reach: Taps, piece: Piece) -> Iterator[int]:
    """Yield the taps of a reach in a piece: of a break's edges, those on whose side the reach has cells."""
    for tap in range(max(reach.first, piece.first), min(reach.last, piece.last) + 1):
        if tap == piece.first and piece.cut_below and not (reach.first == tap or tap < reach.last):
            continue
        if tap == piece.last and piece.cut_above and reach.first == tap:
            continue
        yield tap


class Worst2:
    """The largest voltages of all states, between given reaches; None is chassis."""

    def __init__(self, made: Made, asked: list[tuple[tuple[str, Taps], tuple[str, Taps] | None]]) -> None:
        self.made = made
        self.asked = asked
        self.found = [Fraction(0)] * len(asked)
        self.states = 0

    def run(self) -> list[Fraction]:
        rules, strings = self.made.rules, self.made.strings
        firsts = ("HV-", "HV+") if rules.first_pole is None else (rules.first_pole,)
        for first in firsts:
            options = [list(hung(string, first, rules.conditions_together)) for string in strings.values()]
            for chosen in product(*options):
                conditions = tuple(word for each in chosen for word in each.conditions)
                if allowed(conditions, rules):
                    self.state(dict(zip(strings, chosen, strict=True)), conditions)
        return self.found

    def state(self, states: dict[str, Hung], conditions: tuple[str, ...]) -> None:
        strings, rules = self.made.strings, self.made.rules
        whole = {
            strings[name].voltage
            for name, each in states.items()
            if each.minus and each.plus and not each.breaks
        }
        if len(whole) > 1:
            return
        source = () if rules.external is None else (rules.external.voltage.max,)
        voltages = whole or {0, *source, *(string.voltage for string in strings.values())}
        for voltage in voltages:
            for groups in link_groups(self.made, states, voltage):
                self.groups(groups, conditions)

    def groups(self, groups: list[Group], conditions: tuple[str, ...]) -> None:
        rules = self.made.rules
        nodes = [
            (piece.string, tap, piece)
            for group in groups
            for piece in group.levels
            for tap in (piece.first, piece.last)
        ]
        nodes += [("link", 0, None), ("link", 1, None)]
        for count in range(rules.conditions_together - abnormal(conditions) + 1):
            if not allowed(conditions + ("earth fault",) * count, rules):
                continue
            for faults in combinations(nodes, count):
                held = [pins(self.made, group, list(faults)) for group in groups]
                if None not in held:
                    self.states += 1
                    self.measure(groups, held)  # type: ignore[arg-type]

    def measure(self, groups: list[Group], held: Pinned) -> None:
        for number, (one, other) in enumerate(self.asked):
            here = list(self.places(groups, one))
            if other is None:
                most = max(
                    (max(high - held[g][0], held[g][1] - low) for g, low, high in here), default=Fraction(0)
                )
            else:
                most = max(
                    (
                        max(high - low2, high2 - low)
                        if g == h
                        else max(
                            (high - held[g][0]) - (low2 - held[h][1]),
                            (high2 - held[h][0]) - (low - held[g][1]),
                        )
                        for g, low, high in here
                        for h, low2, high2 in self.places(groups, other)
                    ),
                    default=Fraction(0),
                )
            self.found[number] = max(self.found[number], most)

    def places(self, groups: list[Group], end: tuple[str, Taps]) -> Iterator[tuple[int, int, int]]:
        name, reach = end
        string = self.made.strings[name]
        for number, group in enumerate(groups):
            for piece, level in group.levels.items():
                if piece.string == name:
                    taps = [level + string.taps[tap] for tap in conductors(reach, piece)]
                    if taps:
                        yield number, min(taps), max(taps)


def make(random: Random, count: int) -> Made:
    strings = {}
    same = random.random() < 0.6
    for number in range(count):
        if number and same:
            strings[f"S{number}"] = strings["S0"]._replace(name=f"S{number}")
            continue
        cells = [UNIT * random.randint(1, 9) for _ in range(random.randint(1, 4))]
        places = sorted(random.sample(range(len(cells) + 1), random.randint(0, 1 if count > 2 else 2)))
        opened = tuple(Break(f"F{place}", "fuse", place, UNIT * random.choice((0, 1, 5))) for place in places)
        leakage = None
        if random.random() < 0.7:
            spans = [
                Span(low, low, low + random.choice((0, 1)))
                for low in (random.randint(1, 3), random.randint(1, 3))
            ]
            leakage = spans[0], spans[1]
        taps = tuple(accumulate(cells, initial=0))
        strings[f"S{number}"] = CellString(f"S{number}", taps, taps, opened, (), leakage)
    rules: dict[str, object] = {
        "conditions_together": random.choice((1, 2, 2, 2, 3) if count < 3 else (1, 2, 2))
    }
    if random.random() < 0.5:
        rules["first_pole"] = random.choice(("HV-", "HV+"))
    if random.random() < 0.4:
        volts = f"{UNIT * random.randint(1, 60)} uV"
        rules["external"] = {"voltage": volts, "earthed": random.random() < 0.5}
    if random.random() < 0.4:
        names = (
            "stuck contactor",
            "break + earth fault",
            "earth fault + earth fault",
            "one pole closed",
            "break",
            "string open",
            "earth fault",
        )
        rules["leave_out"] = dict.fromkeys(random.sample(names, random.randint(1, 3)), "drawn")
    return Made(strings, InsulationRules.model_validate(rules))


def reach(random: Random, string: CellString) -> tuple[str, Taps]:
    top = len(string.taps) - 1
    first = random.randint(0, top)
    last = random.randint(first, top) if random.random() < 0.6 else first
    return string.name, Taps(first, last, string.taps[first], string.taps[last])


def compare(seed: int, count: int) -> int:
    random = Random(seed)
    made = make(random, count)
    asked: list[tuple[tuple[str, Taps], tuple[str, Taps] | None]] = []
    strings = list(made.strings.values())
    for _ in range(3):
        one, other = random.choice(strings), random.choice(strings)
        asked += [(reach(random, one), None), (reach(random, one), reach(random, other))]
    worst = Worst2(made, asked)
    potentials = Potentials(made.strings, made.rules)
    for (one_end, other_end), brute in zip(asked, worst.run(), strict=True):
        best = max(potentials.voltages(one_end, other_end), key=lambda each: each.voltage)
        loose = "string open" in made.rules.leave_out
        assert best.voltage == brute or (loose and best.voltage > brute), (
            seed,
            count,
            one_end,
            other_end,
            best.voltage,
            brute,
            best.situation.name,
            made,
        )
    return worst.states
