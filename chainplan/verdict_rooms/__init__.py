"""Verdicts of budgets that have a file of their own here, loaded only where a plan asks for them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chainplan.evaluate import Evaluation
    from chainplan.verdicts import Verdict


def asked_for(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield the verdicts of every such budget that the plan asks for."""
    if evaluation.plan.targets.coverage:
        from chainplan.verdict_rooms.coverage import coverage_verdicts

        yield from coverage_verdicts(evaluation)
