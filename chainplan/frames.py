"""Results as pandas data frames, for those who have pandas: `pip install 'chainplan[frames]'`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chainplan.report.units import number, unit_of

if TYPE_CHECKING:
    import pandas

    from chainplan.evaluation import Evaluation
    from chainplan.figures.figure import Figure

FIGURES = ("worst", "limit", "margin", "typical")

COLUMNS = (
    *("target", "subject", "status", "sense", *FIGURES, "unit", "margin_share"),
    *("sum", "where", "note"),
)


def verdicts_frame(evaluation: Evaluation) -> pandas.DataFrame:
    """Return a row per target, in the order of the report.

    `worst`, `limit`, `margin` and `typical` are floats in the row's `unit`, which is written as the results'
    keys write it: s, V, m, bit, byte, dB, per_hour, A, Ah, ratio (1 = 100 %), count; unknown is NaN. Raises
    :class:`ImportError` where pandas is not installed.
    """
    try:
        import pandas
    except ImportError as error:
        raise ImportError(
            "data frames need pandas, which is not installed; pip install 'chainplan[frames]'"
        ) from error
    frame = pandas.DataFrame([_row(verdict) for verdict in evaluation.verdicts], columns=list(COLUMNS))
    return frame.astype(dict.fromkeys((*FIGURES, "margin_share"), "float64"))


def _row(verdict: Figure) -> tuple[object, ...]:
    ticks = (verdict.value, verdict.limit, verdict.margin, verdict.typical)
    share = verdict.margin_share
    return (
        *(verdict.target, verdict.subject, verdict.status, verdict.sense),
        *(number(each, verdict.dimension) for each in ticks),
        unit_of(verdict.dimension),
        None if share is None else float(share),
        *(verdict.figure, verdict.where, verdict.note),
    )
