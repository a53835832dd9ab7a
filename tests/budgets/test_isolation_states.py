"""The worst voltages of drawn packs against every state of them, and those states against nodal analysis.

Cells are all at one voltage here, in multiples of 840 uV, so that no place of chassis by leakage is rounded.
What cells that are unlike bring is in test_isolation_charges.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import accumulate
from random import Random

import numpy as np
import pytest
from isolation_states import Asked, EveryState, SmallPack, Standing, all_states, groupings, leaks, pieces

from chainplan.chain.hanging import Rules
from chainplan.chain.network import Break, CellString
from chainplan.chain.potentials import Potentials, Taps
from chainplan.plan.layout import InsulationRules
from chainplan.quantity import Span

UNIT = 840
LEFT_OUT = (
    "stuck contactor",
    "break + earth fault",
    "earth fault + earth fault",
    "one pole closed",
    "break",
    "string open",
    "earth fault",
)


def drawn_pack(random: Random, count: int) -> SmallPack:
    strings: dict[str, CellString] = {}
    alike = random.random() < 0.6
    for number in range(count):
        name = f"S{number}"
        if number and alike:
            strings[name] = strings["S0"]._replace(name=name)
            continue
        cells = [UNIT * random.randint(1, 9) for _ in range(random.randint(1, 4))]
        places = sorted(random.sample(range(len(cells) + 1), random.randint(0, 1 if count > 2 else 2)))
        breaks = tuple(Break(f"F{place}", "fuse", place, UNIT * random.choice((0, 1, 5))) for place in places)
        leakage = None
        if random.random() < 0.7:
            least = random.randint(1, 3), random.randint(1, 3)
            plus, minus = (Span(low, low, low + random.choice((0, 1))) for low in least)
            leakage = plus, minus
        taps = tuple(accumulate(cells, initial=0))
        strings[name] = CellString(name, taps, taps, breaks, (), leakage)
    together = random.choice((1, 2, 2, 2, 3) if count < 3 else (1, 2, 2))
    rules: dict[str, object] = {"conditions_together": together}
    if random.random() < 0.5:
        rules["first_pole"] = random.choice(("HV-", "HV+"))
    if random.random() < 0.4:
        voltage = f"{UNIT * random.randint(1, 60)} uV"
        rules["external"] = {"voltage": voltage, "earthed": random.random() < 0.5}
    if random.random() < 0.4:
        rules["leave_out"] = dict.fromkeys(random.sample(LEFT_OUT, random.randint(1, 3)), "drawn")
    return SmallPack(strings, InsulationRules.model_validate(rules))


def drawn_reach(random: Random, string: CellString) -> tuple[str, Taps]:
    top = len(string.taps) - 1
    first = random.randint(0, top)
    last = random.randint(first, top) if random.random() < 0.6 else first
    return string.name, Taps(first, last, string.taps[first], string.taps[last])


def compare(seed: int, count: int) -> int:
    """Compare a drawn pack; return how many states it has."""
    random = Random(seed)
    pack = drawn_pack(random, count)
    strings = list(pack.strings.values())
    asked: list[Asked] = []
    for _ in range(3):
        one, other = random.choice(strings), random.choice(strings)
        asked += [(drawn_reach(random, one), None), (drawn_reach(random, one), drawn_reach(random, other))]
    every = EveryState(pack, asked)
    potentials = Potentials(pack.strings, Rules(pack.rules))
    # Where strings may not be open, others beside those that count must be joined: not all of that is used.
    rough = "string open" in pack.rules.leave_out
    for (one_end, other_end), largest in zip(asked, every.found, strict=True):
        best = max(potentials.voltages(one_end, other_end), key=lambda each: each.voltage)
        assert best.voltage == largest or (rough and best.voltage > largest), (
            *(seed, count, one_end, other_end, best.voltage, largest, best.situation.name),
            pack,
        )
    return every.count


@pytest.mark.parametrize(("count", "seeds"), [(1, range(120)), (2, range(60)), (3, range(12)), (4, range(1))])
def test_no_state_brings_more_and_one_brings_as_much(count: int, seeds: range) -> None:
    assert sum(compare(seed, count) for seed in seeds) > 10_000


def circuit(
    pack: SmallPack, states: dict[str, Standing], voltage: int, leaking: str
) -> dict[tuple[str, int, int], float] | None:
    """Return the potential of every tap (string, piece, tap) to chassis, by modified nodal analysis.

    Ho, Ruehli, Brennan, IEEE Trans. CAS-22, 1975; the least squares of a circuit with loops of sources. None
    where its sources contradict each other. One string alone leaks to chassis; with what it has no part in
    nothing ties the rest.
    """
    points: dict[tuple[str, int, int], int] = {}
    sources: list[tuple[int, int, float]] = []
    resistors: list[tuple[int, float]] = []

    def point(string: str, piece: int, tap: int) -> int:
        return points.setdefault((string, piece, tap), len(points))

    sources.append((point("link", 0, 1), point("link", 0, 0), voltage / UNIT))
    for name, state in states.items():
        string, own = pack.strings[name], pieces(pack.strings[name], state.breaks)
        for number, piece in enumerate(own):
            for tap in range(piece.first, piece.last):
                cell = (string.taps[tap + 1] - string.taps[tap]) / UNIT
                sources.append((point(name, number, tap + 1), point(name, number, tap), cell))
        bottom, top = point(name, 0, own[0].first), point(name, len(own) - 1, own[-1].last)
        if state.minus:
            sources.append((bottom, point("link", 0, 0), 0.0))
        if state.plus:
            sources.append((top, point("link", 0, 1), 0.0))
        if name == leaking and string.insulation_resistance is not None:
            resistors += [
                (top, string.insulation_resistance[0].min),
                (bottom, string.insulation_resistance[1].min),
            ]
    size = len(points) + len(sources)
    matrix, right = np.zeros((size, size)), np.zeros(size)
    for at, ohms in resistors:
        matrix[at, at] += 1 / ohms
    for row, (plus, minus, volts) in enumerate(sources, start=len(points)):
        matrix[plus, row] = matrix[row, plus] = 1
        matrix[minus, row] = matrix[row, minus] = -1
        right[row] = volts
    solution = np.linalg.lstsq(matrix, right, rcond=None)[0]
    if not np.allclose(matrix @ solution, right, atol=1e-6):
        return None
    return {name: float(solution[at]) * UNIT for name, at in points.items()}


def solved_states(seed: int) -> Iterator[bool]:
    random = Random(seed)
    pack = drawn_pack(random, random.choice((2, 2, 3, 4)))
    calm = SmallPack(
        {
            name: each._replace(breaks=tuple(opening._replace(allowance=0) for opening in each.breaks))
            for name, each in pack.strings.items()
        },
        pack.rules,
    )
    every = list(all_states(pack))
    for chosen, _ in random.sample(every, min(3, len(every))):
        for voltage in (0, *(each.voltage for each in pack.strings.values())):
            found = list(groupings(calm, chosen, voltage))
            for leaking in pack.strings:
                solved = circuit(pack, chosen, voltage, leaking)
                assert (solved is None) == (not found)
                if solved is None or pack.strings[leaking].insulation_resistance is None:
                    continue
                (groups,) = found
                for group in groups:
                    tied = [piece for piece in group.levels if piece.string == leaking]
                    own = [piece for piece in tied if not (piece.cut_below and piece.cut_above)]
                    if len(own) != 1:
                        continue  # both parts of a broken string leak, or nothing of it is here
                    place = leaks(calm, own[0], group.levels[own[0]])[0]
                    for piece, level in group.levels.items():
                        string = pack.strings[piece.string]
                        number = pieces(string, chosen[piece.string].breaks).index(piece)
                        for tap in range(piece.first, piece.last + 1):
                            expected = float(level + string.taps[tap] - place)
                            assert solved[piece.string, number, tap] == pytest.approx(expected, abs=0.01)
                            yield True


def test_states_hang_as_nodal_analysis_says() -> None:
    assert sum(sum(solved_states(seed)) for seed in range(60)) > 2000
