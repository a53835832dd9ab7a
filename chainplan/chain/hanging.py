"""How strings hang on the DC link, and where chassis can stand to them: the states isolation is judged in.

A state is a way in which every string's contactors stand, a link voltage, and abnormal conditions. What
cells, closed contactors and the link join hangs rigidly together; that lies to chassis as an earth fault
nails it, or as its leakage does. All voltages are whole uV.

**Strings.** Each is open, hangs on the link by one pole, or is joined to it by both: they are switched on one
by one. By the pole that closes first that is no fault; by the other alone it is a stuck contactor. A break
lets a string's lower part hang on L- and its upper part on L+.

**Link.** Discharged (0 V), charged by another string, or at any voltage up to that of an external source;
extremes count, as all is linear in it. A string joined by both poles gives the link its own voltage.

**Overshoot.** While a break opens under current its allowance stands somewhere in the loop of lower part,
link and upper part: discharging, it pushes the lower part up, or the upper part or L+ down, whichever is
worse; charging, the other way round. Breaks of several strings each add their own; of two in one string none
does, as the first ends the current.

**Leakage.** How the leakages of several strings compare is not used, as insulation ages apart: where some
hang together, chassis may stand where any one of them alone would put it; a broken string, at either pole.
A string without leakage in the plan may put it at any of its conductors.

**Cells** count from empty to full, each for itself, whichever is worse.

States that are impossible, or no worse than one with fewer conditions, are not written down: two earth faults
in what hangs together (a short circuit), more than two open breaks of one string, a break in a string on one
pole that takes part in nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from math import ceil, floor
from typing import NamedTuple

from chainplan.chain.floating import Floating
from chainplan.chain.network import Break, CellString
from chainplan.plan.conditions import ABNORMAL, WORDS, combination_name
from chainplan.plan.layout import InsulationRules

_BITS = 3
_CODES = {word: 1 << _BITS * place for place, word in enumerate(WORDS)}
ONE, OPEN, BREAK, STUCK, FAULT = _CODES.values()
"""Codes of single conditions; those of a combination are their sum."""


@cache
def counts(code: int) -> dict[str, int]:
    """Return how often each condition stands in a combination."""
    return {word: code // unit % (1 << _BITS) for word, unit in _CODES.items()}


@cache
def weight(code: int) -> int:
    """Return what sorts combinations: abnormal conditions, then what else is in them."""
    found = counts(code)
    return 100 * sum(found[word] for word in ABNORMAL) + sum(found.values())


@cache
def holds_all_of(code: int, other: int) -> bool:
    """Tell whether a combination has all conditions of another."""
    mine, theirs = counts(code), counts(other)
    return all(mine[word] >= theirs[word] for word in WORDS)


def name_of(code: int) -> str:
    """Return a combination's name; what is no fault stands once, of however many strings."""
    found = counts(code)
    return combination_name({word: found[word] if word in ABNORMAL else found[word] > 0 for word in WORDS})


class Rules:
    """Which states count: conditions together, the pole that closes first, a source, what is left out.

    Rules that let the same states count are equal, whatever else the plan asks of the insulation.
    """

    def __init__(self, rules: InsulationRules) -> None:
        self.together = rules.conditions_together
        self.first_poles = (-1, 1) if rules.first_pole is None else (-1 if rules.first_pole == "HV-" else 1,)
        self.source = None if rules.external is None else rules.external.voltage.max
        self.earthed = rules.external is not None and rules.external.earthed
        self.left_out = tuple(rules.leave_out)
        self._all = self.together, self.first_poles, self.source, self.earthed, self.left_out
        self._known: dict[int, bool] = {}
        self._left_out = [
            {word: name.split(" + ").count(word) for word in WORDS if word in name}
            for name in rules.leave_out
        ]
        self.bound = not any(map(self.allow, (OPEN, ONE, STUCK)))
        """No string is ever off the link or on it by one pole: a whole one holds the link's voltage."""
        named = {word for each in self._left_out for word in each}
        self.mask = sum(unit * 7 for word, unit in _CODES.items() if word in ABNORMAL or word in named)
        """What is kept of a code: conditions that are no faults count only where the plan leaves some out."""

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Rules) and self._all == other._all

    def __hash__(self) -> int:
        return hash(self._all)

    def allow(self, code: int) -> bool:
        """Tell whether a combination counts: not too many conditions, and not left out by the plan."""
        known = self._known.get(code)
        if known is None:
            found = counts(code)
            known = self._known[code] = sum(found[word] for word in ABNORMAL) <= self.together and not any(
                all(found[word] >= least for word, least in each.items()) for each in self._left_out
            )
        return known


