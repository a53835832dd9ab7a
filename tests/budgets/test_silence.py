"""How long nothing passes a chain, by hand and by every pair of runs; beside nodes that fall asleep."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standby_packs import TWO_PORTS, evaluation_of, ticks

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure

DOZY: dict[str, Any] = {"sleeps_after": "1 s"}


def silences(evaluation: Evaluation) -> dict[str, Figure]:
    return {each.subject: each for each in evaluation.verdicts if each.target == "longest silence"}


def test_by_hand() -> None:
    # Every fourth scan of 100 ms and its jitter of 3 ms, from the begin of one run to the end of the next.
    tasks = {"cells": {"value": "16 bit", "every": 4}}
    evaluation = evaluation_of(node=DOZY, tasks=tasks, controller={"scan_jitter": "3 ms"})
    (found,) = silences(evaluation).values()
    assert found.value == 4 * ticks("100 ms") + ticks("3 ms") + evaluation.scans["C"].worst.total
    assert (found.status, found.limit, found.where) == ("met", ticks("1 s"), "`sleeps_after` of S.1")


@pytest.mark.parametrize(("every", "status"), [(9, "met"), (10, "missed")])
def test_falling_asleep_between_two_scans_is_missed(every: int, status: str) -> None:
    evaluation = evaluation_of(node=DOZY, tasks={"cells": {"value": "16 bit", "every": every}})
    assert {each.status for each in silences(evaluation).values()} == {status}


def test_each_chain_for_itself() -> None:
    tasks = {
        "cells": {"value": "16 bit", "every": 5},
        "state": {"kind": "read", "reads": "status", "data": "8 bit", "chains": ["upper"]},
    }
    found = silences(evaluation_of(kinds={3: DOZY, 1: DOZY}, tasks=tasks, chains=TWO_PORTS))
    lower, upper = found["lower"].value, found["upper"].value
    assert lower is not None
    assert upper is not None
    assert lower - upper == 4 * ticks("100 ms")


@given(st.lists(st.integers(1, 5), min_size=1, max_size=3))
def test_no_two_runs_lie_further_apart(periods: list[int]) -> None:
    """Write the scans with work out, over two major cycles, and look at every two that follow."""
    tasks = {f"task {number}": {"value": "16 bit", "every": every} for number, every in enumerate(periods)}
    evaluation = evaluation_of(1, node=DOZY, tasks=tasks)
    scan = evaluation.scans["C"]
    begins = [100 * number for number in range(2 * scan.phases.major_cycle) if scan.due(number)]
    apart = max([after - before for before, after in pairwise(begins)], default=0)
    (found,) = silences(evaluation).values()
    assert found.value is not None
    assert found.value - scan.worst.total >= apart * ticks("1 ms")


def test_nodes_that_stay_awake_are_not_judged() -> None:
    assert not silences(evaluation_of())
