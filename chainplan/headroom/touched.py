"""What a move touches: the budgets that it may change. All others are taken over from where it starts.

A budget counts as touched also where it only hands on what was moved to one that is worked out anew.
"""

from __future__ import annotations

from functools import cached_property

from chainplan.evaluation import Evaluation

BUDGETS = frozenset(
    name for name, value in vars(Evaluation).items() if isinstance(value, cached_property)
) - {"network", "verdicts"}
"""The names of all budgets of an evaluation."""

ISOLATION = frozenset({"isolation"})
"""What ratings of barriers and the altitude change: they carry no bits."""

TIMES = BUDGETS - ISOLATION
"""What anything may change that leaves cells, boards and barriers as they are."""

BITS = frozenset({"traffic", "errors", "residual", "distances"})
"""What follows from the bits on the wires, of errors the verdicts on them, and from when tasks run."""

READINGS = frozenset({"latencies", "told", "coverage"})
"""What readings to debounce change; the walk through faults counts those of a lost chain alone."""

EVALUATION = READINGS | {"scans", "faults", "uplink"}
"""What a controller's evaluation changes: it comes after all that its scans do."""

BALANCING = frozenset({"scans", "balancing", "balancing_times"})
"""What a balancing current changes: balancing takes the time that scans leave, which know their nodes."""

UPLINK = READINGS | {"uplink"}
"""What a bus above the controllers changes."""


def take_over(base: Evaluation, moved: Evaluation, touched: frozenset[str]) -> None:
    """Give an evaluation what another one has worked out and what lies between them does not touch."""
    known = vars(base)
    vars(moved).update({name: known[name] for name in BUDGETS - touched if name in known})
