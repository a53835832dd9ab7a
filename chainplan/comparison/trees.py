"""Two trees of plain data, mappings and lists, and what it takes to turn one into the other."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from itertools import chain, takewhile
from typing import Literal, NamedTuple

from chainplan.comparison.alignment import APART, align
from chainplan.plan.problems import KeyPath

Step = str | int
Kind = Literal["changed", "added", "removed", "moved", "reordered"]


class Tree(NamedTuple):
    """A value, a mapping or a list of a plan.

    `meaning` is equal for two trees that mean the same, whatever they look like. `paths` are where the file
    has it, or would have what was left out: several where what was written in several items is one thing.
    """

    meaning: Hashable
    paths: tuple[KeyPath, ...] = ()
    entries: Mapping[Step, Tree] | None = None
    items: tuple[Tree, ...] | None = None
    in_order: bool = False
    """The order of a mapping's entries matters."""
    written: bool = True


class Difference(NamedTuple):
    """One thing that is not the same. A side is None where nothing stands in for what the other side has."""

    kind: Kind
    path: KeyPath
    """Where it is, in steps of the newer tree as far as it has them; items of lists by their number there."""
    old: Tree | None
    new: Tree | None


def leaf(value: Hashable, *paths: KeyPath, written: bool = True) -> Tree:
    """Return a single value; to Python `true` is 1, to a reader it is not."""
    return Tree((isinstance(value, bool), value), paths, written=written)


def mapping(
    entries: Mapping[Step, Tree], *paths: KeyPath, in_order: bool = False, written: bool = True
) -> Tree:
    """Return a mapping; with `in_order` the order of its entries counts."""
    pairs = [(key, tree.meaning) for key, tree in entries.items()]
    if not in_order:
        pairs.sort(key=lambda pair: (isinstance(pair[0], str), pair[0]))
    return Tree(("mapping", *pairs), paths, entries, None, in_order, written)


def listing(items: tuple[Tree, ...], *paths: KeyPath, written: bool = True) -> Tree:
    """Return a list."""
    return Tree(("list", *(item.meaning for item in items)), paths, None, items, written=written)


def differences(old: Tree, new: Tree, path: KeyPath = ()) -> Iterator[Difference]:
    """Yield what is not the same, in the order of the newer tree, each where it is as deep as can be."""
    if old.meaning == new.meaning:
        return
    if old.entries is not None and new.entries is not None:
        yield from _in_mappings(old, new, path)
    elif old.items is not None and new.items is not None:
        yield from _in_lists(old.items, new.items, path)
    else:
        yield Difference("changed", path, old, new)


def _in_mappings(old: Tree, new: Tree, path: KeyPath) -> Iterator[Difference]:
    before, after = old.entries or {}, new.entries or {}
    for key in (*after, *(key for key in before if key not in after)):
        here = (*path, key)
        if key not in before:
            yield Difference("added", here, None, after[key])
        elif key not in after:
            yield Difference("removed", here, before[key], None)
        elif _is_whole(before[key]) and _is_whole(after[key]):
            yield from differences(before[key], after[key], here)
        elif before[key].meaning != after[key].meaning:
            yield Difference("changed", here, before[key], after[key])
    common = [key for key in before if key in after]
    if new.in_order and common != [key for key in after if key in before]:
        yield Difference("reordered", path, old, new)


def _in_lists(old: tuple[Tree, ...], new: tuple[Tree, ...], path: KeyPath) -> Iterator[Difference]:
    meanings = [item.meaning for item in old], [item.meaning for item in new]
    pairs = align(*meanings, lambda first, second: _unlike(old[first], new[second]))
    gone = [first for first, second in pairs if second is None and first is not None]
    moved: dict[int, int] = {}
    for first, second in pairs:
        if first is None and second is not None:
            source = next((each for each in gone if old[each].meaning == new[second].meaning), None)
            if source is not None:
                gone.remove(source)
                moved[second] = source
    for first, second in pairs:
        if second is None:
            if first is not None and first in gone:
                yield Difference("removed", (*path, first), old[first], None)
        elif first is not None:
            if _is_whole(old[first]) and _is_whole(new[second]):
                yield from differences(old[first], new[second], (*path, second))
            elif old[first].meaning != new[second].meaning:
                yield Difference("changed", (*path, second), old[first], new[second])
        elif second in moved:
            yield Difference("moved", (*path, second), old[moved[second]], new[second])
        else:
            yield Difference("added", (*path, second), None, new[second])


def _is_whole(tree: Tree) -> bool:
    """Tell whether a tree stands in its file as one thing, so that its parts have places of their own."""
    return len(tree.paths) <= 1


def _unlike(old: Tree, new: Tree) -> float:
    """Return how unlike two items are: the share of their parts that differ; not alike at all is `APART`.

    Parts that both have count a quarter as alike though they differ. Two texts are the more alike, the longer
    the beginning they share.
    """
    before, after = dict(_leaves(old, ())), dict(_leaves(new, ()))
    if (old.entries is None) != (new.entries is None) or (old.items is None) != (new.items is None):
        return APART
    if old.entries is None and old.items is None:
        return APART * (0.9 - 0.5 * _shared_beginning(str(before[()]), str(after[()])))
    keys = [key for key in {**before, **after} if before.get(key) is not None or after.get(key) is not None]
    alike = sum(
        1.0 if before.get(key) == after.get(key) else 0.25 for key in keys if _both(key, before, after)
    )
    return APART * (1 - alike / max(1, len(keys)))


def _both(key: KeyPath, before: Mapping[KeyPath, Hashable], after: Mapping[KeyPath, Hashable]) -> bool:
    return before.get(key) is not None and after.get(key) is not None


def _shared_beginning(first: str, second: str) -> float:
    """Return the share of two texts that is their common beginning."""
    shared = takewhile(lambda pair: pair[0] == pair[1], zip(first, second, strict=False))
    return sum(1 for _ in shared) / max(len(first), len(second), 1)


def _leaves(tree: Tree, path: KeyPath) -> Iterator[tuple[KeyPath, Hashable]]:
    """Yield the values in a tree that were written, and None for those that were not."""
    if tree.entries is None and tree.items is None:
        yield path, tree.meaning if tree.written or not path else None
        return
    parts = chain((tree.entries or {}).items(), enumerate(tree.items or ()))
    for key, part in parts:
        yield from _leaves(part, (*path, key))
