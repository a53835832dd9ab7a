"""The Pareto front, against its definition written out, and against what a stack of layers must be."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from chainplan.study.front import Front, beats, oriented

VECTORS = st.lists(st.tuples(*[st.integers(0, 6)] * 3), max_size=60)


def undominated(vectors: list[tuple[int, ...]]) -> set[tuple[int, ...]]:
    """Return the front by its definition, all against all, with numpy's comparisons."""
    table = np.array(vectors)
    kept = set()
    for vector in vectors:
        no_worse = (table <= vector).all(axis=1)
        better = (table < vector).any(axis=1)
        if not (no_worse & better).any():
            kept.add(vector)
    return kept


@given(VECTORS)
def test_the_front_of_a_stream_is_the_front_of_all(vectors: list[tuple[int, ...]]) -> None:
    front = Front()
    for number, vector in enumerate(vectors, start=1):
        front.add(number, vector)
    members = front.members()
    assert {member.vector for member in members} == (undominated(vectors) if vectors else set())
    assert [member.vector for member in members] == sorted(member.vector for member in members)
    for member in members:
        numbers = [number for number, vector in enumerate(vectors, start=1) if vector == member.vector]
        assert member.count == len(numbers)
        assert member.numbers == numbers[:3]


@given(VECTORS, st.randoms(use_true_random=False))
def test_the_order_of_candidates_does_not_matter(
    vectors: list[tuple[int, ...]], drawn: random.Random
) -> None:
    fronts = []
    for _ in range(2):
        front = Front()
        for number, vector in enumerate(vectors):
            front.add(number, vector)
        fronts.append([member.vector for member in front.members()])
        drawn.shuffle(vectors)
    assert fronts[0] == fronts[1]


def test_a_falling_curve_is_all_front_and_what_lies_beyond_it_is_not() -> None:
    curve = [(step, (100 - step) ** 2) for step in range(100)]
    front = Front()
    for number, vector in enumerate([*((x + 1, y + 1) for x, y in curve), *curve]):
        front.add(number, vector)
    assert [member.vector for member in front.members()] == curve


def test_equal_candidates_do_not_beat_each_other() -> None:
    assert not beats((1, 2), (1, 2))
    assert beats((1, 2), (1, 3))
    assert not beats((0, 3), (1, 2))


def test_a_front_with_too_many_members_says_so() -> None:
    front = Front(most=10)
    for number in range(11):
        front.add(number, (number, -number))
    assert not front.complete
    assert front.members() == []
    front = Front(most=10)
    for number in range(1000):  # each beats the one before it: one member at a time
        front.add(number, (-number, -number))
    assert front.complete
    assert [member.numbers for member in front.members()] == [[999]]


def test_senses_are_turned_and_unknown_figures_are_on_no_front() -> None:
    assert oriented((3, Fraction(1, 2)), ("minimise", "maximise")) == (3, Fraction(-1, 2))
    assert oriented((3, None), ("minimise", "maximise")) is None
