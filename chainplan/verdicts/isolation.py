"""Verdicts on what each chain's isolation carries."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Literal

from chainplan.remembered import remembered
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
        yield from _of_chain(chain.segments, name)


@remembered
def _of_chain(segments: tuple[SegmentIsolation, ...], name: str) -> tuple[Verdict, ...]:
    groups: dict[tuple[Subject, bool], list[tuple[SegmentIsolation, Check, int]]] = {}
    for segment, times in _that_differ(segments):
        for check in segment.checks:
            if is_asked(segment, check):
                key = check.subject, check.place == "between conductors"
                groups.setdefault(key, []).append((segment, check, times))
    return tuple(
        verdict
        for key, (target, sense) in ISOLATION_TARGETS.items()
        if key in groups
        for verdict in _isolation_verdicts(name, target, sense, groups[key])
    )


def _that_differ(segments: Iterable[SegmentIsolation]) -> Iterator[tuple[SegmentIsolation, int]]:
    """Yield of segments with the very same checks the first one, and how many they are."""
    alike: dict[int, list[SegmentIsolation]] = {}
    for segment in segments:
        alike.setdefault(id(segment.checks), []).append(segment)
    return ((found[0], len(found)) for found in alike.values())


def is_asked(segment: SegmentIsolation, check: Check) -> bool:
    """Tell whether a check is asked for: not where the other barrier holds all, or nothing is needed."""
    if check.status != "not checked":
        return True
    if check.subject == "working voltage":
        return segment.rating is None
    return check.subject != "test voltage" or check.needed is not None


def _isolation_verdicts(
    chain: str, target: str, sense: Sense, checks: list[tuple[SegmentIsolation, Check, int]]
) -> Iterator[Verdict]:
    """Yield the verdict on what is known, and beside it that the rest is not: it speaks for no other."""
    known = [each for each in checks if each[1].margin is not None]
    unknown = [each for each in checks if each[1].margin is None]
    yield _isolation_verdict(chain, target, sense, checks)
    if known and unknown:
        yield _isolation_verdict(f"{chain}, other segments", target, sense, unknown)


def _isolation_verdict(
    chain: str, target: str, sense: Sense, checks: list[tuple[SegmentIsolation, Check, int]]
) -> Verdict:
    known = [each for each in checks if each[1].margin is not None]
    total = sum(times for _, _, times in checks)
    left_out = total - sum(times for _, _, times in known)
    if known:
        segment, check, _ = min(
            known, key=lambda each: (each[1].margin or 0) / max(_limit(each[1], sense), 1)
        )
        note = f"{left_out} of {total} not checked" if left_out else ""
    else:
        segment, check, _ = checks[0]
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
