"""Results at a keyboard: an evaluation that shows itself in a notebook, as plain data and as a data frame."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.plan.includes import Sources
from chainplan.plan.load import LoadedPlan
from chainplan.plan.model import Plan

if TYPE_CHECKING:
    import pandas


class Verdicts(tuple[Figure, ...]):
    """Figures that are judged: a tuple that a notebook shows as a table."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        from chainplan.notebook import verdicts_html  # late, as all that shows results

        return verdicts_html(self)


class Results(Evaluation):
    """All results for one checked plan. `loaded` is what the plan was read from, where that is known."""

    def __init__(self, plan: Plan, loaded: LoadedPlan | None = None) -> None:
        super().__init__(plan)
        self.loaded = loaded

    @property
    def verdicts(self) -> Verdicts:
        """Return every figure that is judged, in the order of the report."""
        return Verdicts(super().verdicts)

    @property
    def missed(self) -> Verdicts:
        """Return the targets that the plan misses."""
        return Verdicts(super().missed)

    def to_dict(self) -> dict[str, Any]:
        """Return all results as plain dicts, lists, texts and numbers: what `chainplan data` writes as JSON.

        Results of a bare plan do not know its file and what the reader warned of; both are left empty.
        """
        from chainplan import __version__
        from chainplan.plan.source import parse_source
        from chainplan.report.data import plan_data

        bare = LoadedPlan(self.plan, "", Sources(parse_source("{}", "")), ())
        return plan_data(self.loaded or bare, self, __version__)

    def frame(self) -> pandas.DataFrame:
        """Return the verdicts as a data frame; raises ImportError where pandas is not installed."""
        from chainplan.frames import verdicts_frame

        return verdicts_frame(self)

    def _repr_html_(self) -> str:
        from chainplan.notebook import verdicts_html

        return verdicts_html(self.verdicts, f"{self.plan.title}, revision {self.plan.revision}")


def evaluate(plan: Plan | LoadedPlan) -> Results:
    """Evaluate a checked plan: what `chainplan.load` returns, or a plan alone."""
    return Results(plan) if isinstance(plan, Plan) else Results(plan.plan, plan)
