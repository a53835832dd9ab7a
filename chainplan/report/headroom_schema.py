"""The shape of the headroom in the results as data."""

from __future__ import annotations

from typing import Literal

from pydantic import create_model

from chainplan.report.record_schema import ResultRecord, figures


class _Lever(ResultRecord):
    lever: str
    of: str
    """What it belongs to: a chain, a controller, a type, a hazard."""
    set: list[str]
    """The value as KEY=VALUE texts for a what-if; empty where it is more than a key's value."""


class _LimitWords(_Lever):
    direction: Literal["up", "down"]
    then_missed: list[str]
    """Missed one step further; empty where the lever reached the end of what is looked at."""
    monotone: bool
    """False where something farther was seen to hold again."""


LeverLimitData = create_model(
    "LeverLimitData",
    __base__=_LimitWords,
    __doc__="How far a lever goes alone before a target is missed.",
    **figures("now", "holds_to", "step"),
)

MoveData = create_model(
    "MoveData", __base__=_Lever, __doc__="A lever at another value.", **figures("now", "then")
)


class _BreakWords(_Lever):
    then_missed: str


BreakData = create_model(
    "BreakData",
    __base__=_BreakWords,
    __doc__="A move that would mend a target but miss another.",
    **figures("now", "then"),
)


class _MendWords(ResultRecord):
    moves: list[MoveData]
    size_ratio: float
    """The sum of the moves, each as a share of the present value."""
    mends_all: bool


MendData = create_model(
    "MendData",
    __base__=_MendWords,
    __doc__="One or two moves that mend a missed target.",
    **figures("margin_then"),
)


class MissedData(ResultRecord):
    """A missed target and what mends it, smallest first."""

    target: str
    subject: str
    mends: list[MendData]
    would_miss_another: list[BreakData]


class HeadroomData(ResultRecord):
    """How far every lever goes alone, and what mends each missed target."""

    skipped: str
    """Why nothing was searched; empty where it was."""
    limits: list[LeverLimitData]
    missed: list[MissedData]
