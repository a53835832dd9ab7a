"""Shorten lists of names: consecutive numbers become a range, ``line-1..200``.

Copies of a part are numbered, and so are the boards of a string and the segments of a chain; a list of
hundreds of such names says no more than their first and last number.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

LEAST = 3
"""Names that a range stands for at least; two are as quickly read as they are."""

_NUMBER = re.compile(r"([0-9]+)")
_ENDS_WORD = re.compile(r"$|[,;:]? ")


class Named(NamedTuple):
    """One name, or a range of them, and how many names that is."""

    text: str
    size: int


class _Split(NamedTuple):
    """A name split at its numbers, which stand at the odd places, and how many names it is."""

    parts: list[str]
    size: int


class _Step(NamedTuple):
    """How a name goes on from the one before it: the places of the number that counts, and up or down."""

    places: tuple[int, ...]
    by: int


def in_ranges(names: Iterable[str]) -> list[Named]:
    """Return names in their order; three or more that only count on, up or down by one, are one range.

    A number may stand anywhere in a name, and in several words of it, as in ``rack-2: main-2``; then all of
    them count. Numbers with leading zeros count on at the same length. What counts within a word is set
    apart, and ranges that only count on are one range in turn: ``main-(1..200).1..50``.
    """
    ranges = [each for run in _runs([Named(name, 1) for name in names]) for each in _written(run)]
    return [each for run in _runs(ranges) for each in _written(run)]


def _runs(names: Iterable[Named]) -> Iterator[list[_Split]]:
    """Yield names split at their numbers, in runs that only count on."""
    run: list[_Split] = []
    step: _Step | None = None
    for name in names:
        parts = _Split(_NUMBER.split(name.text), name.size)
        taken = _step(run[-1].parts, parts.parts) if run else None
        if taken and (len(run) == 1 or taken == step):
            run.append(parts)
        else:
            if run:
                yield run
            run = [parts]
        step = taken
    if run:
        yield run


def _step(before: list[str], after: list[str]) -> _Step | None:
    """Return how names split at their numbers differ, if by one number only that counts on."""
    if len(before) != len(after):
        return None
    places = tuple(place for place, part in enumerate(after) if part != before[place])
    changes = {(before[place], after[place]) for place in places}
    if len(changes) != 1 or not all(place % 2 for place in places):
        return None
    if any(" " not in "".join(after[one + 1 : other]) for one, other in pairwise(places)):
        return None  # within one word two ranges would read as all combinations
    one, other = changes.pop()
    by = int(other) - int(one)
    same_form = len(one) == len(other) or not any(len(each) > 1 and each[0] == "0" for each in (one, other))
    return _Step(places, by) if abs(by) == 1 and same_form else None


def _written(run: list[_Split]) -> Iterator[Named]:
    if len(run) < LEAST:
        for name in run:
            yield Named("".join(name.parts), name.size)
        return
    first, last = run[0].parts, run[-1].parts
    text = ""
    for place, part in enumerate(first):
        if part == last[place]:
            text += part
        else:
            numbers = f"{part}..{last[place]}"
            text += numbers if _ENDS_WORD.match(first[place + 1]) else f"({numbers})"
    yield Named(text, sum(name.size for name in run))
