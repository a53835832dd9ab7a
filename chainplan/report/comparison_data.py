"""A comparison as JSON: the same figures as on the screen and all that the screen leaves out.

Keys and units are those of :mod:`chainplan.report.data`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

from chainplan.cautions import CAUTIONS
from chainplan.comparison.changes import Change, Kind, WrittenValue
from chainplan.comparison.figures import FigureChange, TermChange
from chainplan.comparison.targets import Effect, TargetRow, effect, share_change, value_change
from chainplan.comparison.whole import Against, Comparison, ComparisonOutcome, mark
from chainplan.figures.figure import Figure, Sense, Status
from chainplan.quantity import Dimension
from chainplan.report.comparison_words import answer
from chainplan.report.data import ToolRecord, counts, file_name
from chainplan.report.records import record, schema_of
from chainplan.report.units import Number, number, unit_of

COMPARISON_VERSION = 2
"""Rises when a program that reads an older shape would stumble."""


class ComparedPlan(NamedTuple):
    """One of the plans, and how many of its targets are met, missed and not checked."""

    letter: str
    """Stands for the plan in all that follows."""
    file: str
    title: str
    revision: str
    date: str | None
    counts: dict[str, int]


class ChangeSide(NamedTuple):
    """A value in one plan."""

    key: str
    text: str
    """As it was written, on one line; of a key that was left out the default, empty where there is none."""
    written: bool
    file: str
    line: int | None
    """Line of the key; of one that was left out, of what it would stand in."""


class PlanChange(NamedTuple):
    """One change of the plan; a side is null where that plan has nothing there."""

    kind: Kind
    key: str
    old: ChangeSide | None
    new: ChangeSide | None
    used_by: list[str]
    """What uses the type that was changed."""
    words_only: bool
    """A title, a date or a note: no figure depends on it."""


class Rename(NamedTuple):
    """A part that has a new name and is otherwise the same."""

    section: str
    old: str
    new: str


class ChangedTerm(NamedTuple):
    """A term that adds something else; times x each = what it adds; null where there is no such term."""

    label: str
    old_times: int | None
    old_each: Number
    new_times: int | None
    new_each: Number
    change: Number
    parts_of_each: list[ChangedTerm]
    """What changed within one amount of the term."""


class ChangedFigure(NamedTuple):
    """A figure that comes to something else; null where a plan has no such figure."""

    figure: str
    """Its name, for `explain`."""
    label: str
    unit: str
    old_total: Number
    new_total: Number
    change: Number
    change_share: float | None
    """Of the old total."""
    terms: list[ChangedTerm]
    """Those that differ, the largest change first; their changes add up to that of the figure."""


class AgainstReference(NamedTuple):
    """One plan against the reference."""

    letter: str
    answer: str
    """Whether it is better, in one line."""
    outcome: ComparisonOutcome
    nothing_differs: bool
    changes: list[PlanChange]
    renames: list[Rename]
    figures: list[ChangedFigure]


class ComparedVerdict(NamedTuple):
    """A target of one plan, and how it differs from the reference's."""

    letter: str
    status: Status
    sense: Sense
    unit: str
    worst: Number
    limit: Number
    margin: Number
    margin_share: float | None
    typical: Number
    where: str
    effect: Effect | None
    """What the plan does to the reference's verdict; null for the reference, and where it has none."""
    worst_change: Number
    worst_change_share: float | None
    """Of the reference's worst case."""
    margin_share_change: float | None


class ComparedTarget(NamedTuple):
    """One target in every plan, in the order of the plans; null where a plan has none."""

    target: str
    subject: str
    differs: bool
    plans: list[ComparedVerdict | None]


class ComparisonRecord(NamedTuple):
    """A comparison of plans with the first of them."""

    format: Literal["chainplan comparison"]
    schema_version: int
    tool: ToolRecord
    reference: str
    plans: list[ComparedPlan]
    against_reference: list[AgainstReference]
    targets: list[ComparedTarget]
    cautions: list[str]


