"""What simulations observed beside what was computed, as JSON with units in the keys."""

from __future__ import annotations

import json
from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from chainplan.cautions import CAUTIONS
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.plan.load import LoadedPlan
    from chainplan.witness.compare import SimulatedRow
    from chainplan.witness.simulations import Simulated

SIMULATED_VERSION = 1
"""Version of the form of this output; it changes when a key changes its meaning or goes."""


def simulated_json(loaded: LoadedPlan, simulated: Simulated, rows: Sequence[SimulatedRow]) -> str:
    """Return a simulation as strict JSON, in a stable order."""
    return (
        json.dumps(simulated_data(loaded, simulated, rows), indent=2, ensure_ascii=False, allow_nan=False)
        + "\n"
    )


def simulated_data(loaded: LoadedPlan, simulated: Simulated, rows: Sequence[SimulatedRow]) -> dict[str, Any]:
    """Return a simulation as plain data."""
    return {
        "simulated_version": SIMULATED_VERSION,
        "plan": {"title": loaded.plan.title, "revision": loaded.plan.revision, "file": loaded.file},
        "simulations": {
            "wanted": simulated.wanted,
            "done": simulated.done,
            "interrupted": simulated.interrupted,
        },
        "every_bound_held": all(row.ok for row in rows),
        "figures": [_row(row) for row in rows],
        "controllers": [
            {
                "controller": name,
                "scans": record.scans,
                "frames": sum(record.frames.values()),
                "frames_hit": sum(record.bad_frames.values()),
                "retries": sum(task.retries for task in record.tasks.values()),
                "reads_lost": record.lost,
                "scans_beyond_reserve": record.scan_time_beyond.count,
            }
            for name, record in simulated.record.controllers.items()
        ],
        "cautions": list(CAUTIONS),
    }


def _row(row: SimulatedRow) -> dict[str, Any]:
    figures: dict[str, int | Fraction] = {
        "least": row.least,
        "mean": Fraction(row.mean),
        "median": row.median,
        "percentile_99": row.percentile_99,
        "largest": row.largest,
        "worst_case": row.bound,
    }
    return {
        "figure": row.quantity,
        "controller": row.controller,
        "subject": row.subject,
        "count": row.count,
        **{
            key: value
            for name, ticks in figures.items()
            for key, value in with_unit(name, ticks, row.dimension).items()
        },
        "largest_of_worst_case": float(row.ratio) if row.ratio is not None else None,
        "held": row.ok,
    }
