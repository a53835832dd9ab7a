"""Exchanges by hand: what a block of values carries, and when the train of answers is through.

The packs are in round figures, 1 bit in 1 us and no framing, so every expected time is a sum in the head. How
nodes answer is written at the top of chainplan/budgets/scanning/exchange.py; common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction

from standby_packs import evaluation_of, ticks

from chainplan.budgets.scanning.traffic import bytes_budget
from chainplan.evaluation import Evaluation

HALVES = {"cells": {"value": "16 bit", "values_per_read": 3}}
"""Four cells of 16 bit, read three at a time: a block of three and one of what is left."""


def run_time(evaluation: Evaluation) -> int:
    """Return what the only task of the only controller takes, fs."""
    return evaluation.scans["C"].longest


def test_the_last_block_carries_what_is_left() -> None:
    (work,) = evaluation_of(tasks=HALVES).scans["C"].works
    ((first, rest),) = work.reads.values()
    assert (first.first_channel, first.samples, first.payload) == (0, 4 * 3, 4 * 3 * 16)
    assert (rest.first_channel, rest.samples, rest.payload) == (3, 4 * 1, 4 * 1 * 16)
    # an answer is 8 bit of its own and the values
    assert first.answers == (8 + 3 * 16,) * 4
    assert rest.answers == (8 + 1 * 16,) * 4


def test_all_inputs_are_sent_but_only_wired_ones_count() -> None:
    # Four cells at six inputs, three at a time, every input sent: both blocks are full, the second one
    # carries one sample of a node.
    tasks = {"cells": HALVES["cells"] | {"sends": "all inputs"}}
    (work,) = evaluation_of(node={"cell_inputs": 6}, tasks=tasks).scans["C"].works
    ((first, rest),) = work.reads.values()
    assert first.answers == rest.answers == (8 + 3 * 16,) * 4
    assert (first.samples, rest.samples) == (12, 4)


def test_inputs_without_a_wire_are_not_sent_unless_the_task_says_so() -> None:
    tasks = {"cells": {"value": "16 bit"}}
    (work,) = evaluation_of(node={"cell_inputs": 6}, tasks=tasks).scans["C"].works
    ((read,),) = work.reads.values()
    assert (read.answers, read.samples) == ((8 + 4 * 16,) * 4, 16)


def test_a_summation_frame_is_stored_on_its_way_out_at_the_tail_and_on_its_way_home() -> None:
    # Two storing nodes, a frame of 8 + 2 * 72 bit: sent by the host, by the near node, by the tail, and by
    # the near node again.
    relay = {"forwarding": {"style": "store-and-forward", "downstream": "0 s", "upstream": "0 s"}}
    read = {"cells": {"kind": "read", "value": "16 bit"}}
    time = run_time(evaluation_of(2, node=relay, protocol={"read_style": "summation"}, tasks=read))
    assert time == 4 * (8 + 2 * 72) * ticks("1 us")


def test_a_trigger_carries_no_value() -> None:
    # One run: the trigger of 8 bit, the request of 8 bit, four answers of 8 + 4 * 16 bit; worth 16 values.
    (traffic,) = bytes_budget(evaluation_of().scans["C"]).tasks
    assert (traffic.exchanges, traffic.samples, traffic.payload) == (2, 16, 16 * 16)
    assert traffic.wire.total == 8 + 8 + 4 * (8 + 4 * 16)
    assert traffic.bytes_per_sample == Fraction(304, 8 * 16)
    assert traffic.efficiency == Fraction(256, 304)


class TestSlowNearNode:
    """A node near the head that answers late: the frames from beyond are past it when it sends its own."""

    READ = {"cells": {"kind": "read", "value": "16 bit"}}  # noqa: RUF012
    FRAME = 8 + 4 * 16

    def evaluation(self, style: str) -> Evaluation:
        relay = {"forwarding": {"style": style, "downstream": "0 s", "upstream": "0 s"}}
        slow = {1: relay | {"turn_around": "5 ms"}}
        return evaluation_of(2, node=relay, kinds=slow, tasks=self.READ)

    def test_cut_through(self) -> None:
        # request, turn-around of the near node, its own answer
        assert run_time(self.evaluation("cut-through")) == ticks("5 ms") + (8 + self.FRAME) * ticks("1 us")

    def test_store_and_forward(self) -> None:
        # The same: nothing of what the near node sends is stored anywhere, and what came from beyond was
        # stored long before.
        time = ticks("5 ms") + (8 + self.FRAME) * ticks("1 us")
        assert run_time(self.evaluation("store-and-forward")) == time

    def test_store_and_forward_of_equals(self) -> None:
        # Two equal nodes: the request is stored once on its way out, the tail's answer once on its way home,
        # and the near node's own follows it.
        relay = {"forwarding": {"style": "store-and-forward", "downstream": "0 s", "upstream": "0 s"}}
        time = run_time(evaluation_of(2, node=relay, tasks=self.READ))
        assert time == (2 * 8 + 3 * self.FRAME) * ticks("1 us")
