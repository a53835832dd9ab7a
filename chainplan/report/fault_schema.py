"""The shape of the walk through all single faults in the results as data."""

from __future__ import annotations

from chainplan.chain.degraded import FaultKind
from chainplan.report.record_schema import ResultRecord


class LostTargetData(ResultRecord):
    """A target that is met without the fault and missed after recovery from it."""

    target: str
    subject: str


class FaultData(ResultRecord):
    """One fault: what fails, how, and the nodes that are read no more."""

    kind: FaultKind
    part: str
    """Name of the segment, node, port or controller; `chains` lists them."""
    blind: dict[str, list[int]]
    """By chain the first and the last blind node, as places from the head: 1 for the first node."""


class FaultsAlikeData(ResultRecord):
    """What each one of these faults does, worst case."""

    faults: list[FaultData]
    blind_nodes_count: int
    blind_cells_count: int
    cells_seen_ratio: float
    single_point: bool
    """Whether cells of other nodes than the faulty one itself are blind."""
    known_s: float | None
    """Null where nothing the controller reads shows the fault, and for a dead controller."""
    known_by: str
    recovery_s: float | None
    recovery_note: str
    """Why there is no recovery time."""
    scan_after_s: float
    """The longest scan after recovery; 0 where nothing is left to be read."""
    heaviest_scan_wire_after_bit: int
    targets_lost: list[LostTargetData] | None
    """After any of these faults, each for its own controller; null where it was not judged."""


class StringPairsData(ResultRecord):
    """Faults that blind a string alone, and pairs of others that do so together.

    In part: at least one of its cells is seen no more. Wholly: none of them is.
    """

    string: str
    alone_in_part_count: int
    alone_wholly_count: int
    pairs_in_part_count: int
    pairs_wholly_count: int
    in_part_examples: list[list[str]]
    wholly_examples: list[list[str]]


class FaultsData(ResultRecord):
    """Every single fault, the most harmful first. Dead controllers are in no count but that of faults."""

    cells_count: int
    leaves_least: str | None
    """The fault after which fewest cells are still seen; null where the plan has none."""
    cells_seen_least_ratio: float | None
    single_points_count: int
    never_known_count: int
    faults: list[FaultsAlikeData]
    targets_judged_after_count: int
    """How many faults, the most harmful ones, the targets were judged after."""
    pairs: list[StringPairsData]