def comparison_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a comparison as data."""
    return schema_of(ComparisonRecord, f"chainplan comparison, schema version {COMPARISON_VERSION}")


def comparison_json(comparison: Comparison, version: str) -> str:
    """Return a comparison as strict JSON: ASCII, no NaN, the same bytes for the same plans and version."""
    return json.dumps(comparison_data(comparison, version), indent=2, allow_nan=False) + "\n"


def comparison_data(comparison: Comparison, version: str) -> dict[str, Any]:
    """Return a comparison as plain dicts, lists, texts and numbers; `version` is the tool's own."""
    found: dict[str, Any] = record(
        ComparisonRecord(
            "chainplan comparison",
            COMPARISON_VERSION,
            ToolRecord("chainplan", version),
            mark(0),
            list(_plans(comparison)),
            [_against(index, against) for index, against in enumerate(comparison.others, start=1)],
            [_target(row) for row in comparison.targets],
            list(CAUTIONS),
        )
    )
    return found


def _plans(comparison: Comparison) -> Iterator[ComparedPlan]:
    both = zip(comparison.plans, comparison.evaluations, strict=True)
    for index, (loaded, evaluation) in enumerate(both):
        plan = loaded.plan
        yield ComparedPlan(
            mark(index), file_name(loaded.file), plan.title, plan.revision, plan.date, counts(evaluation)
        )


def _against(index: int, against: Against) -> AgainstReference:
    return AgainstReference(
        mark(index),
        answer(index, against),
        against.outcome,
        against.nothing_differs,
        [_change(change) for change in against.plan.changes],
        [
            Rename(section, old, new)
            for section, names in against.plan.renames.items()
            for old, new in names.items()
        ],
        [_figure(figure) for figure in against.figures],
    )


def _change(change: Change) -> PlanChange:
    return PlanChange(
        change.kind,
        change.key,
        _side(change.old),
        _side(change.new),
        list(change.used_by),
        change.words_only,
    )


def _side(side: WrittenValue | None) -> ChangeSide | None:
    if side is None:
        return None
    return ChangeSide(side.key, side.text, side.written, file_name(side.file), side.line or None)


def _target(row: TargetRow) -> ComparedTarget:
    first = row.verdicts[0]
    return ComparedTarget(
        row.target,
        row.subject,
        row.differs,
        [
            None if verdict is None else _verdict(index, verdict, first if index else None)
            for index, verdict in enumerate(row.verdicts)
        ],
    )


def _verdict(index: int, verdict: Figure, reference: Figure | None) -> ComparedVerdict:
    """Return a verdict, with what it is to the reference's where there is one."""
    change = value_change(reference, verdict) if reference else None
    dimension = verdict.dimension
    return ComparedVerdict(
        mark(index),
        verdict.status,
        verdict.sense,
        unit_of(dimension),
        number(verdict.value, dimension),
        number(verdict.limit, dimension),
        number(verdict.margin, dimension),
        _share(verdict.margin_share),
        number(verdict.typical, dimension),
        verdict.where,
        effect(reference, verdict) if reference else None,
        number(change[0] if change else None, dimension),
        _share(change[1] if change else None),
        _share(share_change(reference, verdict) if reference else None),
    )


def _figure(figure: FigureChange) -> ChangedFigure:
    dimension = figure.dimension
    old, new, change = (number(each, dimension) for each in (figure.old, figure.new, figure.change))
    terms = [_term(term, dimension) for term in figure.terms]
    share = _share(figure.share)
    return ChangedFigure(figure.name, figure.label, unit_of(dimension), old, new, change, share, terms)


def _term(term: TermChange, dimension: Dimension) -> ChangedTerm:
    old, new = term.old, term.new
    return ChangedTerm(
        term.label,
        old and old.times,
        number(old and old.amount, dimension),
        new and new.times,
        number(new and new.amount, dimension),
        number(term.change, dimension),
        [_term(part, dimension) for part in term.parts],
    )


def _share(share: Any) -> float | None:
    return None if share is None else float(share)
