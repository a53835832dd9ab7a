"""Faults for a reader: equal ones together, the most harmful first; how far a report walks a plan.

A ring of forty nodes has a hundred faults that all do the same; a reader wants them in one line, with the
worst time of any of them.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from chainplan.after_faults import Aftermath, FaultRow, aftermath, fault_rows
from chainplan.chain.degraded import Fault
from chainplan.figures.figure import Figure
from chainplan.report.alike import gathered

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

MOST_NODES_TIMED = 200
"""Nodes of a plan up to which a report works out recoveries and scans after every fault: below a second."""

MOST_NODES_JUDGED = 1_000
"""Nodes that a report evaluates anew to judge targets after faults, all faults together: about a second."""


@dataclass(frozen=True)
class FaultGroup:
    """Faults of one kind that do the same; times and scans are the worst of any of them, fs and bits.

    `lost` are the targets found to hold no longer after recovery, each with its subjects: after faults of
    several controllers alike, the one of each. None where that was not judged.
    """

    rows: tuple[FaultRow, ...]
    lost: dict[str, tuple[str, ...]]

    @property
    def first(self) -> FaultRow:
        """Return the most harmful one."""
        return self.rows[0]

    @property
    def kind(self) -> str:
        """Return what fails, and how."""
        return self.first.outcome.fault.kind

    @cached_property
    def parts(self) -> list[str]:
        """Return the names of the faulty parts."""
        return [row.outcome.fault.part for row in self.rows]

    @property
    def known(self) -> int | None:
        """Return the latest time at which one is known; None where none of them ever is."""
        return max((row.known for row in self.rows if row.known is not None), default=None)

    @property
    def recovery(self) -> int | None:
        """Return the slowest recovery; None where there is none to time."""
        return max((row.recovery for row in self.rows if row.recovery is not None), default=None)

    @property
    def scan_time(self) -> int:
        """Return the longest scan after recovery."""
        return max(row.scan_time for row in self.rows)

    @property
    def wire_bits(self) -> int:
        """Return the bits of the heaviest scan after recovery."""
        return max(row.wire_bits for row in self.rows)


def fault_groups(rows: Iterable[FaultRow], after: Aftermath | None = None) -> list[FaultGroup]:
    """Return faults alike in kind, harm, what is known and lost, together; the order of harm is kept.

    `rows` are in the order of harm, as :func:`chainplan.after_faults.fault_rows` returns them.
    """
    lost = {outcome.fault: verdicts for outcome, verdicts in after.lost} if after else {}

    def key(row: FaultRow) -> Hashable:
        outcome = row.outcome
        missed = lost.get(outcome.fault, ())
        return (
            outcome.fault.kind,
            outcome.cells,
            outcome.nodes,
            row.single_point,
            row.known is None,
            row.recovery_note,
            tuple((each.target, of_itself(each.subject, outcome.fault.controller)) for each in missed),
        )

    return [FaultGroup(tuple(found), _lost(found, lost)) for found in gathered(rows, key)]


def _lost(rows: Iterable[FaultRow], lost: Mapping[Fault, tuple[Figure, ...]]) -> dict[str, tuple[str, ...]]:
    """Return the targets lost after any of these faults, each with its subjects as they come."""
    found: dict[str, dict[str, None]] = {}
    for row in rows:
        for verdict in lost.get(row.outcome.fault, ()):
            found.setdefault(verdict.target, {})[verdict.subject] = None
    return {target: tuple(subjects) for target, subjects in found.items()}


def of_itself(subject: str, controller: str) -> tuple[str, ...]:
    """Return whom a target is about as seen from a controller: the same for controllers alike.

    Subjects begin with the controller that they are about: ``pump-1, temperatures``.
    """
    about, _, what = subject.partition(", ")
    return ("itself", what) if about == controller else (subject,)


def is_small(evaluation: Evaluation) -> bool:
    """Tell whether a plan is small enough for a report to time every fault's recovery."""
    return len(evaluation.network.nodes) <= MOST_NODES_TIMED


def groups_of(evaluation: Evaluation) -> tuple[list[FaultGroup], Aftermath]:
    """Return the groups of all faults of a plan, and the targets judged as far as a report does."""
    after = aftermath(evaluation, MOST_NODES_JUDGED)
    return fault_groups(fault_rows(evaluation.faults), after), after


def left_over(groups: Sequence[FaultGroup]) -> int:
    """Return how many faults groups hold."""
    return sum(len(group.rows) for group in groups)
