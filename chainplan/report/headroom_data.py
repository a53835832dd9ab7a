"""Headroom as data: how far each lever goes alone, and what mends each missed target."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chainplan.headroom.budget import Limit, Mend, Missed, headroom_budget
from chainplan.headroom.levers import Move
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]


def headroom_data(evaluation: Evaluation) -> Record:
    """Return the limits of every lever and the mends of every missed target."""
    headroom = headroom_budget(evaluation)
    return {
        "skipped": headroom.skipped,
        "limits": [_limit(limit) for limit in headroom.limits],
        "missed": [_missed(missed) for missed in headroom.missed],
    }


def _limit(limit: Limit) -> Record:
    lever = limit.lever
    return {
        "lever": lever.name,
        "of": lever.subject,
        "direction": "up" if limit.direction > 0 else "down",
        **with_unit("now", lever.present, lever.dimension),
        **with_unit("holds_to", limit.value, lever.dimension),
        **with_unit("step", lever.grain, lever.dimension),
        "then_missed": [f"{stop.target}: {stop.subject}" for stop in limit.stops],
        "monotone": limit.plain,
        "set": list(lever.settings(limit.value)),
    }


def _missed(missed: Missed) -> Record:
    return {
        "target": missed.verdict.target,
        "subject": missed.verdict.subject,
        "mends": [_mend(mend) for mend in missed.mends],
        "would_miss_another": [
            {**_move(move), "then_missed": f"{broken.target}: {broken.subject}"}
            for move, broken in missed.breaks
        ],
    }


def _mend(mend: Mend) -> Record:
    return {
        "moves": [_move(move) for move in mend.moves],
        "size_ratio": float(mend.size),
        **with_unit("margin_then", mend.then.margin, mend.then.dimension),
        "mends_all": mend.meets_all,
    }


def _move(move: Move) -> Record:
    lever = move.lever
    return {
        "lever": lever.name,
        "of": lever.subject,
        **with_unit("now", lever.present, lever.dimension),
        **with_unit("then", move.value, lever.dimension),
        "set": list(move.settings),
    }
