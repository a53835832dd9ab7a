"""Headroom as data: how far each lever goes alone, and what mends each missed target."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from chainplan.headroom.budget import Limit, Mend, Missed, headroom_budget
from chainplan.headroom.levers import Move
from chainplan.report.units import Number, number, unit_of

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation


class LeverLimit(NamedTuple):
    """How far a lever goes alone before a target is missed, in its unit."""

    lever: str
    of: str
    """What it belongs to: a chain, a controller, a type, a hazard."""
    direction: Literal["up", "down"]
    unit: str
    now: Number
    holds_to: Number
    step: Number
    set: list[str]
    """The value as KEY=VALUE texts for a what-if; empty where it is more than a key's value."""
    then_missed: list[str]
    """Missed one step further; empty where the lever reached the end of what is looked at."""
    monotone: bool
    """False where something farther was seen to hold again."""


class MoveRecord(NamedTuple):
    """A lever at another value, in its unit."""

    lever: str
    of: str
    unit: str
    now: Number
    then: Number
    set: list[str]


class MendRecord(NamedTuple):
    """One or two moves that mend a missed target."""

    moves: list[MoveRecord]
    size_ratio: float
    """The sum of the moves, each as a share of the present value."""
    unit: str
    margin_then: Number
    mends_all: bool


class BreakRecord(NamedTuple):
    """A move that would mend a target but miss another."""

    move: MoveRecord
    then_missed: str


class MissedRecord(NamedTuple):
    """A missed target and what mends it, smallest first."""

    target: str
    subject: str
    mends: list[MendRecord]
    would_miss_another: list[BreakRecord]


class HeadroomRecord(NamedTuple):
    """How far every lever goes alone, and what mends each missed target."""

    skipped: str
    """Why nothing was searched; empty where it was."""
    limits: list[LeverLimit]
    missed: list[MissedRecord]


def headroom_record(evaluation: Evaluation) -> HeadroomRecord:
    """Return the limits of every lever and the mends of every missed target."""
    headroom = headroom_budget(evaluation)
    return HeadroomRecord(
        headroom.skipped,
        [_limit(each) for each in headroom.limits],
        [_missed(each) for each in headroom.missed],
    )


def _limit(limit: Limit) -> LeverLimit:
    lever = limit.lever
    figures = (lever.present, limit.value, lever.grain)
    present, holds_to, step = (number(each, lever.dimension) for each in figures)
    return LeverLimit(
        lever.name,
        lever.subject,
        "up" if limit.direction > 0 else "down",
        unit_of(lever.dimension),
        present,
        holds_to,
        step,
        list(lever.settings(limit.value)),
        [f"{stop.target}: {stop.subject}" for stop in limit.stops],
        limit.plain,
    )


def _missed(missed: Missed) -> MissedRecord:
    return MissedRecord(
        missed.verdict.target,
        missed.verdict.subject,
        [_mend(mend) for mend in missed.mends],
        [BreakRecord(_move(move), f"{broken.target}: {broken.subject}") for move, broken in missed.breaks],
    )


def _mend(mend: Mend) -> MendRecord:
    dimension = mend.then.dimension
    return MendRecord(
        [_move(move) for move in mend.moves],
        float(mend.size),
        unit_of(dimension),
        number(mend.then.margin, dimension),
        mend.meets_all,
    )


def _move(move: Move) -> MoveRecord:
    lever = move.lever
    now, then = (number(each, lever.dimension) for each in (lever.present, move.value))
    return MoveRecord(lever.name, lever.subject, unit_of(lever.dimension), now, then, list(move.settings))
