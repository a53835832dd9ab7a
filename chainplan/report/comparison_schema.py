"""The shape of a comparison as data, from which its JSON Schema is made.

Keys end in their unit, as in :mod:`chainplan.report.data_schema`: where figures of several dimensions can
stand, there is one key per unit and exactly one of them is present.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import create_model

from chainplan.report.comparison_data import COMPARISON_VERSION
from chainplan.report.record_schema import ResultRecord as _Record
from chainplan.report.record_schema import figures

Status = Literal["met", "missed", "not checked"]


class ComparisonTool(_Record):
    """What wrote the comparison."""

    name: Literal["chainplan"]
    version: str


class ComparedPlan(_Record):
    """One of the plans, and how many of its targets are met, missed and not checked."""

    letter: str
    """Stands for the plan in all that follows."""
    file: str
    title: str
    revision: str
    date: str | None
    counts: dict[Status, int]


class ChangeSide(_Record):
    """A value in one plan."""

    key: str
    text: str
    """As it was written, on one line; of a key that was left out the default, empty where there is none."""
    written: bool
    file: str
    line: int | None
    """Line of the key; of one that was left out, of what it would stand in."""


class PlanChange(_Record):
    """One change of the plan; a side is null where that plan has nothing there."""

    kind: Literal["changed", "added", "removed", "renamed", "moved", "reordered"]
    key: str
    old: ChangeSide | None
    new: ChangeSide | None
    used_by: list[str]
    """What uses the type that was changed."""
    words_only: bool
    """A title, a date or a note: no figure depends on it."""


class Rename(_Record):
    """A part that has a new name and is otherwise the same."""

    section: str
    old: str
    new: str


class OutcomeData(_Record):
    """How many targets of both plans there are of each effect, and what follows from it."""

    word: Literal["better", "worse", "mixed", "as good", "nothing in common"]
    newly_missed: int
    no_longer_checked: int
    newly_met: int
    smaller_margin: int
    larger_margin: int
    same: int
    other_limit: int
    """Targets of both plans that have another limit."""
    only_before: int
    only_before_missed: int
    only_after: int
    only_after_missed: int


class _TermWords(_Record):
    label: str
    old_times: int | None
    new_times: int | None
    parts_of_each: list[TermChangeData]
    """What changed within one amount of the term."""


TermChangeData = create_model(
    "TermChangeData",
    __base__=_TermWords,
    __doc__="A term that adds something else; times x each = what it adds; null where there is no such term.",
    **figures("old_each", "new_each", "change"),
)


class _FigureWords(_Record):
    figure: str
    """Its name, for `explain`."""
    label: str
    change_share: float | None
    """Of the old total."""
    terms: list[TermChangeData]
    """Those that differ, the largest change first; their changes add up to that of the figure."""


FigureChangeData = create_model(
    "FigureChangeData",
    __base__=_FigureWords,
    __doc__="A figure that comes to something else; null where a plan has no such figure.",
    **figures("old_total", "new_total", "change"),
)


class AgainstData(_Record):
    """One plan against the reference."""

    letter: str
    answer: str
    """Whether it is better, in one line."""
    outcome: OutcomeData
    nothing_differs: bool
    changes: list[PlanChange]
    renames: list[Rename]
    figures: list[FigureChangeData]


class _VerdictWords(_Record):
    letter: str
    status: Status
    sense: Literal["at most", "below", "at least"]
    margin_share_of_limit: float | None
    where: str
    effect: Literal["newly missed", "no longer checked", "newly met", "worse", "better", "same"] | None
    """What the plan does to the reference's verdict; null for the reference, and where it has none."""
    worst_change_share: float | None
    """Of the reference's worst case."""
    margin_share_change: float | None


ComparedVerdict = create_model(
    "ComparedVerdict",
    __base__=_VerdictWords,
    __doc__="A target of one plan, and how it differs from the reference's.",
    **figures("worst", "limit", "margin", "typical", "worst_change"),
)


class ComparedTarget(_Record):
    """One target in every plan, in the order of the plans; null where a plan has none."""

    target: str
    subject: str
    differs: bool
    plans: list[ComparedVerdict | None]


class ComparisonResults(_Record):
    """A comparison of plans with the first of them."""

    format: Literal["chainplan comparison"]
    schema_version: int
    tool: ComparisonTool
    reference: str
    plans: list[ComparedPlan]
    against_reference: list[AgainstData]
    targets: list[ComparedTarget]
    cautions: list[str]


def comparison_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a comparison as data."""
    schema = ComparisonResults.model_json_schema()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": f"chainplan comparison, schema version {COMPARISON_VERSION}",
    }