class Addend(NamedTuple):
    """A part of a state's arithmetic: what it is called, uV, how it comes in."""

    label: str
    amount: int
    how: str = ""


class Attach(NamedTuple):
    """How a conductor hangs on the link: by the cells below it on L- (side -1), or those above on L+ (+1).

    ``up`` and ``down`` are the overshoot that can move it; with ``both`` poles joined the link has its
    string's own voltage.
    """

    side: int
    code: int
    words: str
    up: int = 0
    down: int = 0
    both: bool = False
    opening: str = ""
    far: bool = False
    """Seen across a break from the other pole, so that the overshoot of another string at the link counts."""


class Pin(NamedTuple):
    """Where a fault or leakage can hold chassis: from `low` to `high` uV above the link's pole of a side.

    ``words`` say what holds it at `low` and at `high`. With ``both`` its string is joined by both poles and
    gives the link its voltage.
    """

    side: int
    code: int
    low: int
    high: int
    words: tuple[str, str]
    string: str = ""
    both: bool = False


class LinkVoltage(NamedTuple):
    """A voltage of the link, L+ above L-."""

    voltage: int
    code: int
    words: str
    held: bool = False
    """It is the voltage of a whole string beside those that are looked at."""


class Linked(NamedTuple):
    """How far what hangs on the link is moved against chassis: `amount`, signed, and why."""

    amount: int
    code: int
    attach: Attach
    pin: Pin
    link: LinkVoltage | None
    high: bool

    @property
    def words(self) -> Iterator[str]:
        """Return the state in words, part by part."""
        yield self.attach.words
        yield self.pin.words[0 if self.high else 1]
        if self.link is not None:
            yield self.link.words

    def addends(self, sign: int) -> Iterator[Addend]:
        """Yield what moves it, `sign` times."""
        moved = self.attach.up if self.high else self.attach.down
        yield Addend(f"allowance of {self.attach.opening}", sign * moved, "arc and overshoot")
        if self.link is not None:
            yield Addend("link voltage", sign * self.attach.side * self.link.voltage, self.link.words)
        chassis = self.pin.low if self.high else self.pin.high
        pole = "L-" if self.pin.side < 0 else "L+"
        words = self.pin.words[0 if self.high else 1]
        yield Addend(f"chassis above {pole}", -sign * chassis, words)


def pole_alone(side: int, first: int) -> int:
    """Return the code of a string that hangs by one pole alone."""
    return ONE if side == first else STUCK


def attachments(string: CellString, region: int, first: int) -> Iterator[Attach]:
    """Yield how the conductors of a string between two breaks, or a pole, can hang on the link.

    `region` is the number of breaks below them.
    """
    yield from whole_attachments(string, first)
    yield from broken_attachments(string, region)


def whole_attachments(string: CellString, first: int) -> Iterator[Attach]:
    """Yield how every conductor of a string can hang on the link: whole, or moved while it is charged."""
    name = string.name
    largest = max(range(len(string.breaks)), key=lambda number: string.breaks[number].allowance, default=None)
    for side, pole in ((-1, "HV-"), (1, "HV+")):
        yield Attach(side, pole_alone(side, first), f"{name} on {pole} alone")
        yield Attach(side, 0, f"{name} joined by both poles", both=True)
        if largest is not None:  # open while the link has the string's own voltage
            yield broken(string, side, largest)._replace(both=True)


def broken_attachments(string: CellString, region: int) -> Iterator[Attach]:
    """Yield how the conductors below or above an open break hang on the link."""
    for side, numbers in ((-1, range(region, len(string.breaks))), (1, range(region))):
        if numbers:
            largest = max(numbers, key=lambda number: string.breaks[number].allowance)
            attach = broken(string, side, largest)
            yield attach
            yield attach._replace(side=-side, both=True, far=True)


def broken(string: CellString, side: int, number: int) -> Attach:
    """Return how the part below (side -1) or above (+1) an open break hangs, joined by both poles."""
    opening = string.breaks[number]
    words = f"{opening.name} of {string.name} open"
    return Attach(side, BREAK, words, opening.allowance, -opening.allowance, opening=opening.name)


