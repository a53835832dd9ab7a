"""Coverage against its target: every cell, or node, is watched against each kind of hazard that must be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from chainplan.budgets.coverage import KindCoverage, place
from chainplan.quantity import COUNT
from chainplan.verdicts.verdict import Verdict

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

_MOST_PLACES = 3


def coverage_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield one verdict per kind of hazard that the target names."""
    if not evaluation.plan.targets.coverage:
        return
    coverage = evaluation.coverage
    for kind in dict.fromkeys(evaluation.plan.targets.coverage):
        covered = coverage.of(kind)
        yield Verdict(
            f"{covered.unit}s covered",
            kind,
            covered.covered.total if covered.total else None,
            "at least",
            covered.total or None,
            COUNT,
            f"coverage/{kind}",
            _where(covered),
            _note(covered),
        )


def _where(covered: KindCoverage) -> str:
    places = [place(gap) for gap in covered.gaps]
    left = len(places) - _MOST_PLACES
    shown = ", ".join(places[:_MOST_PLACES]) + (f" and {left} more" if left > 0 else "")
    return f"not on {shown}" if shown else ""


def _note(covered: KindCoverage) -> str:
    if not covered.total:
        return f"the plan has no {covered.unit}s"
    return "; ".join(dict.fromkeys(gap.reason for gap in covered.gaps))
