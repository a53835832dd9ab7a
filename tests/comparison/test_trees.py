"""Differences of two trees of plain data, checked against a general library that finds such differences."""

from __future__ import annotations

import copy
from collections.abc import Hashable
from typing import Any

import pytest
from deepdiff import DeepDiff
from hypothesis import given, settings
from hypothesis import strategies as st

from chainplan.comparison.alignment import align
from chainplan.comparison.trees import Difference, Tree, differences, leaf, listing, mapping
from chainplan.plan.problems import KeyPath

NAMES = st.sampled_from(["a", "b", "c", "d"])
LEAVES = st.sampled_from([0, 1, 2, "x", "xy", "z"])


def data(*, lists: bool) -> st.SearchStrategy[Any]:
    """Draw a mapping of plain data; without lists, every part of it has one name."""

    def grow(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
        mappings = st.dictionaries(NAMES, inner, max_size=4)
        return mappings | st.lists(inner, max_size=5) if lists else mappings

    return st.dictionaries(NAMES, st.recursive(LEAVES, grow, max_leaves=8), max_size=3)


def tree_of(value: Any, path: KeyPath = ()) -> Tree:
    if isinstance(value, dict):
        return mapping({key: tree_of(part, (*path, key)) for key, part in value.items()}, path)
    if isinstance(value, list):
        return listing(tuple(tree_of(part, (*path, number)) for number, part in enumerate(value)), path)
    return leaf(value, path)


def found(old: Any, new: Any) -> list[Difference]:
    return list(differences(tree_of(old), tree_of(new)))


def plain(tree: Tree | None) -> Any:
    assert tree is not None
    if tree.entries is not None:
        return {key: plain(part) for key, part in tree.entries.items()}
    if tree.items is not None:
        return [plain(part) for part in tree.items]
    return tree.meaning[1]  # type: ignore[index]


# Against deepdiff, version 9, a general library of other people.


@settings(max_examples=40)
@given(data(lists=False), data(lists=False))
def test_of_mappings_exactly_what_the_library_finds(old: Any, new: Any) -> None:
    # By default it calls two mappings with little in common one change of the whole.
    theirs = DeepDiff(old, new, view="tree", threshold_to_diff_deeper=0)
    kinds = {
        "values_changed": "changed",
        "type_changes": "changed",
        "dictionary_item_added": "added",
        "dictionary_item_removed": "removed",
    }
    assert set(theirs) <= set(kinds)
    wanted = {
        (kinds[kind], tuple(each.path(output_format="list"))) for kind in theirs for each in theirs[kind]
    }
    assert {(each.kind, each.path) for each in found(old, new)} == wanted


@settings(max_examples=40)
@given(data(lists=True), data(lists=True))
def test_the_differences_turn_one_tree_into_the_other(old: Any, new: Any) -> None:
    patched = patch(copy.deepcopy(old), found(old, new))
    assert DeepDiff(patched, new) == {}


@settings(max_examples=40)
@given(data(lists=True), data(lists=True))
def test_nothing_differs_where_the_library_finds_nothing(old: Any, new: Any) -> None:
    assert (found(old, new) == []) == (DeepDiff(old, new) == {})


def patch(old: Any, changes: list[Difference]) -> Any:
    """Apply differences: what goes is taken out at its old place, what comes is put in at its new one."""
    gone = [path_in(each.old) for each in changes if each.old is not None and each.kind != "changed"]
    come = [(path_in(each.new), plain(each.new)) for each in changes if each.new and each.kind != "changed"]
    for each in changes:
        if each.kind == "changed":
            put(old, path_in(each.old), plain(each.new))
    for path in sorted(gone, key=depth_first):
        del at(old, path[:-1])[path[-1]]
    # Paths that come lie in the new tree: their parents are there by then, so by length and then by number.
    for path, value in sorted(come, key=lambda pair: (len(pair[0]), *map(rank, pair[0]))):
        parent = at(old, path[:-1])
        if isinstance(parent, list):
            parent.insert(int(path[-1]), value)
        else:
            parent[path[-1]] = value
    return old


def path_in(tree: Tree | None) -> KeyPath:
    assert tree is not None
    return tree.paths[0]


def rank(step: str | int) -> tuple[bool, int, str]:
    return isinstance(step, str), step if isinstance(step, int) else 0, str(step)


def depth_first(path: KeyPath) -> tuple[Any, ...]:
    return -len(path), *(-step if isinstance(step, int) else 0 for step in path)


def at(value: Any, path: KeyPath) -> Any:
    for step in path:
        value = value[step]
    return value


def put(value: Any, path: KeyPath, new: Any) -> None:
    at(value, path[:-1])[path[-1]] = new


# Their properties.


@settings(max_examples=40)
@given(data(lists=True))
def test_nothing_differs_from_itself(old: Any) -> None:
    assert found(old, copy.deepcopy(old)) == []


MIRRORED = {"added": "removed", "removed": "added"}


def facts(each: Difference) -> tuple[str, Hashable, Hashable]:
    old, new = (None if side is None else (side.paths[0], side.meaning) for side in (each.old, each.new))
    return each.kind, old, new


@settings(max_examples=40)
@given(data(lists=True), data(lists=True))
def test_the_other_way_round_the_same_differences_are_mirrored(old: Any, new: Any) -> None:
    forth = {facts(each) for each in found(old, new)}
    back = {
        (MIRRORED.get(kind, kind), after, before)
        for kind, before, after in (facts(each) for each in found(new, old))
    }
    assert forth == back


def test_one_item_put_in_is_one_insertion() -> None:
    old = [{"type": "small", "count": number} for number in range(1, 30)]
    new = [*old[:10], {"type": "large", "count": 3}, *old[10:]]
    (only,) = found({"boards": old}, {"boards": new})
    assert (only.kind, only.path) == ("added", ("boards", 10))


def test_an_item_that_differs_in_one_part_is_that_part_alone() -> None:
    old = [{"type": "small", "count": 2}, {"type": "large", "count": 3}]
    new = [{"type": "small", "count": 2}, {"type": "large", "count": 4}]
    assert [(each.kind, each.path) for each in found({"l": old}, {"l": new})] == [
        ("changed", ("l", 1, "count"))
    ]


def test_items_with_nothing_in_common_are_not_paired() -> None:
    old, new = {"l": [{"fuse": "main"}]}, {"l": [{"modules": 4}]}
    assert {each.kind for each in found(old, new)} == {"added", "removed"}


def test_an_item_at_another_place_has_moved() -> None:
    assert [each.kind for each in found({"l": ["x", "y", "z"]}, {"l": ["y", "z", "x"]})] == ["moved"]


def test_the_order_of_a_mapping_counts_where_it_does() -> None:
    first: dict[str | int, Tree] = {"x": leaf(1), "y": leaf(2)}
    second: dict[str | int, Tree] = {"y": leaf(2), "x": leaf(1)}
    assert not list(differences(mapping(first, ()), mapping(second, ())))
    (only,) = differences(mapping(first, (), in_order=True), mapping(second, (), in_order=True))
    assert only.kind == "reordered"


@pytest.mark.parametrize(("old", "new"), [(True, 1), (False, 0), ("1", 1)])
def test_kinds_of_values_are_kept_apart(old: Any, new: Any) -> None:
    assert [each.kind for each in found({"a": old}, {"a": new})] == ["changed"]


# Alignment.


@given(st.lists(st.integers(0, 3), max_size=12), st.lists(st.integers(0, 3), max_size=12))
def test_an_alignment_has_every_item_once_and_in_order(old: list[int], new: list[int]) -> None:
    for pairs in (align(old, new), align(old, new, lambda first, second: abs(old[first] - new[second]) / 4)):
        assert [first for first, _ in pairs if first is not None] == list(range(len(old)))
        assert [second for _, second in pairs if second is not None] == list(range(len(new)))


def test_long_lists_are_aligned_all_the_same() -> None:
    old, new = list(range(1000)), list(range(2000, 3000))
    pairs = align(old, new, lambda *_: 0.5)
    assert pairs == [(number, number) for number in range(1000)]
