"""Segments, bit errors and check codes as data, and how far each chain could go."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Literal, NamedTuple

from chainplan.budgets.errors.distances import Distance
from chainplan.budgets.errors.losses import ControllerErrors
from chainplan.budgets.line.length import ChainLength
from chainplan.budgets.line.link import Link
from chainplan.figures.figure import Figure
from chainplan.figures.units import Length, Level, Time
from chainplan.headroom.reach import Reach, reach_budget
from chainplan.report.alike import gathered
from chainplan.report.units import Number, number, unit_of

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation


class LinkRecord(NamedTuple):
    """Segments alike: delay of each, and what is left of the signal above the receiver's threshold."""

    chain: str
    segments: list[str]
    cable: str
    length_most: Length
    delay_worst: Time
    left_worst: Level | None
    left_typical: Level | None
    wanted: Level
    reason: str
    """Why the level is not known."""
    note: str


def link_records(length: ChainLength) -> list[LinkRecord]:
    """Return the links of a chain, those of one make together; none where its protocol has no signal."""
    like = {id(link.segment.hop): link for link in length.link_makes or ()}
    makes = gathered(length.chain.segments if like else (), key=lambda segment: id(segment.hop))
    return [_link(length.chain.name, [each.name for each in make], like[id(make[0].hop)]) for make in makes]


def _link(chain: str, segments: list[str], link: Link) -> LinkRecord:
    hop = link.segment.hop
    return LinkRecord(
        chain,
        segments,
        hop.cable,
        hop.length.max,
        hop.delay.max,
        link.worst.total if link.worst else None,
        link.typical.total if link.typical else None,
        link.wanted,
        link.reason,
        link.note,
    )


class TaskErrorsRecord(NamedTuple):
    """How the exchanges of a task fail by the plan's bit errors."""

    task: str
    reads_per_run: int
    longest_frame_bit: int
    read_failure_probability_most: float
    read_failure_probability_after_failure_most: float
    broadcast_failure_probability: float


class ErrorsRecord(NamedTuple):
    """What bit errors cost a controller."""

    controller: str
    chains_without_bit_errors: list[str]
    scans_lost_is_upper_bound: bool
    mean_retries_per_scan: float | None
    tasks: list[TaskErrorsRecord]


def errors_record(errors: ControllerErrors) -> ErrorsRecord:
    """Return what bit errors cost a controller."""
    return ErrorsRecord(
        errors.controller,
        list(errors.unknown),
        errors.bound,
        None if errors.unknown else errors.retries,
        [
            TaskErrorsRecord(
                task.task,
                len(task.failures),
                task.bits,
                task.worst,
                max(task.after_failure, default=0.0),
                task.unheard,
            )
            for task in errors.tasks
        ],
    )


class CheckCodeRecord(NamedTuple):
    """The Hamming distance of a protocol's check at its longest block of a kind."""

    protocol: str
    block: str
    read_style: str
    block_bit: int
    hamming_distance: int | None
    claimed: int | None
    reason: str
    """Why the distance is not known."""


def check_code_records(distances: Iterable[Distance]) -> list[CheckCodeRecord]:
    """Return the Hamming distances of the check codes."""
    return [CheckCodeRecord(*distance) for distance in distances]


class LimitRecord(NamedTuple):
    """How far one thing can go before a target is missed, in its unit."""

    of: Literal["segment", "chain", "boards"]
    segments: list[int]
    """Numbers of the equal segments of which one grows; else empty."""
    unit: str
    now: Number
    most: Number
    step: Number
    then_missed: list[str]
    """Missed one step further; empty where the search ended at its own limit."""
    monotone: bool
    """False where something larger holds again."""


class ChainLimits(NamedTuple):
    """How far a chain and its copies could go."""

    chain: str
    limits: list[LimitRecord]
    missed_anyhow: list[str]
    """Targets missed even at zero length or with a single board, left out of the search."""


class Limits(NamedTuple):
    """How far every chain could go."""

    skipped: str
    """Why nothing was searched; empty where it was."""
    chains: list[ChainLimits]


def limits_record(evaluation: Evaluation) -> Limits:
    """Return how far every chain could go."""
    budget = reach_budget(evaluation)
    return Limits(
        budget.skipped,
        [
            ChainLimits(found.chain, [_limit(reach) for reach in found.reaches], _names(found.missed_anyhow))
            for found in budget.chains
        ],
    )


def _limit(reach: Reach) -> LimitRecord:
    figures = (reach.now, reach.most, reach.step)
    now, most, step = (number(each, reach.dimension) for each in figures)
    return LimitRecord(
        reach.kind,
        list(reach.segments),
        unit_of(reach.dimension),
        now,
        most,
        step,
        _names(reach.stopped_by),
        reach.monotone,
    )


def _names(verdicts: Iterable[Figure]) -> list[str]:
    return [f"{each.target}: {each.subject}" for each in verdicts]
