"""Every figure with its terms, as data: equal arithmetic once."""

from __future__ import annotations

from collections.abc import Collection, Hashable
from typing import TYPE_CHECKING, Any

from chainplan.figures.terms import Sum, Term
from chainplan.quantity import Dimension
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]


def figures_data(evaluation: Evaluation, segments: Collection[str]) -> Record:
    """Return every sum by its name with its terms; where another has the same terms, that one's name.

    Of isolation, whose sums grow with every segment, only those of `segments` and those that verdicts name.
    """
    wanted = {f"isolation/{segment}" for segment in segments}
    judged = {verdict.figure for verdict in evaluation.verdicts}
    first: dict[Hashable, str] = {}
    found: Record = {}
    for name, work_out in evaluation.sums().items():
        if name.startswith("isolation/") and name not in judged and name.rpartition("/")[0] not in wanted:
            continue
        figure = work_out()
        key = figure.dimension.name, figure.formula, figure.source, figure.terms
        same = first.setdefault(key, name)
        found[name] = _sum(figure) if same == name else {"label": figure.label, "same_as": same}
    return found


def _sum(figure: Sum) -> Record:
    return {
        "label": figure.label,
        "formula": figure.formula,
        "source": figure.source,
        **with_unit("total", figure.total, figure.dimension),
        "terms": [_term(term, figure.dimension) for term in figure.terms],
    }


def _term(term: Term, dimension: Dimension) -> Record:
    return {
        "label": term.label,
        "how": term.how,
        "times": term.times,
        **with_unit("each", term.amount, dimension),
        **with_unit("total", term.total, dimension),
        "parts_of_each": [_term(part, dimension) for part in term.parts],
    }
