"""Streaming statistics against sorted lists, and the kernel's clock."""

from __future__ import annotations

from math import ceil

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chainplan.witness.kernel import Kernel, Process, Signal
from chainplan.witness.tally import Tally

VALUES = st.lists(st.integers(0, 10**18), min_size=1)


def tally_of(values: list[int]) -> Tally:
    tally = Tally()
    for value in values:
        tally.add(value)
    return tally


@given(VALUES, st.floats(0, 1))
def test_a_tally_knows_what_a_sorted_list_knows(values: list[int], share: float) -> None:
    tally = tally_of(values)
    ordered = sorted(values)
    assert (tally.count, tally.total, tally.min, tally.max) == (
        len(values),
        sum(values),
        ordered[0],
        ordered[-1],
    )
    exact = ordered[max(1, ceil(share * len(values))) - 1]
    found = tally.percentile(share)
    assert found is not None
    assert exact <= found <= exact * (1 + 1 / 1024)


@given(VALUES, VALUES)
def test_merged_tallies_are_one(first: list[int], second: list[int]) -> None:
    merged = tally_of(first)
    merged.merge(tally_of(second))
    assert merged == tally_of(first + second)
    nothing = Tally()
    nothing.merge(tally_of(first))
    assert nothing == tally_of(first)


def test_a_tally_takes_no_more_room_for_more_values() -> None:
    tally = tally_of(list(range(10**6, 2 * 10**6, 7)))
    assert tally.count == 142_858
    assert len(tally.bins) <= 2048


def test_a_tally_of_nothing() -> None:
    assert Tally().mean is None
    assert Tally().percentile(0.5) is None
    with pytest.raises(ValueError, match="from 0 up"):
        Tally().add(-1)
    with pytest.raises(ValueError, match="between 0 and 1"):
        Tally().percentile(1.1)


def test_processes_go_on_in_the_order_of_time_then_of_waiting() -> None:
    kernel = Kernel()
    ready = Signal(kernel)
    log: list[tuple[str, int]] = []

    def waits() -> Process:
        yield ready
        log.append(("waits", kernel.now))
        yield ready  # still fired
        log.append(("again", kernel.now))

    def fires() -> Process:
        yield 30
        log.append(("fires", kernel.now))
        ready.fire()
        yield 30
        log.append(("later", kernel.now))

    def early() -> Process:
        yield 10
        log.append(("early", kernel.now))
        yield 30
        log.append(("early again", kernel.now))

    for process in (waits(), fires(), early()):
        kernel.start(process)
    kernel.run()
    assert log == [
        ("early", 10),
        ("fires", 30),
        ("early again", 30),
        ("waits", 30),
        ("again", 30),
        ("later", 30),
    ]


def test_no_process_goes_back_in_time() -> None:
    kernel = Kernel()

    def backward() -> Process:
        yield 10
        yield 5

    kernel.start(backward())
    with pytest.raises(ValueError, match="wants to go on at 5 fs"):
        kernel.run()
