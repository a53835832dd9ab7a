"""Cells that are unlike, from empty to full each for itself: no state of any such pack brings more.

Every cell of a small pack is tried empty and full; with all states of each, that is every corner of what a
pack can be, as voltages are linear in the cells.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import accumulate, pairwise, product
from random import Random

import pytest
from isolation_states import Asked, EveryState, SmallPack
from test_isolation_states import UNIT, drawn_pack, drawn_reach

from chainplan.chain.hanging import Rules
from chainplan.chain.network import CellString
from chainplan.chain.potentials import Potentials


def corners(string: CellString) -> list[CellString]:
    """Return a string with every cell empty or full."""
    cells = list(zip(*(map(_steps, (string.taps, string.empty))), strict=True))
    found = []
    for chosen in product(*cells):
        taps = tuple(accumulate(chosen, initial=0))
        found.append(string._replace(taps=taps, empty=taps))
    return found


def _steps(taps: tuple[int, ...]) -> list[int]:
    return [high - low for low, high in pairwise(taps)]


def unlike(random: Random, pack: SmallPack) -> SmallPack:
    """Return a pack whose cells may be emptier than they are in the given one."""
    strings = {}
    for name, each in pack.strings.items():
        empty = [cell - UNIT * random.randint(0, cell // UNIT) for cell in _steps(each.taps)]
        strings[name] = each._replace(empty=tuple(accumulate(empty, initial=0)))
    return SmallPack(strings, pack.rules)


@pytest.mark.parametrize("seed", range(24))
def test_no_charge_of_any_cell_brings_more(seed: int) -> None:
    random = Random(seed)
    count = 1 + seed % 2
    pack = unlike(random, drawn_pack(random, count))
    if sum(len(each.taps) - 1 for each in pack.strings.values()) > 5:
        pack = SmallPack({name: pack.strings[name] for name in list(pack.strings)[:1]}, pack.rules)
    strings = list(pack.strings.values())
    asked: list[Asked] = [(drawn_reach(random, random.choice(strings)), None) for _ in range(2)]
    for _ in range(2):
        one, other = random.choice(strings), random.choice(strings)
        asked.append((drawn_reach(random, one), drawn_reach(random, other)))
    found = [Fraction(0)] * len(asked)
    for chosen in product(*map(corners, strings)):
        charged = SmallPack({each.name: each for each in chosen}, pack.rules)
        found = list(map(max, found, EveryState(charged, asked).found))
    potentials = Potentials(pack.strings, Rules(pack.rules))
    for (one_end, other_end), largest in zip(asked, found, strict=True):
        best = max(each.voltage for each in potentials.voltages(one_end, other_end))
        assert best >= largest
        if other_end is None and len(strings) == 1 and pack.rules.external is None:
            assert best == largest
