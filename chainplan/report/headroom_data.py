"""Headroom as data: how far each parameter goes alone, and what fixes each missed target."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from chainplan.headroom.budget import Fix, Limit, Missed, headroom_budget
from chainplan.headroom.parameters import Move
from chainplan.report.units import Number, number, unit_of

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation


class ParameterLimit(NamedTuple):
    """How far a parameter goes alone before a target is missed, in its unit."""

    parameter: str
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
    """Missed one step further; empty where the parameter reached the end of what is looked at."""
    monotone: bool
    """False where something farther was seen to hold again."""


class MoveRecord(NamedTuple):
    """A parameter at another value, in its unit."""

    parameter: str
    of: str
    unit: str
    now: Number
    then: Number
    set: list[str]


class FixRecord(NamedTuple):
    """One or two moves that fix a missed target."""

    moves: list[MoveRecord]
    size_ratio: float
    """The sum of the moves, each as a share of the present value."""
    unit: str
    margin_then: Number
    fixes_all: bool


class BreakRecord(NamedTuple):
    """A move that would fix a target but miss another."""

    move: MoveRecord
    then_missed: str


class MissedRecord(NamedTuple):
    """A missed target and what fixes it, smallest first."""

    target: str
    subject: str
    fixes: list[FixRecord]
    would_miss_another: list[BreakRecord]


class HeadroomRecord(NamedTuple):
    """How far every parameter goes alone, and what fixes each missed target."""

    skipped: str
    """Why nothing was searched; empty where it was."""
    limits: list[ParameterLimit]
    missed: list[MissedRecord]


def headroom_record(evaluation: Evaluation) -> HeadroomRecord:
    """Return the limits of every parameter and the fixes of every missed target."""
    headroom = headroom_budget(evaluation)
    return HeadroomRecord(
        headroom.skipped,
        [_limit(each) for each in headroom.limits],
        [_missed(each) for each in headroom.missed],
    )


def _limit(limit: Limit) -> ParameterLimit:
    parameter = limit.parameter
    figures = (parameter.present, limit.value, parameter.grain)
    present, holds_to, step = (number(each, parameter.dimension) for each in figures)
    return ParameterLimit(
        parameter.name,
        parameter.subject,
        "up" if limit.direction > 0 else "down",
        unit_of(parameter.dimension),
        present,
        holds_to,
        step,
        list(parameter.settings(limit.value)),
        [f"{stop.target}: {stop.subject}" for stop in limit.stops],
        limit.plain,
    )


def _missed(missed: Missed) -> MissedRecord:
    return MissedRecord(
        missed.verdict.target,
        missed.verdict.subject,
        [_fix(fix) for fix in missed.fixes],
        [BreakRecord(_move(move), f"{broken.target}: {broken.subject}") for move, broken in missed.breaks],
    )


def _fix(fix: Fix) -> FixRecord:
    dimension = fix.then.dimension
    return FixRecord(
        [_move(move) for move in fix.moves],
        float(fix.size),
        unit_of(dimension),
        number(fix.then.margin, dimension),
        fix.meets_all,
    )


def _move(move: Move) -> MoveRecord:
    parameter = move.parameter
    now, then = (number(each, parameter.dimension) for each in (parameter.present, move.value))
    return MoveRecord(
        parameter.name, parameter.subject, unit_of(parameter.dimension), now, then, list(move.settings)
    )
