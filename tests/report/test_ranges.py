"""Ranges of names: every name is in them once, in its place, and nothing that does not count on is joined."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chainplan.report.figures import listed
from chainplan.report.ranges import Named, in_ranges


@pytest.mark.parametrize(
    ("names", "text"),
    [
        (["line-1", "line-2"], "line-1, line-2"),
        (["line-1", "line-2", "line-3"], "line-1..3"),
        (["main.12", "main.11", "main.10"], "main.12..10"),
        (["main.3", "main.2", "main.3", "main.4"], "main.3, main.2, main.3, main.4"),
        (["a9", "a10", "a11", "b"], "a9..11, b"),
        (["a09", "a10", "a11"], "a09..11"),
        (["a09", "a10", "a011", "a12"], "a09, a10, a011, a12"),
        (["rack-1.4", "rack-2.4", "rack-3.4"], "rack-(1..3).4"),
        ([f"rack-{n}.{k}" for n in (1, 2, 3) for k in (4, 5, 6)], "rack-(1..3).4..6"),
        ([f"rack-{n}.{k}" for n in (1, 2) for k in (4, 5, 6)], "rack-1.4..6, rack-2.4..6"),
        (["trolley-1, open wire", "trolley-2, open wire", "trolley-3, open wire"], "trolley-1..3, open wire"),
        (["line-1 of C-1", "line-2 of C-2", "line-3 of C-3"], "line-1..3 of C-1..3"),
        (["line-1 of C-2", "line-2 of C-3", "line-3 of C-4"], "line-1 of C-2, line-2 of C-3, line-3 of C-4"),
        (["a", "a", "a"], "a, a, a"),
        ([], ""),
    ],
)
def test_ranges(names: list[str], text: str) -> None:
    assert ", ".join(each.text for each in in_ranges(names)) == text


@pytest.mark.parametrize(
    ("count", "most", "text"),
    [
        (6, 6, "n-1, n-2, n-3, n-4, n-5, n-6"),
        (7, 6, "n-1..7"),
        (7, 48, "n-1..7"),
        (3, 2, "n-1..3"),
        (2, 1, "n-1 and 1 more"),
    ],
)
def test_a_short_list_is_written_out(count: int, most: int, text: str) -> None:
    assert listed([f"n-{number}" for number in range(1, count + 1)], most) == text


def test_what_a_list_leaves_out_is_counted_name_by_name() -> None:
    names = [f"{letter}-{number}" for letter in "abc" for number in range(1, 11)]
    assert listed(names, 2) == "a-1..10, b-1..10 and 10 more"


def test_numbers_of_one_word_do_not_count_on_together() -> None:
    assert listed(["a-1.1", "a-2.2", "a-3.3"], 2) == "a-1.1, a-2.2 and 1 more"


def names_in(range_: Named) -> list[str]:
    """Return the names that a range stands for, written out by its own text."""
    found = re.search(r"\(?([0-9]+)\.\.([0-9]+)\)?", range_.text)
    if found is None:
        return [range_.text]
    first, last = int(found[1]), int(found[2])
    before, after = range_.text[: found.start()], range_.text[found.end() :]
    numbers = range(first, last + 1) if first < last else range(first, last - 1, -1)
    size = range_.size // len(numbers)
    return [name for number in numbers for name in names_in(Named(f"{before}{number}{after}", size))]


part_names = st.builds("{}-{}.{}".format, st.sampled_from("ab"), st.integers(1, 4), st.integers(1, 4))


@given(st.lists(part_names, max_size=30), st.booleans())
def test_ranges_stand_for_all_names_in_their_order(names: list[str], in_order: bool) -> None:
    names = sorted(names) if in_order else names
    ranges = in_ranges(names)
    assert [name for each in ranges for name in names_in(each)] == names
    assert sum(each.size for each in ranges) == len(names)
