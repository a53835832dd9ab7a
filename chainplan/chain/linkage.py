"""How far strings on the DC link are moved against chassis, by each set of conditions.

What holds chassis is a fault or the leakage of something on the link; strings alike stand for one another, so
a few of each kind are looked at, however many there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cache

from chainplan.chain.floating import Floating, Share, chassis_share, floating_strings
from chainplan.chain.hanging import (
    BREAK,
    FAULT,
    Attach,
    Linked,
    LinkVoltage,
    Pin,
    Rules,
    broken,
    broken_attachments,
    broken_span,
    highest_links,
    holds_all_of,
    link_pins,
    lowest_links,
    moves,
    pins_of,
    weight,
    whole_attachments,
)
from chainplan.chain.network import CellString

_REPRESENTED = 4
"""Strings alike of which one may be needed: a state is about three at most, and one beside them."""


_Moves = dict[tuple[int, bool, int], tuple[int, Attach, Pin, LinkVoltage | None]]
"""By side, direction and conditions: how far, and what makes it."""


def _needed(found: _Moves) -> Iterator[Linked]:
    """Yield the moves that no other outdoes with a part of its conditions."""
    groups: dict[tuple[int, bool], list[tuple[int, int]]] = {}
    for (side, high, code), (amount, *_) in found.items():
        groups.setdefault((side, high), []).append((code, amount if high else -amount))
    for (side, high), every in groups.items():
        kept: list[tuple[int, int]] = []
        for code, most in sorted(every, key=lambda each: (-each[1], weight(each[0]))):
            if not any(holds_all_of(code, other) for other, _ in kept):
                kept.append((code, most))
                amount, attach, pin, link = found[side, high, code]
                yield Linked(amount, code, attach, pin, link, high)


class Linkage:
    """How a pack's strings move on the link, under the plan's rules; found when asked for and kept."""

    def __init__(self, strings: dict[str, CellString], rules: Rules) -> None:
        self.strings = strings
        self._rules = rules
        kinds: dict[object, list[CellString]] = {}
        for each in strings.values():
            places = tuple((opening.cells_below, opening.allowance) for opening in each.breaks)
            alike = kinds.setdefault((each.taps, each.empty, places, each.insulation_resistance), [])
            if len(alike) < _REPRESENTED:
                alike.append(each)
        self._kinds = list(kinds.values())
        shares = {each.name: chassis_share([each.insulation_resistance]) for each in strings.values()}
        self.floating = floating_strings(strings, shares)
        self._link_pins = tuple(link_pins(earthed=rules.earthed))
        self._string_pins = cache(
            lambda name, first: tuple(pins_of(strings[name], self.floating[name], first))
        )
        self.joined = cache(self._joined)
        self._whole = cache(self._find_whole)
        self._linked = cache(self._find_linked)
        self._link = cache(self._find_link)

    def _others(self, used: Sequence[str]) -> list[CellString]:
        """Return the strings that are not named, of those alike a few."""
        return [each for alike in self._kinds for each in alike if each.name not in used]

    def _joined(self, name: str, without: str = "") -> Floating:
        """Return how a string stands to chassis with contactors closed: any leakage may decide."""
        string = self.strings[name]
        shares: list[Share] = [self._share(name)]
        for each in self._others((name, without)):
            if each.empty[-1] <= string.voltage and string.empty[-1] <= each.voltage:
                shares.append(self._share(each.name))
        known = [share for share in shares if share is not None]
        share = None
        if len(known) == len(shares):
            share = min(least for least, _ in known), max(most for _, most in known)
        return floating_strings(self.strings, {name: share})[name]

    def _share(self, name: str) -> Share:
        floating = self.floating[name]
        return floating.share if floating.determined else None

    def _find_link(self, own: tuple[str, ...], *others: str) -> tuple[list[LinkVoltage], list[LinkVoltage]]:
        """Return the link's lowest and highest voltages beside strings on it, and others in the state.

        Charged by one of its own strings the link would bring nothing: it stands as if joined by both poles.
        """
        unused = self._others((*own, *others))
        highest = highest_links(self._others(own), unused, self._rules.source)
        return list(lowest_links(unused)), list(highest)

    def _pins(self, used: Sequence[str], first: int) -> Iterator[Pin]:
        yield from self._link_pins
        for alike in self._kinds:
            string = next((each for each in alike if each.name not in used), None)
            if string is not None:
                yield from self._string_pins(string.name, first)

    def _own_pins(self, string: CellString, region: int) -> Iterator[tuple[Attach, Pin]]:
        """Yield how a part of a broken string hangs on the link while its other part holds chassis."""
        count = len(string.breaks)
        for side, openings in ((-1, range(region, count)), (1, range(region))):
            if openings:
                yield from self._held_across(string, side, openings)

    def _held_across(self, string: CellString, side: int, openings: range) -> Iterator[tuple[Attach, Pin]]:
        """Yield these states of the part on one side, whichever one of some breaks is open.

        The part across the break is on the link's other pole. An earth fault nails chassis to any conductor
        of it. Its leakage puts chassis at its pole; where the plan gives none, at any of its conductors.
        """
        name, across, breaks = string.name, -side, string.breaks
        leaving_most = max(openings, key=lambda number: broken_span(string, across, number))
        overshooting_most = max(openings, key=lambda number: breaks[number].allowance)
        cells = broken_span(string, across, leaving_most) - breaks[leaving_most].allowance
        if across > 0:
            span = -cells, 0
            faults = "earth fault at its upper edge", f"earth fault at HV+ of {name}"
        else:
            span = 0, cells
            faults = f"earth fault at HV- of {name}", "earth fault at its lower edge"
        leaks = f"leakage of {name}", f"leakage of {name}"

        facing_most, pushed_most = broken(string, side, leaving_most), broken(string, side, overshooting_most)
        # Where the string itself charges the link, its part stands as in the whole string.
        as_whole = pushed_most._replace(side=across, both=True, far=True)
        leakage_at_pole = Pin(across, 0, 0, 0, leaks)
        yield as_whole, leakage_at_pole
        yield facing_most, Pin(across, FAULT, *span, faults)
        if self.floating[name].determined:
            yield pushed_most, leakage_at_pole
        else:
            yield facing_most, Pin(across, 0, *span, leaks)

    def _hung(
        self, name: str, attaches: Iterable[Attach], without: str, first: int
    ) -> Iterator[tuple[Attach, Pin]]:
        pins = list(self._pins((name, without), first))
        for attach in attaches:
            for pin in pins:
                yield attach, pin

    def _unheld(self, link: LinkVoltage, *used: str) -> int:
        """Return what has to be so that other strings than those named do not hold the link's voltage.

        They are off it, or hang by one pole; where all that is left out, each has to be broken but the one
        whose break is counted already.
        """
        if not self._rules.bound or link.held:
            return 0
        others = len(self.strings) - len(set(used) - {""}) - (link.code > 0)
        return BREAK * max(0, min(others, self._rules.together + 1))

    def _collected(self, pairs: Iterable[tuple[Attach, Pin]], name: str, without: str) -> _Moves:
        """Return the furthest moves against chassis of what hangs so, under each set of conditions."""
        found: _Moves = {}
        mask, allow = self._rules.mask, self._rules.allow
        for attach, pin in pairs:
            for amount, whole, link, high in moves(attach, pin, *self._link((name,), without, pin.string)):
                free = 0 if link is None else self._unheld(link, name, without, pin.string)
                key = attach.side, high, (whole + free) & mask
                known = found.get(key)
                if (known is None or (amount > known[0] if high else amount < known[0])) and allow(key[2]):
                    found[key] = amount, attach, pin, link
        return found

    def _moved(self, pairs: Iterable[tuple[Attach, Pin]], name: str, without: str) -> list[Linked]:
        return list(_needed(self._collected(pairs, name, without)))

    def _find_linked(self, name: str, region: int, without: str, first: int) -> list[Linked]:
        """Return how a string's conductors on the link are moved against chassis."""
        string = self.strings[name]
        found = dict(self._whole(name, without, first))
        broken_ones = broken_attachments(string, region)
        pairs = [*self._hung(name, broken_ones, without, first), *self._own_pins(string, region)]
        for key, each in self._collected(pairs, name, without).items():
            known = found.get(key)
            if known is None or (each[0] > known[0] if key[1] else each[0] < known[0]):
                found[key] = each
        return list(_needed(found))

    def _find_whole(self, name: str, without: str, first: int) -> _Moves:
        attaches = whole_attachments(self.strings[name], first)
        return self._collected(self._hung(name, attaches, without, first), name, without)

    def _outer_pins(self, name: str) -> Iterator[Pin]:
        """Yield where the outer parts of a string with two breaks open, on the link, hold chassis."""
        string = self.strings[name]
        words = f"earth fault at an end of {name}"
        for side, edge in ((-1, string.breaks[0]), (1, string.breaks[-1])):
            tap = string.taps[edge.cells_below]
            span = (0, tap) if side < 0 else (tap - string.voltage, 0)
            yield Pin(side, 0, 0, 0, (f"leakage of {name}",) * 2)
            yield Pin(side, FAULT, *span, (words,) * 2)
