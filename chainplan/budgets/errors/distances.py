"""The Hamming distance of each check code at the longest block that the plan sends under it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from chainplan.budgets.scanning.crossings import BlockKind, longest_blocks
from chainplan.budgets.scanning.runs import TaskWork
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.chain.network import Chain
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Sum, Term
from chainplan.plan.parts import CheckCode
from chainplan.quantity import COUNT
from chainplan.remembered import remembered_for_all


class Distance(NamedTuple):
    """The Hamming distance of a protocol's check at the longest block of one kind and read style.

    `distance` is None where it could not be found; `reason` says why. `claimed` is what the plan says of the
    protocol.
    """

    protocol: str
    kind: BlockKind
    style: str
    bits: int
    distance: int | None
    claimed: int | None
    reason: str = ""

    @property
    def figure(self) -> str:
        """Return the name of its sum."""
        return f"hamming-distance/{self.protocol}/{self.kind} {self.style}"

    @property
    def sum(self) -> Sum:
        """Return the distance as a sum, searched for one by one."""
        how = f"fewest bit errors that the check does not see in {self.bits} bit, searched one by one"
        return Sum("Hamming distance", COUNT, (Term("bit errors", self.distance or 0, how=how),))


@budget
def distances(scans: dict[str, ControllerScan]) -> tuple[Distance, ...]:
    """The Hamming distance of every protocol's check at the longest block of each kind in use."""
    longest: dict[_Use, int] = {}
    checks: dict[str, CheckCode] = {}
    for scan in scans.values():
        for use, bits in _longest(scan.works, scan.outlines).items():
            longest[use] = max(longest.get(use, 0), bits)
        checks.update({chain.plan.protocol: chain.protocol.check for chain in scan.outlines})
    return tuple(
        _distance(protocol, kind, style, bits, checks[protocol])
        for (protocol, kind, style), bits in longest.items()
        if checks[protocol].width.max
    )


_Use = tuple[str, BlockKind, str]
"""A protocol, a kind of block and a read style."""


@remembered_for_all
def _longest(works: tuple[TaskWork, ...], chains: tuple[Chain, ...]) -> dict[_Use, int]:
    """Return the bits of the longest block of each kind in use."""
    longest: dict[_Use, int] = {}
    named = {chain.name: chain for chain in chains}
    for work in works:
        for exchange in work.exchanges:
            chain = named[exchange.chain]
            for kind, bits in longest_blocks(chain, exchange):
                use = chain.plan.protocol, kind, exchange.style
                longest[use] = max(longest.get(use, 0), bits)
    return longest


def _distance(protocol: str, kind: BlockKind, style: str, bits: int, check: CheckCode) -> Distance:
    from chainplan.budgets.errors.code_distance import hamming_distance

    claimed = check.hamming_distance
    if check.polynomial is None:
        reason = "the plan gives no polynomial"
        return Distance(protocol, kind, style, bits, None, claimed, reason)
    try:
        found = hamming_distance(check.polynomial, check.width.max, bits - check.width.max)
    except ValueError as error:  # the search grows too large, the block is all check, the check too wide
        return Distance(protocol, kind, style, bits, None, claimed, str(error))
    return Distance(protocol, kind, style, bits, found, claimed)


# Residual error rate ---------------------------------------------------------------------------------------


HAMMING_DISTANCE = Kind[Distance](
    "Hamming distance",
    COUNT,
    ("protocol",),
    "errors",
    lambda each: each.distance,
    named=lambda each: each.figure,
    sense="at least",
    where=lambda each: f"{each.kind} of {each.bits} bit",
    note=lambda _: "the claim of the plan against the distance worked out from the polynomial",
    asked=lambda plan: any(each.check.hamming_distance for each in plan.protocols.values()),
    yes_no=True,
)


@HAMMING_DISTANCE.of
def claimed_distances(distances: tuple[Distance, ...]) -> Iterator[Figure]:
    """Least Hamming distance of a protocol's check, at its longest block, beside what the plan claims."""
    claims: dict[str, list[Distance]] = {}
    for each in distances:
        if each.claimed is not None:
            claims.setdefault(each.protocol, []).append(each)
    for protocol, found in claims.items():
        longest = max(found, key=lambda each: each.bits)
        if longest.distance is not None:
            yield HAMMING_DISTANCE(protocol, item=longest, limit=longest.claimed)
        else:
            where = f"{longest.kind} of {longest.bits} bit"
            yield HAMMING_DISTANCE(protocol, limit=longest.claimed, where=where, note=longest.reason)


BLOCK_DISTANCE = Kind[Distance](
    "Hamming distance of a block",
    COUNT,
    ("protocol", "block"),
    "errors",
    lambda each: each.sum,
    named="hamming-distance/{}/{}",
    sense="at least",
)


@BLOCK_DISTANCE.of
def block_distances(distances: tuple[Distance, ...]) -> Iterator[Figure]:
    """Hamming distance of a check at the longest block of each kind, where the plan makes a claim of it."""
    for each in distances:
        if each.claimed is not None and each.distance is not None:
            yield BLOCK_DISTANCE(each.protocol, f"{each.kind} {each.style}", item=each)
