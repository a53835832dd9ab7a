"""The study of a plan's tolerances as JSON with units in the keys."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from chainplan.cautions import CAUTIONS
from chainplan.report.units import with_unit
from chainplan.tolerance.statistics import CONFIDENCE

if TYPE_CHECKING:
    from chainplan.plan.load import LoadedPlan
    from chainplan.tolerance.study import DrawnSets, Effect, FigureStudy, ToleranceStudy

TOLERANCES_VERSION = 1
"""Version of the form of this output; it changes when a key changes its meaning or goes."""


def tolerances_json(loaded: LoadedPlan, found: ToleranceStudy) -> str:
    """Return the study as strict JSON, in a stable order."""
    data = tolerances_data(loaded, found)
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def tolerances_data(loaded: LoadedPlan, found: ToleranceStudy) -> dict[str, Any]:
    """Return the study as plain data."""
    return {
        "tolerances_version": TOLERANCES_VERSION,
        "plan": {"title": loaded.plan.title, "revision": loaded.plan.revision, "file": loaded.file},
        "samples": found.samples,
        "seed": found.seed,
        "confidence": CONFIDENCE,
        "parameters": [
            {"parameter": each.name, "drawn": not each.held, "why_not_drawn": each.held or None}
            for each in found.parameters
        ],
        "figures": [_figure(each) for each in found.figures],
        "cautions": list(CAUTIONS),
    }


def _figure(figure: FigureStudy) -> dict[str, Any]:
    verdict = figure.verdict
    amounts: dict[str, int | None] = {
        "value": verdict.value,
        "limit": verdict.limit,
        "worst": figure.worst,
        "typical": figure.typical,
        "held_whole": figure.held,
        "root_sum_square": figure.root_sum_square,
    }
    return {
        "target": verdict.target,
        "subject": verdict.subject,
        "figure": verdict.figure or None,
        "alike": [each.subject for each in figure.alike],
        "verdict": verdict.status,
        "sense": verdict.sense,
        "followed": figure.followed,
        **{
            key: value
            for name, ticks in amounts.items()
            for key, value in with_unit(name, ticks, verdict.dimension).items()
        },
        "effects": [_effect(each, figure) for each in figure.effects],
        "drawn": None if figure.drawn is None else _drawn(figure.drawn, figure),
    }


def _effect(effect: Effect, figure: FigureStudy) -> dict[str, Any]:
    dimension = figure.verdict.dimension
    share = (
        None if effect.carries is None or not figure.whole else float(Fraction(effect.carries, figure.whole))
    )
    return {
        "parameter": effect.parameter.name,
        "driven_by": effect.end,
        **with_unit("alone", effect.alone, dimension),
        **with_unit("in_worst_case", effect.carries, dimension),
        "share": share,
    }


def _drawn(drawn: DrawnSets, figure: FigureStudy) -> dict[str, Any]:
    dimension = figure.verdict.dimension
    return {
        "number": drawn.number,
        **with_unit("mean", drawn.mean, dimension),
        "percentiles": [
            {
                "percent": float(each.percent),
                **with_unit("value", each.value, dimension),
                **with_unit("from", each.low, dimension),
                **with_unit("to", each.high, dimension),
            }
            for each in drawn.quantiles
        ],
        **with_unit("furthest", drawn.furthest, dimension),
        "missed": drawn.missed,
        "missed_at_most_ratio": drawn.missed_at_most,
        "beyond_worst": drawn.beyond,
        "without_bound": drawn.unknown,
    }
