"""Which items of two lists belong together: equal ones first, then those that differ least.

An item put into the middle of a list is one insertion, not a change of every item behind it.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from difflib import SequenceMatcher

Pair = tuple[int | None, int | None]
"""Indices into both lists; None where an item has no partner."""

APART = 1.0
"""Cost of two items that are left without a partner; what costs as much to pair is not paired."""

_MOST_PAIRS = 40_000
"""Pairs of unequal items that are weighed against one another; longer stretches are paired by position."""

Cost = Callable[[int, int], float]


def align(old: Sequence[Hashable], new: Sequence[Hashable], cost: Cost | None = None) -> list[Pair]:
    """Return the items of both lists in order, those that belong together as one pair.

    `cost` says how unlike two unequal items are (by their indices), 0 to `APART`; without it only equal items
    are paired. With the lists exchanged, the same pairs come out exchanged, if the cost is symmetric.
    """
    # Among alignments that are equally good, the matcher prefers early items of its first list.
    if repr(old) > repr(new):
        mirrored = None if cost is None else lambda first, second: cost(second, first)
        return [(first, second) for second, first in _aligned(new, old, mirrored)]
    return _aligned(old, new, cost)


def _aligned(old: Sequence[Hashable], new: Sequence[Hashable], cost: Cost | None) -> list[Pair]:
    found: list[Pair] = []
    for tag, start, end, other_start, other_end in SequenceMatcher(
        None, old, new, autojunk=False
    ).get_opcodes():
        first, second = range(start, end), range(other_start, other_end)
        if tag == "equal":
            found += zip(first, second, strict=True)
        elif cost is None or not (first and second):
            found += _apart(first, second)
        else:
            found += _by_likeness(first, second, cost)
    return found


def _apart(old: Sequence[int], new: Sequence[int]) -> Iterator[Pair]:
    yield from ((index, None) for index in old)
    yield from ((None, index) for index in new)


def _by_likeness(old: range, new: range, cost: Cost) -> list[Pair]:
    """Return the cheapest pairing that keeps the order of both (the recurrence of the edit distance)."""
    if len(old) * len(new) > _MOST_PAIRS:
        both = min(len(old), len(new))
        return [*zip(old[:both], new[:both], strict=True), *_apart(old[both:], new[both:])]
    prices = [[cost(first, second) for second in new] for first in old]
    # rest[i][j]: least cost of all items from old[i] and new[j] on
    rest = [
        [APART / 2 * (len(old) - i + len(new) - j) for j in range(len(new) + 1)] for i in range(len(old) + 1)
    ]
    for i in reversed(range(len(old))):
        for j in reversed(range(len(new))):
            single = APART / 2 + min(rest[i + 1][j], rest[i][j + 1])
            paired = prices[i][j] + rest[i + 1][j + 1] if prices[i][j] < APART else single
            rest[i][j] = min(single, paired)
    return list(_walk(old, new, prices, rest))


def _walk(old: range, new: range, prices: list[list[float]], rest: list[list[float]]) -> Iterator[Pair]:
    i = j = 0
    while i < len(old) and j < len(new):
        if prices[i][j] < APART and rest[i][j] == prices[i][j] + rest[i + 1][j + 1]:
            yield old[i], new[j]
            i, j = i + 1, j + 1
        elif rest[i][j] == APART / 2 + rest[i + 1][j]:
            yield old[i], None
            i += 1
        else:
            yield None, new[j]
            j += 1
    yield from _apart(old[i:], new[j:])
