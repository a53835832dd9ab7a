"""A comparison as JSON: the same figures as on the screen and all that the screen leaves out.

The shape is described by :mod:`chainplan.report.comparison_schema`.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from typing import Any

from chainplan.cautions import CAUTIONS
from chainplan.comparison.changes import Change, PlanChanges, Side
from chainplan.comparison.figures import FigureChange, TermChange
from chainplan.comparison.targets import TargetRow, effect, share_change, value_change
from chainplan.comparison.whole import Against, Comparison, mark
from chainplan.figures.figure import Figure
from chainplan.figures.terms import Term
from chainplan.quantity import Dimension
from chainplan.report.comparison_words import answer
from chainplan.report.units import with_unit

COMPARISON_VERSION = 1
"""Rises when a program that reads an older shape would stumble."""

Record = dict[str, Any]


def comparison_json(comparison: Comparison, version: str) -> str:
    """Return a comparison as strict JSON: ASCII, no NaN, the same bytes for the same plans and version."""
    return json.dumps(comparison_data(comparison, version), indent=2, allow_nan=False) + "\n"


def comparison_data(comparison: Comparison, version: str) -> Record:
    """Return a comparison as plain dicts, lists, texts and numbers; `version` is the tool's own."""
    return {
        "format": "chainplan comparison",
        "schema_version": COMPARISON_VERSION,
        "tool": {"name": "chainplan", "version": version},
        "reference": mark(0),
        "plans": [_plan(comparison, number) for number in range(len(comparison.plans))],
        "against_reference": [
            _against(number, against) for number, against in enumerate(comparison.others, start=1)
        ],
        "targets": [_target(row) for row in comparison.targets],
        "cautions": list(CAUTIONS),
    }


def _plan(comparison: Comparison, number: int) -> Record:
    loaded = comparison.plans[number]
    counts = Counter(verdict.status for verdict in comparison.evaluations[number].verdicts)
    return {
        "letter": mark(number),
        "file": _file_name(loaded.file),
        "title": loaded.plan.title,
        "revision": loaded.plan.revision,
        "date": loaded.plan.date,
        "counts": {status: counts[status] for status in ("met", "missed", "not checked")},
    }


def _file_name(name: str) -> str:
    """Return a file's name as Unicode text: bytes of it that are none become replacement characters."""
    return os.fsencode(name).decode("utf-8", "replace")


def _against(number: int, against: Against) -> Record:
    return {
        "letter": mark(number),
        "answer": answer(number, against),
        "outcome": against.outcome._asdict(),
        "nothing_differs": against.nothing_differs,
        "changes": [_change(change) for change in against.plan.changes],
        "renames": _renames(against.plan),
        "figures": [_figure(figure) for figure in against.figures],
    }


def _renames(changes: PlanChanges) -> list[Record]:
    return [
        {"section": section, "old": old, "new": new}
        for section, names in changes.renames.items()
        for old, new in names.items()
    ]


def _change(change: Change) -> Record:
    return {
        "kind": change.kind,
        "key": change.key,
        "old": _side(change.old),
        "new": _side(change.new),
        "used_by": list(change.used_by),
        "words_only": change.words_only,
    }


def _side(side: Side | None) -> Record | None:
    if side is None:
        return None
    return {
        "key": side.key,
        "text": side.text,
        "written": side.written,
        "file": _file_name(side.file),
        "line": side.line or None,
    }


def _target(row: TargetRow) -> Record:
    first = row.verdicts[0]
    return {
        "target": row.target,
        "subject": row.subject,
        "differs": row.differs,
        "plans": [
            None if verdict is None else _verdict(number, verdict, first if number else None)
            for number, verdict in enumerate(row.verdicts)
        ],
    }


def _verdict(number: int, verdict: Figure, reference: Figure | None) -> Record:
    """Return a verdict, with what it is to the reference's where there is one."""
    change = value_change(reference, verdict) if reference else None
    shares = share_change(reference, verdict) if reference else None
    own = verdict.margin_share
    return {
        "letter": mark(number),
        "status": verdict.status,
        "sense": verdict.sense,
        **with_unit("worst", verdict.value, verdict.dimension),
        **with_unit("limit", verdict.limit, verdict.dimension),
        **with_unit("margin", verdict.margin, verdict.dimension),
        "margin_share_of_limit": None if own is None else float(own),
        **with_unit("typical", verdict.typical, verdict.dimension),
        "where": verdict.where,
        "effect": effect(reference, verdict) if reference else None,
        **with_unit("worst_change", change[0] if change else None, verdict.dimension),
        "worst_change_share": float(change[1]) if change and change[1] is not None else None,
        "margin_share_change": None if shares is None else float(shares),
    }


def _figure(figure: FigureChange) -> Record:
    return {
        "figure": figure.name,
        "label": figure.label,
        **with_unit("old_total", figure.old, figure.dimension),
        **with_unit("new_total", figure.new, figure.dimension),
        **with_unit("change", figure.change, figure.dimension),
        "change_share": None if figure.share is None else float(figure.share),
        "terms": [_term(term, figure.dimension) for term in figure.terms],
    }


def _term(term: TermChange, dimension: Dimension) -> Record:
    return {
        "label": term.label,
        **_amount("old", term.old, dimension),
        **_amount("new", term.new, dimension),
        **with_unit("change", term.change, dimension),
        "parts_of_each": [_term(part, dimension) for part in term.parts],
    }


def _amount(which: str, term: Term | None, dimension: Dimension) -> Record:
    return {
        f"{which}_times": None if term is None else term.times,
        **with_unit(f"{which}_each", None if term is None else term.amount, dimension),
    }
