"""Verdicts on what the wire can do: level, waits for answers, addresses, and bit errors."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache
from math import floor
from typing import TYPE_CHECKING

from chainplan.budgets.terms import Sum
from chainplan.quantity import COUNT, LEVEL, RATE, TIME
from chainplan.verdicts.verdict import Verdict

if TYPE_CHECKING:
    from chainplan.budgets.length import ChainLength
    from chainplan.budgets.residual import Distance
    from chainplan.evaluation import Evaluation


def length_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield each chain's link margin, waits for answers and addresses, as far as the plan limits them."""
    if not _limits_lengths(evaluation):
        return
    for length in evaluation.lengths.values():
        if length.link_makes is not None:
            yield _link(length)
            if length.unknown and length.tightest is not None:
                yield _unknown_links(length)
        if length.window is not None:
            for wait in length.waits:
                yield Verdict(
                    "wait for an answer",
                    f"{wait.chain}, {wait.style}" if len(length.waits) > 1 else wait.chain,
                    wait.worst.total,
                    "at most",
                    length.window.min,
                    TIME,
                    f"answer-wait/{wait.chain}/{wait.style}",
                    wait.node,
                    typical=wait.typical.total,
                )
        if length.addresses is not None:
            name, nodes = length.chain.name, length.nodes.total
            figure = f"addresses/{name}"
            yield Verdict("node addresses", name, nodes, "at most", length.addresses, COUNT, figure)


def _limits_lengths(evaluation: Evaluation) -> bool:
    plan = evaluation.plan
    return any(each.signal or each.answer_window for each in plan.protocols.values()) or any(
        each.address_limit for each in plan.node_types.values()
    )


def _link(length: ChainLength) -> Verdict:
    """Return the verdict on the segment with the least margin beyond the one wanted."""
    name, unknown, tightest = length.chain.name, length.unknown, length.tightest
    remarks = []
    if unknown:
        count = f" ({len(unknown)} of {len(length.chain.segments)} segments not checked)" if tightest else ""
        remarks.append(f"{unknown[0].reason}{count}")
    if tightest is None or tightest.worst is None or tightest.typical is None:
        wanted = unknown[0].wanted if unknown else 0
        return Verdict("link margin", name, None, "at least", wanted, LEVEL, "", note="; ".join(remarks))
    if tightest.note:
        remarks.append(tightest.note)
    return Verdict(
        "link margin",
        name,
        tightest.worst.total,
        "at least",
        tightest.wanted,
        LEVEL,
        f"link/{tightest.segment.name}",
        tightest.segment.name,
        "; ".join(remarks),
        tightest.typical.total,
    )


def _unknown_links(length: ChainLength) -> Verdict:
    """Return what is not known beside a link margin that is: one segment that is met speaks for no other."""
    first, left_out = length.unknown[0], len(length.unknown)
    note = f"{first.reason} ({left_out} of {len(length.chain.segments)} segments)"
    subject = f"{length.chain.name}, other segments"
    return Verdict("link margin", subject, None, "at least", first.wanted, LEVEL, "", note=note)


def error_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield scans lost and undetected errors per hour, and the Hamming distances that the plan claims."""
    targets = evaluation.plan.targets
    if targets.scans_lost_per_hour is not None:
        limit = _ticks(targets.scans_lost_per_hour)
        for name in evaluation.scans:
            yield _lost(evaluation, name, limit)
    if targets.residual_errors_per_hour is not None:
        yield _residual(evaluation, _ticks(targets.residual_errors_per_hour))
    if any(each.check.hamming_distance for each in evaluation.plan.protocols.values()):
        yield from _distances(evaluation.distances)


@lru_cache(maxsize=64)
def _ticks(per_hour: float) -> int:
    """Return a limit in ticks of a rate, rounded down: the decimal that was written, not the binary one."""
    return floor(Fraction(repr(per_hour)) * RATE.units["/h"])


_NO_ERRORS = "the plan gives no bit errors"


def _lost(evaluation: Evaluation, name: str, limit: int) -> Verdict:
    errors = evaluation.errors.get(name)
    note = _NO_ERRORS if errors is None else ""
    lost: Sum | None = None
    typical: Sum | None = None
    if errors is not None:
        lost, typical = errors.lost, errors.typical_lost
        if errors.unknown:
            note = f"chain {errors.unknown[0]} has no bit errors in the plan"
        elif errors.bound:
            note = "an upper bound: bursts, or a major cycle too long to walk through"
    return Verdict(
        "scans lost per hour",
        name,
        lost.total if lost else None,
        "at most",
        limit,
        RATE,
        f"scans-lost/{name}" if lost else "",
        note=note,
        typical=typical.total if typical else None,
    )


def _residual(evaluation: Evaluation, limit: int) -> Verdict:
    found = evaluation.residual
    total = found.total if found else None
    note = found.reason if found else _NO_ERRORS
    if found and total and not found.exact:
        note = "an upper bound"
    return Verdict(
        "residual errors per hour",
        "all chains",
        total.total if total else None,
        "at most",
        limit,
        RATE,
        "residual-errors" if total else "",
        note=note,
    )


def _distances(distances: tuple[Distance, ...]) -> Iterator[Verdict]:
    """Hold each claim against the Hamming distance at the protocol's longest block, which is its least."""
    claims: dict[str, list[Distance]] = {}
    for each in distances:
        if each.claimed is not None:
            claims.setdefault(each.protocol, []).append(each)
    for protocol, found in claims.items():
        longest = max(found, key=lambda each: each.bits)
        where = f"{longest.kind} of {longest.bits} bit"
        yield Verdict(
            "Hamming distance",
            protocol,
            longest.distance,
            "at least",
            longest.claimed,
            COUNT,
            "" if longest.distance is None else f"hamming-distance/{protocol}/{longest.kind} {longest.style}",
            where,
            longest.reason or "the claim of the plan against the distance worked out from the polynomial",
        )


WIRE_ROOMS = (length_verdicts, error_verdicts)
