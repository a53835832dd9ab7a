"""Sums as data: totals, walks through parts, and parts that do not add up."""

from __future__ import annotations

from chainplan.figures.terms import Sum, Term, nonzero, parts_add_up, walk_terms
from chainplan.quantity import TIME

LEAF = Term("leaf", 2, 3)
BRANCH = Term("branch", 6, parts=(LEAF,))
TREE = Term("tree", 13, 2, parts=(BRANCH, Term("other", 7)))


def test_a_sum_is_the_total_of_its_terms() -> None:
    assert (LEAF.total, BRANCH.total, TREE.total) == (6, 6, 26)
    assert Sum("all", TIME, (LEAF, TREE)).total == 32
    assert Sum("none", TIME, ()).total == 0


def test_a_term_comes_before_its_parts() -> None:
    walked = [(depth, term.label) for depth, term in walk_terms((TREE, LEAF))]
    assert walked == [(0, "tree"), (1, "branch"), (2, "leaf"), (1, "other"), (0, "leaf")]


def test_parts_have_to_add_up_all_the_way_down() -> None:
    assert parts_add_up(TREE)
    assert not parts_add_up(TREE._replace(amount=12))  # the parts make 13
    wrong = BRANCH._replace(parts=(LEAF._replace(times=2),))  # 4 instead of 6, one level further down
    assert not parts_add_up(TREE._replace(parts=(wrong, Term("other", 7))))


def test_what_adds_nothing_is_left_out() -> None:
    assert nonzero(Term("nil", 0, 3), LEAF, Term("never", 5, 0)) == (LEAF,)