def pins_of(string: CellString, floating: Floating, first: int) -> Iterator[Pin]:
    """Yield where a string that hangs on the link can hold chassis, by a fault or its leakage."""
    name, full, empty = string.name, string.voltage, string.empty[-1]
    least, most = floating.share
    leaks = f"leakage of {name}"
    faults = f"earth fault at HV- of {name}", f"earth fault at HV+ of {name}"
    for side, pole in ((-1, "HV-"), (1, "HV+")):
        alone, hung = pole_alone(side, first), f"{name} on {pole} alone"
        low, high = (0, full) if side < 0 else (-full, 0)
        yield Pin(side, alone + FAULT, low, high, (f"{hung}, {faults[0]}", f"{hung}, {faults[1]}"), name)
        low, high = floor(least * empty), ceil(most * full)
        if side > 0:
            low, high = -ceil((1 - least) * full), -floor((1 - most) * empty)
        yield Pin(side, alone, low, high, (f"{hung}, {leaks}",) * 2, name)
        yield Pin(side, 0, low, high, (f"{name} joined by both poles, {leaks}",) * 2, name, both=True)
        if not string.breaks:
            continue
        yield Pin(side, BREAK + alone, 0, 0, (f"{hung} and broken, {leaks}",) * 2, name)
        far = max(range(len(string.breaks)), key=lambda number: broken_span(string, side, number))
        place, span = f"{string.breaks[far].name} of {name} open", broken_span(string, side, far)
        arc = max(each.allowance for each in string.breaks)
        if side < 0:
            low, high, ends = -arc, span, (faults[0], "earth fault at its lower edge")
        else:
            low, high, ends = -span, arc, ("earth fault at its upper edge", faults[1])
        yield Pin(side, BREAK + FAULT, low, high, (f"{place}, {ends[0]}", f"{place}, {ends[1]}"), name)
        if floating.determined:
            low, high = -arc, arc
        yield Pin(side, BREAK, low, high, (f"{place}, {leaks}",) * 2, name)


def broken_span(string: CellString, side: int, number: int) -> int:
    """Return how far the edge of an open break stands from the link's pole on a side, overshoot included."""
    opening = string.breaks[number]
    edge = string.taps[opening.cells_below]
    return (edge if side < 0 else string.voltage - edge) + opening.allowance


def link_pins(*, earthed: bool) -> Iterator[Pin]:
    """Yield the link's own poles as places of chassis: an earth fault, or an earthed source."""
    code, what = (0, "source earthed") if earthed else (FAULT, "earth fault")
    for side, pole in ((-1, "L-"), (1, "L+")):
        yield Pin(side, code, 0, 0, (f"{what} at {pole}",) * 2)


def lowest_links(others: Iterable[CellString]) -> Iterator[LinkVoltage]:
    """Yield how low the link can stand: discharged, and pulled below 0 V by a break in another string."""
    yield LinkVoltage(0, 0, "DC link discharged")
    largest = max((each for string in others for each in string.breaks), key=_allowance, default=None)
    if largest is not None and largest.allowance:
        yield LinkVoltage(
            -largest.allowance, BREAK, f"DC link discharged, {largest.name} of another string opens"
        )


def highest_links(
    charging: Iterable[CellString], others: Iterable[CellString], source: int | None
) -> Iterator[LinkVoltage]:
    """Yield how high the link can stand: charged by a string, or by an external source as a break opens."""
    charged = max((string.voltage for string in charging), default=0)
    if source is None or source <= charged:
        yield LinkVoltage(charged, 0, "DC link charged", held=charged > 0)
    else:
        yield LinkVoltage(source, 0, "DC link at the external source's voltage")
    largest = max((each for string in others for each in string.breaks), key=_allowance, default=None)
    if largest is not None and largest.allowance:
        words = f"charging, {largest.name} of another string opens"
        yield LinkVoltage(max(source or 0, charged) + largest.allowance, BREAK, words)


def _allowance(opening: Break) -> int:
    return opening.allowance


Move = tuple[int, int, LinkVoltage | None, bool]
"""How far a conductor is moved, under which conditions, by which link voltage; whether up."""


def moves(
    attach: Attach, pin: Pin, lowest: Sequence[LinkVoltage], highest: Sequence[LinkVoltage]
) -> Sequence[Move]:
    """Return how far a conductor that hangs so is moved against chassis that is held so: up, and down."""
    if attach.both and pin.both:
        return ()  # in parallel: as the string by itself, with the other's leakage
    code, side = attach.code + pin.code, attach.side
    found: list[Move]
    if side == pin.side:
        up, down = attach.up - pin.low, attach.down - pin.high
        found = [(up, code, None, True), (down, code, None, False)]
        for each in lowest[1:] if attach.far else ():
            arc, more = -each.voltage, code + each.code
            found.append((up + arc, more, each._replace(voltage=side * arc), True))
            found.append((down - arc, more, each._replace(voltage=-side * arc), False))
        return found
    if attach.both or pin.both:
        return ()  # the link has the voltage of that string: the same conductor seen from the other pole
    highs, lows = (lowest, highest) if side < 0 else (highest, lowest)
    return (
        *[(attach.up + side * each.voltage - pin.low, code + each.code, each, True) for each in highs],
        *[(attach.down + side * each.voltage - pin.high, code + each.code, each, False) for each in lows],
    )
