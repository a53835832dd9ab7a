"""Voltages between two conductors, or one and chassis: two forms, a constant, and the state.

A conductor enters a difference by the cells below it (T), by those above it (A), or as leakage places its
string: with all others in parallel (J), or by itself (L). How strings hang on the link, and what holds
chassis, is written in :mod:`chainplan.chain.hanging`. A way does not depend on where in its string a
conductor stands but for the breaks below it, its region, so it serves many conductors.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import product
from typing import NamedTuple

from chainplan.chain.hanging import (
    BREAK,
    FAULT,
    OPEN,
    Addend,
    Attach,
    Linked,
    LinkVoltage,
    Pin,
    attachments,
    broken,
    pole_alone,
    weight,
)
from chainplan.chain.linkage import Linkage

T, A, L, J, F = range(5)
"""Forms: by cells below or above, by leakage of its string alone or of all in parallel; by full cells
below.
"""


class PotentialGap(NamedTuple):
    """A gap P - Q: the form of P's potential less that of Q's (None: chassis), plus `amount` uV.

    `parts` are what makes it, in words and addends.
    """

    high: int | None
    low: int | None
    amount: int
    code: int
    parts: tuple[tuple[int, Linked] | str | Addend, ...]

    @property
    def words(self) -> str:
        """Return the state in words."""
        found: list[str] = []
        for part in self.parts:
            if isinstance(part, str):
                found.append(part)
            elif not isinstance(part, Addend):
                found += part[1].words
        return "; ".join(dict.fromkeys(filter(None, found))) or "intact"

    @property
    def addends(self) -> Iterator[Addend]:
        """Yield what `amount` is made of."""
        for part in self.parts:
            if isinstance(part, Addend):
                yield part
            elif not isinstance(part, str):
                yield from part[1].addends(part[0])


def best_of(ways: Iterable[PotentialGap]) -> tuple[PotentialGap, ...]:
    """Return the largest way of each pair of forms; of equal ones that with fewest conditions."""
    found: dict[tuple[int | None, int | None], PotentialGap] = {}
    for way in ways:
        key = way[:2]
        known = found.get(key)
        if (
            known is None
            or way.amount > known.amount
            or (way.amount == known.amount and weight(way.code) < weight(known.code))
        ):
            found[key] = way
    return tuple(found.values())


class _Alone(NamedTuple):
    """A potential to chassis of a string by itself: its form, the conditions, what holds chassis, uV more."""

    form: int
    code: int
    words: str
    amount: int = 0


class PotentialGaps(Linkage):
    """The ways of a pack's strings, under the plan's rules."""

    def to_chassis(self, name: str, region: int) -> Iterator[PotentialGap]:
        """Yield the ways between a conductor of a string and chassis."""
        yield PotentialGap(J, None, 0, 0, ("intact",))
        yield PotentialGap(None, J, 0, 0, ("intact",))
        yield from self._kept(
            PotentialGap(T, None, 0, FAULT, (f"earth fault at HV- of {name}",)),
            PotentialGap(None, A, 0, FAULT, (f"earth fault at HV+ of {name}",)),
        )
        for alone in self._by_far_pole(name):
            arc = abs(alone.amount)
            forms = (T, None) if alone.form == T else (None, A)
            parts = alone.words, Addend("allowance of the break", arc, "arc and overshoot")
            yield from self._kept(PotentialGap(forms[0], forms[1], arc, BREAK, parts))
        for first in self._rules.first_poles:
            for each in self._linked(name, region, "", first):
                form = T if each.attach.side < 0 else A
                if each.high:
                    yield PotentialGap(form, None, each.amount, each.code, ((1, each),))
                else:
                    yield PotentialGap(None, form, -each.amount, each.code, ((-1, each),))

    def _kept(self, *ways: PotentialGap) -> Iterator[PotentialGap]:
        for way in ways:
            code = way.code & self._rules.mask
            if self._rules.allow(code):
                yield way if code == way.code else way._replace(code=code)

    def _alone(self, name: str, region: int, first: int, *, high: bool) -> Iterator[_Alone]:
        """Yield a string's potentials to chassis while it, or the part that counts, is not on the link."""
        apart = f"{name} open"
        yield _Alone(L, OPEN, apart)
        pole = "HV-" if high else "HV+"
        yield _Alone(T if high else A, OPEN + FAULT, f"{apart}, earth fault at {pole} of {name}")
        yield from self._part_alone(name, region, first, high=high)
        for middle in self._middle(name, region):
            yield middle[0 if high else 1]

    def _part_alone(self, name: str, region: int, first: int, *, high: bool) -> Iterator[_Alone]:
        """Yield the potential of a broken string's part whose pole is open: its leakage is there."""
        string = self.strings[name]
        held = FAULT if self.floating[name].determined else 0
        for side in (-1, 1):
            openings = string.breaks[region:] if side < 0 else string.breaks[:region]
            for code in (OPEN, pole_alone(-side, first)) if openings else ():
                words = f"{name} open and broken"
                if high is (side < 0):
                    yield _Alone(T if high else A, code + BREAK, words)
                else:
                    edge = openings[0 if high else -1]
                    tap = string.taps[edge.cells_below]
                    words += f", chassis at the edge of {edge.name}"
                    yield _Alone(T if high else F, code + BREAK + held, words, -tap)

    def _middle(self, name: str, region: int) -> Iterator[tuple[_Alone, _Alone]]:
        """Yield the highest and lowest potential of a part between open breaks, which nothing known holds."""
        string = self.strings[name]
        if 0 < region < len(string.breaks):
            ends = string.breaks[0], string.breaks[-1]
            words = f"{ends[0].name} and {ends[1].name} of {name} open"
            low, high = (-string.taps[each.cells_below] for each in ends)
            yield _Alone(T, 2 * BREAK, words, low), _Alone(F, 2 * BREAK, words, high)

    def _closed(self, name: str, *, high: bool) -> Iterator[_Alone]:
        """Yield the same while its contactors are closed."""
        yield _Alone(J, 0, "")
        pole = "HV-" if high else "HV+"
        yield _Alone(T if high else A, FAULT, f"earth fault at {pole} of {name}")
        yield from (each for each in self._by_far_pole(name) if (each.form == T) is high)

    def _by_far_pole(self, name: str) -> Iterator[_Alone]:
        """Yield a broken string's potentials on the link where leakage at its further pole holds chassis.

        It stands as a whole one, moved by the overshoot of the one or the other current.
        """
        openings = self.strings[name].breaks
        if openings:
            largest = max(openings, key=lambda each: each.allowance)
            for form, sign in ((T, 1), (A, -1)):
                words = f"{largest.name} of {name} open"
                yield _Alone(form, BREAK, words, sign * largest.allowance)

    def between(self, one: str, other: str, regions: tuple[int, int]) -> Iterator[PotentialGap]:
        """Yield the ways in which a conductor of one string stands above one of another."""
        for first in self._rules.first_poles:
            yield from self._both_linked(one, other, regions, first)
            highs = list(self._alone(one, regions[0], first, high=True))
            lows = list(self._alone(other, regions[1], first, high=False))
            linked = [(each, highs, lows) for each in self._linked(one, regions[0], other, first)]
            parted = self._by_other_part(one, regions[0], other, regions[1], first)
            for each, _, below in (*linked, *((each, [high], [low]) for each, high, low in parted)):
                for low in below if each.high else ():
                    form = T if each.attach.side < 0 else A
                    parts = (1, each), low.words, Addend("edge of a part at chassis", -low.amount)
                    amount = each.amount - low.amount
                    yield from self._kept(PotentialGap(form, low.form, amount, each.code + low.code, parts))
            linked = [(each, highs, lows) for each in self._linked(other, regions[1], one, first)]
            parted = self._by_other_part(other, regions[1], one, regions[0], first)
            for each, above, _ in (*linked, *((each, [high], [low]) for each, high, low in parted)):
                for high in () if each.high else above:
                    form = T if each.attach.side < 0 else A
                    parts = (-1, each), high.words, Addend("edge of a part at chassis", high.amount)
                    amount = high.amount - each.amount
                    yield from self._kept(PotentialGap(high.form, form, amount, each.code + high.code, parts))
            closed = self._closed(one, high=True), self._closed(other, high=False)
            for high, low in (
                *((high, low) for high in closed[0] for low in lows),
                *((high, low) for low in closed[1] for high in highs),
            ):
                amount = high.amount - low.amount
                moved = Addend("edge or allowance of a break", amount)
                words = high.words, low.words, moved
                yield from self._kept(PotentialGap(high.form, low.form, amount, high.code + low.code, words))

    def _by_other_part(
        self, name: str, region: int, other: str, inside: int, first: int
    ) -> Iterator[tuple[Linked, _Alone, _Alone]]:
        """Yield how a string on the link is moved where a part of another on it holds chassis.

        With it the highest and lowest potential of that string's part by itself.
        """
        attaches = list(attachments(self.strings[name], region, first))
        for high, low in self._middle(other, inside):
            for each in self._moved(product(attaches, self._outer_pins(other)), name, other):
                yield each, high, low
        parts = len(self.strings[other].breaks)
        held = f"leakage of {other}"
        for side, form in ((-1, T if inside < parts else None), (1, A if inside else None)):
            if form is not None:
                pin = Pin(-side, pole_alone(-side, first) + BREAK, 0, 0, (held, held))
                alone = _Alone(form, 0, f"{other} broken")
                for each in self._moved(product(attaches, [pin]), name, other):
                    yield each, alone, alone

    def _both_linked(
        self, one: str, other: str, regions: tuple[int, int], first: int
    ) -> Iterator[PotentialGap]:
        low, high = self._link((one, other))
        lower = list(attachments(self.strings[other], regions[1], first))
        for here in attachments(self.strings[one], regions[0], first):
            for there in lower:
                if here.both and there.both:
                    continue
                forms = (T if here.side < 0 else A), (T if there.side < 0 else A)
                apart = here.up - there.down
                moves = (
                    Addend(f"allowance of {here.opening}", here.up, "arc and overshoot"),
                    Addend(f"allowance of {there.opening}", -there.down, "arc and overshoot"),
                )
                code, words = here.code + there.code, (here.words, there.words)
                if here.side == there.side:
                    yield from self._kept(PotentialGap(*forms, apart, code, (*words, *moves)))
                elif not (here.both or there.both):
                    for link in low if here.side < 0 else high:
                        voltage = here.side * link.voltage
                        parts = *words, link.words, *moves, Addend("link voltage", voltage, link.words)
                        yield from self._kept(
                            PotentialGap(
                                *forms,
                                apart + voltage,
                                code + link.code + self._unheld(link, one, other),
                                parts,
                            )
                        )

    def across(self, name: str, lower: int, upper: int) -> Iterator[tuple[bool, PotentialGap]]:
        """Yield the ways in which conductors of one string differ with a break between their regions open.

        True: the lower conductor stands above the upper one.
        """
        string = self.strings[name]
        numbers = range(lower, upper)
        largest = max(numbers, key=lambda number: string.breaks[number].allowance)
        below = broken(string, -1, largest)
        arc = Addend(f"allowance of {below.opening}", below.up, "charging current interrupted")
        low, high = self._link((name,))
        for code, more, words in ((0, 0, ""), *((each.code, -each.voltage, each.words) for each in low[1:])):
            parts = below.words, words, arc, Addend("allowance of another string's break", more)
            for way in self._kept(PotentialGap(T, F, below.up + more, BREAK + code, parts)):
                yield False, way
        for link in low:
            yield from self._across(True, T, A, below.up, below, link, self._unheld(link, name))
        for link in high:
            yield from self._across(False, A, T, -below.down, below, link, self._unheld(link, name))
        yield from self._with_part_apart(name, lower, upper)
        yield from self._with_middle_apart(name, lower, upper)

    def _with_part_apart(self, name: str, lower: int, upper: int) -> Iterator[tuple[bool, PotentialGap]]:
        """Yield the same with one part on the link by its pole alone, the other by itself."""
        string = self.strings[name]
        held = FAULT if self.floating[name].determined else 0
        for side in (-1, 1):
            opening = string.breaks[lower if side < 0 else upper - 1]
            tap, at_edge = string.taps[opening.cells_below], f"chassis at the edge of {opening.name}"
            pole = "HV-" if side < 0 else "HV+"
            words = f"{name} on {pole} alone, {opening.name} open"
            by_pole, by_edge = (
                _Alone(A if side < 0 else T, 0, ""),
                _Alone(T if side < 0 else F, held, at_edge, -tap),
            )
            highs, lows = ([by_pole, by_edge], [by_pole]) if side < 0 else ([by_pole], [by_pole, by_edge])
            for first in self._rules.first_poles:
                code = pole_alone(side, first) + BREAK
                yield from self._beside(name, Attach(side, code, words), [], highs, lows, first)

    def _with_middle_apart(self, name: str, lower: int, upper: int) -> Iterator[tuple[bool, PotentialGap]]:
        """Yield the same with one conductor's part between two open breaks, the outer parts on the link."""
        string = self.strings[name]
        for side, inner in ((1, lower), (-1, upper)):
            if not 0 < inner < len(string.breaks):
                continue
            # Of the breaks beside the part between them, one lies between the two conductors.
            near, far = string.breaks[upper - 1 if side > 0 else lower], string.breaks[0 if side > 0 else -1]
            edge = string.taps[far.cells_below]
            low, high = sorted((edge, string.taps[near.cells_below]))
            words = f"{near.name} and {far.name} of {name} open"
            own = [pin for pin in self._outer_pins(name) if pin.side == -side]
            highs, lows = ([_Alone(form, 0, "", -tap)] for form, tap in ((T, low), (F, high)))
            for first in self._rules.first_poles:
                yield from self._beside(name, Attach(side, 2 * BREAK, words), own, highs, lows, first)

    def _beside(
        self, name: str, attach: Attach, own: list[Pin], highs: list[_Alone], lows: list[_Alone], first: int
    ) -> Iterator[tuple[bool, PotentialGap]]:
        """Yield the ways between a part of a string on the link and another part that is not.

        With the link charged by the string itself the part stands as in the whole string.
        """
        sides = (-1, 1)
        attaches = [attach, *(attach._replace(side=to, both=True, far=to != attach.side) for to in sides)]
        pairs = [*self._hung(name, attaches, "", first), *product(attaches, own)]
        for each in self._moved(pairs, name, ""):
            form = T if each.attach.side < 0 else A
            for loose in lows if each.high else highs:
                edge = Addend("edge of a part at chassis", (-1 if each.high else 1) * loose.amount)
                parts = (1 if each.high else -1, each), loose.words, edge
                forms = (form, loose.form) if each.high else (loose.form, form)
                amount = (each.amount - loose.amount) if each.high else (loose.amount - each.amount)
                for way in self._kept(PotentialGap(*forms, amount, each.code + loose.code, parts)):
                    yield each.high is (attach.side < 0), way

    def _across(
        self, falls: bool, high: int, low: int, moves: int, below: Attach, link: LinkVoltage, unheld: int
    ) -> Iterator[tuple[bool, PotentialGap]]:
        voltage = -link.voltage if falls else link.voltage
        parts = (
            below.words,
            link.words,
            Addend(f"allowance of {below.opening}", moves, "arc and overshoot"),
            Addend("link voltage", voltage, link.words),
        )
        for way in self._kept(PotentialGap(high, low, moves + voltage, BREAK + link.code + unheld, parts)):
            yield falls, way
