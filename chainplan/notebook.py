"""How results show themselves in a notebook.

Imported only when something is shown or asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from chainplan.cautions import CAUTIONS
from chainplan.figures.figure import Figure, Status
from chainplan.plan.problems import escape as visible
from chainplan.report.figures import STATUS_WORDS, limit, margin, margin_share, typical, worst
from chainplan.report.terse import closing_line

MOST_ROWS = 100
"""Rows of a table in a notebook; what is left out is counted, and is never a missed target before others."""

ORDER: tuple[Status, ...] = ("missed", "not checked", "met")

HEADINGS = ("", "target", "subject", "worst case", "limit", "margin", "of limit", "typical", "where, note")

# Notebooks have light and dark pages, so that only the word of a verdict has a colour, readable on both.
_COLOURS: dict[Status, str] = {"missed": "#d1242f", "not checked": "#9a6700", "met": "#1a7f37"}


def verdicts_html(verdicts: Sequence[Figure], title: str = "") -> str:
    """Return verdicts as an HTML table, missed ones first; every word of the plan is escaped."""
    ordered = sorted(verdicts, key=lambda verdict: ORDER.index(verdict.status))
    rows = "".join(map(_row, ordered[:MOST_ROWS]))
    left = len(ordered) - MOST_ROWS
    more = f'<tr><td colspan="{len(HEADINGS)}">and {left} more</td></tr>' if left > 0 else ""
    head = "".join(f"<th>{heading}</th>" for heading in HEADINGS)
    caption = " · ".join(_text(part) for part in (title, closing_line(verdicts)) if part)
    return (
        f"<table><caption>{caption}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{rows}{more}</tbody></table><p><small>{'<br>'.join(map(_text, CAUTIONS))}</small></p>"
    )


def _row(verdict: Figure) -> str:
    word = f'<b style="color:{_COLOURS[verdict.status]}">{_text(STATUS_WORDS[verdict.status])}</b>'
    figures = (worst(verdict), limit(verdict), margin(verdict), margin_share(verdict), typical(verdict))
    remarks = "; ".join(part for part in (verdict.where, verdict.note) if part)
    words = [f"<td>{_text(each)}</td>" for each in (verdict.target, verdict.subject)]
    # A figure and its unit stay on one line.
    words += [f'<td style="white-space:nowrap">{_text(each)}</td>' for each in figures]
    return f"<tr><td>{word}</td>{''.join(words)}<td>{_text(remarks)}</td></tr>"


def _text(text: str) -> str:
    return escape(visible(text))
