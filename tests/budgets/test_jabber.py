"""The longest sending without a pause, by hand, beside the jabber limit.

That a jabber limit lies above any normal frame: IEEE 802.3, jabber function (9.6.5, 14.2.1.6; from memory).
"""

from __future__ import annotations

from typing import Any

import pytest
from standby_packs import evaluation_of, ticks

from chainplan.figures.figure import Figure

STATUS: dict[str, Any] = {"tasks": {"state": {"kind": "read", "reads": "status", "data": "32 bit"}}}


def sending(limit: str = "1 ms", **more: Any) -> Figure:
    """Four nodes, 1 Mbit/s: a request of 8 bit, answers of 8 + 32 bit each."""
    evaluation = evaluation_of(node={"jabber_limit": limit}, **(STATUS | more))
    (found,) = (each for each in evaluation.verdicts if each.target == "longest sending without a pause")
    return found


@pytest.mark.parametrize(
    ("protocol", "microseconds"),
    [
        ({"read_style": "summation"}, 8 + 4 * 40),  # one frame with four blocks
        ({"read_style": "sequential", "answer_gap": "1 us"}, 40),  # the longest frame
        ({"read_style": "sequential"}, 4 * 40),  # no gap: the nearest node sends its own and passes on three
        ({"read_style": "sequential", "answer_gap": "0 us .. 5 us"}, 4 * 40),
        ({"read_style": "polled"}, 40),
        ({"read_style": "polled", "request": "64 bit"}, 64),
        ({"read_style": "polled", "allowance": "10 %"}, 44),
    ],
)
def test_by_hand(protocol: dict[str, Any], microseconds: int) -> None:
    assert sending(protocol=protocol).value == ticks(f"{microseconds} us")


def test_a_limit_below_a_normal_frame_is_missed() -> None:
    # 8 + 4 * (8 + 32) bit = 168 us
    summed = {"read_style": "summation"}
    verdicts = [sending(limit, protocol=summed) for limit in ("167 us", "168 us", "1 ms")]
    assert [each.status for each in verdicts] == ["missed", "met", "met"]
    spread = sending("167 us .. 200 us", protocol=summed)
    assert (spread.status, spread.where) == ("missed", "`jabber_limit` of S.1")


def test_the_node_with_the_least_limit_counts() -> None:
    kinds = {3: {"jabber_limit": "100 us"}}
    found = sending("1 ms", protocol={"read_style": "summation"}, kinds=kinds)
    assert (found.status, found.limit, found.where) == ("missed", ticks("100 us"), "`jabber_limit` of S.3")


def test_without_a_limit_there_is_nothing_to_judge() -> None:
    verdicts = evaluation_of(**STATUS).verdicts
    assert not [each for each in verdicts if each.target == "longest sending without a pause"]
