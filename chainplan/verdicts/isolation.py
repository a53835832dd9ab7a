"""Verdicts on what each chain's isolation carries."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal, NamedTuple

from chainplan.chain.network import segment_name
from chainplan.remembered import remembered_for_all
from chainplan.verdicts.verdict import Sense, Verdict

if TYPE_CHECKING:
    from chainplan.budgets.isolation import SegmentIsolation
    from chainplan.budgets.isolation_checks import Check, Judged
    from chainplan.chain.potentials import Worst
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
        yield from _of_chain(name, chain.carried, *chain.judged)


class _Place(NamedTuple):
    """The first of the segments that are judged alike, what it carries, and how many there are."""

    segment: str
    references: Worst
    conductors: Worst
    judged: Judged
    times: int


@remembered_for_all
def _of_chain(name: str, carried: tuple[tuple[Worst, Worst], ...], *judged: Judged) -> tuple[Verdict, ...]:
    groups: dict[tuple[Subject, bool], list[tuple[_Place, Check]]] = {}
    for place in _that_differ(name, carried, judged):
        for check in place.judged.checks:
            if is_asked(place.judged, check):
                key = check.subject, check.place == "between conductors"
                groups.setdefault(key, []).append((place, check))
    return tuple(
        verdict
        for key, (target, sense) in ISOLATION_TARGETS.items()
        if key in groups
        for verdict in _isolation_verdicts(name, target, sense, groups[key])
    )


def _that_differ(
    name: str, carried: tuple[tuple[Worst, Worst], ...], judged: tuple[Judged, ...]
) -> Iterator[_Place]:
    """Yield the first of the segments with the very same checks."""
    alike: dict[int, list[int]] = {}
    for place, each in enumerate(judged):
        alike.setdefault(id(each.checks), []).append(place)
    for first, *others in alike.values():
        segment = segment_name(name, first + 1)
        yield _Place(segment, *carried[first], judged[first], 1 + len(others))


def is_asked(judged: Judged | SegmentIsolation, check: Check) -> bool:
    """Tell whether a check is asked for: not where the other barrier holds all, or nothing is needed."""
    if check.status != "not checked":
        return True
    if check.subject == "working voltage":
        return judged.rating is None
    return check.subject != "test voltage" or check.needed is not None


def _isolation_verdicts(
    chain: str, target: str, sense: Sense, checks: list[tuple[_Place, Check]]
) -> Iterator[Verdict]:
    """Yield the verdict on what is known, and beside it that the rest is not: it speaks for no other."""
    known = [each for each in checks if each[1].margin is not None]
    unknown = [each for each in checks if each[1].margin is None]
    yield _isolation_verdict(chain, target, sense, checks)
    if known and unknown:
        yield _isolation_verdict(f"{chain}, other segments", target, sense, unknown)


def _isolation_verdict(chain: str, target: str, sense: Sense, checks: list[tuple[_Place, Check]]) -> Verdict:
    known = [each for each in checks if each[1].margin is not None]
    total = sum(place.times for place, _ in checks)
    left_out = total - sum(place.times for place, _ in known)
    if known:
        place, check = min(known, key=lambda each: (each[1].margin or 0) / max(_limit(each[1], sense), 1))
        note = f"{left_out} of {total} not checked" if left_out else ""
    else:
        place, check = checks[0]
        note = f"{check.reason} ({left_out} times)" if left_out > 1 else check.reason
    between = target.endswith("between boards")
    stress = place.conductors if between else place.references
    value, limit = check.needed, check.offered
    if sense == "at least":
        value, limit = limit, value
    figure = f"isolation/{place.segment}/{'conductors' if between else 'references'}"
    where = f"{place.segment}, {check.place}: {stress.situation.name}" if known else ""
    return Verdict(target, chain, value, sense, limit, check.dimension, figure, where, note)


def _limit(check: Check, sense: Sense) -> int:
    return (check.offered if sense == "at most" else check.needed) or 0
