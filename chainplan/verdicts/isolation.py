"""Verdicts on what each chain's isolation carries."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal

from chainplan.verdicts.verdict import Sense, Verdict

if TYPE_CHECKING:
    from chainplan.budgets.isolation import SegmentIsolation
    from chainplan.budgets.isolation_checks import Check
    from chainplan.evaluation import Evaluation

Subject = Literal["working voltage", "creepage", "clearance", "test voltage"]

ISOLATION_TARGETS: dict[tuple[Subject, bool], tuple[str, Sense]] = {
    ("working voltage", False): ("barrier working voltage", "at most"),
    ("creepage", False): ("barrier creepage", "at least"),
    ("clearance", False): ("barrier clearance", "at least"),
    ("test voltage", False): ("barrier test voltage", "at least"),
    ("creepage", True): ("creepage between boards", "at least"),
    ("clearance", True): ("clearance between boards", "at least"),
}
"""The target of a check, by its subject and whether it lies between the boards' conductors."""


def isolation_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield one verdict per chain and kind of check, on the segment with the least margin for its limit."""
    for name, chain in evaluation.isolation.chains.items():
        groups: dict[tuple[Subject, bool], list[tuple[SegmentIsolation, Check]]] = {}
        for segment in chain.segments:
            for check in segment.checks:
                if is_asked(segment, check):
                    key = check.subject, check.place == "between conductors"
                    groups.setdefault(key, []).append((segment, check))
        for key, (target, sense) in ISOLATION_TARGETS.items():
            if key in groups:
                yield _isolation_verdict(name, target, sense, groups[key])


def is_asked(segment: SegmentIsolation, check: Check) -> bool:
    """Tell whether a check is asked for: not where the other barrier holds all, or nothing is needed."""
    if check.status != "not checked":
        return True
    if check.subject == "working voltage":
        return segment.rating is None
    return check.subject != "test voltage" or check.needed is not None


def _isolation_verdict(
    chain: str, target: str, sense: Sense, checks: list[tuple[SegmentIsolation, Check]]
) -> Verdict:
    known = [pair for pair in checks if pair[1].margin is not None]
    left_out = len(checks) - len(known)
    if known:
        segment, check = min(known, key=lambda pair: (pair[1].margin or 0) / max(_limit(pair[1], sense), 1))
        note = f"{left_out} of {len(checks)} not checked" if left_out else ""
    else:
        segment, check = checks[0]
        note = f"{check.reason} ({left_out} times)" if left_out > 1 else check.reason
    between = target.endswith("between boards")
    stress = segment.conductors if between else segment.references
    value, limit = check.needed, check.offered
    if sense == "at least":
        value, limit = limit, value
    figure = f"isolation/{segment.segment.name}/{'conductors' if between else 'references'}"
    where = f"{segment.segment.name}, {check.place}: {stress.situation.name}" if known else ""
    return Verdict(target, chain, value, sense, limit, check.dimension, figure, where, note)


def _limit(check: Check, sense: Sense) -> int:
    return (check.offered if sense == "at most" else check.needed) or 0
