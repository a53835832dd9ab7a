"""A conversion that is not over when its results are read: nothing that rests on it has a bound. By hand."""

from __future__ import annotations

from standby_packs import evaluation_of

from chainplan.budgets.faults.recovery import NOT_READY
from chainplan.cautions import budget_warnings

RING = {"line": {"shape": "ring", "back": "C:2"}}
LOST = {"kind": "chain loss", "ftti": "9 s", "reaction": "switch"}


def notes(conversion: str) -> set[str]:
    """Return why there is no recovery from the breaks of a ring that is read every 100 ms."""
    node = {"conversions": {"cell voltages": {"time": conversion}}}
    evaluation = evaluation_of(
        node=node,
        chains=RING,
        controller={"recovery": {"switch": "1 ms"}},
        tasks={"cells": {"value": "16 bit", "overlap": True}},
        hazards={"lost": LOST},
    )
    faults = evaluation.faults
    breaks = [each for each in faults.outcomes if each.fault.kind == "segment open or shorted"]
    found = [faults.recovery(each) for each in breaks[1:-1]]
    assert all((each.total is None) is bool(each.note) for each in found)
    return {each.note for each in found}


def test_a_recovery_waits_for_conversions_that_are_over_in_time() -> None:
    # 90 ms fit the 100 ms from trigger to trigger, 110 ms do not
    assert notes("90 ms") == {""}
    assert notes("110 ms") == {NOT_READY}


def test_one_core_for_set_ups_and_evaluation_is_warned_of() -> None:
    # 2 set-ups of 1 ms in 100 ms and 9.9 ms of 10 ms are 101 %; with 9.7 ms they are 99 %.
    def warned(run_time: str) -> list[str]:
        evaluation = {"period": "10 ms", "run_time": run_time}
        found = evaluation_of(controller={"set_up": "1 ms", "evaluation": evaluation})
        return [each for each in budget_warnings(found) if "one core of C" in each]

    assert len(warned("9.9 ms")) == 1
    assert "101 %" in warned("9.9 ms")[0]
    assert warned("9.7 ms") == []
