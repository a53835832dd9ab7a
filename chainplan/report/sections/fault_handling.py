"""From fault to safe state: every hazard's FDTI, FRTI and FHTI against its FTTI, and the terms."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType

from rich.text import Text

from chainplan.budgets.values.latency import HazardLatency
from chainplan.budgets.values.reported import DETECTION, HANDLING, REACTION
from chainplan.figures.terms import Sum, Term
from chainplan.quantity import TIME
from chainplan.report.alike import gathered
from chainplan.report.blocks import Cell, Column, Heading, Paragraph, ReportPart, Subheading, Table
from chainplan.report.figures import amount, signed_amount
from chainplan.report.sections.common import View, status_text, two_lines

MOST_TERMS = 12
"""Groups of hazards whose terms are written out."""


DRAWS = (
    DETECTION,
    REACTION,
    HANDLING,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return every hazard's intervals and what they are made of."""
    latencies, told = view.evaluation.latencies, view.evaluation.reported
    boundless = told.unbounded if told else {}
    yield Heading("Fault handling", "from fault to safe state, worst case; FHTI = FDTI + FRTI, below FTTI")
    if not latencies and not boundless:
        yield Paragraph("The plan names no hazards.")
        return
    yield intervals(view, latencies, boundless)
    groups = alike(latencies)
    for group in groups[:MOST_TERMS]:
        yield Text()
        yield from _terms(view, group)
    if len(groups) > MOST_TERMS:
        yield Paragraph(
            f"The terms of {len(groups) - MOST_TERMS} more are left out here: explain shows them."
        )
    yield Text()
    yield Paragraph(
        "Every term is rounded up; explain prints them exactly. FDTI, FRTI, FHTI, FTTI: fault detection, "
        "reaction, handling, fault tolerant time interval (ISO 26262-1:2018). FHTI equal to FTTI is a miss.",
    )


def intervals(
    view: View, latencies: Sequence[HazardLatency], boundless: Mapping[str, str] = MappingProxyType({})
) -> ReportPart:
    """Return the table of hazards: verdict, margin and the intervals of each.

    What has no bound, by the hazard's name and why, comes first.
    """
    columns = [
        Column("verdict", most=8),
        Column("margin", figures=True),
        Column("hazard"),
        Column("FDTI", figures=True),
        Column("FRTI", figures=True),
        Column("FHTI\n(typical)", figures=True),
        Column("FTTI", figures=True),
    ]
    rows: list[list[Cell]] = []
    for name, why in boundless.items():
        limit = f"< {amount(view.evaluation.plan.hazards[name].ftti.min, TIME, 'down')}"
        hazard = two_lines(view, name, why)
        rows.append([status_text(view, "missed"), "-", hazard, "-", "-", "no bound", limit])
    for latency in latencies:
        handling = latency.handling.total
        rows.append(
            [
                status_text(view, "met" if latency.met else "missed"),
                signed_amount(latency.ftti - handling, TIME),
                two_lines(view, latency.hazard, _path(view, latency)),
                amount(latency.detection.total, TIME, "up"),
                amount(latency.reaction.total, TIME, "up"),
                two_lines(view, amount(handling, TIME, "up"), f"({amount(latency.typical_handling, TIME)})"),
                f"< {amount(latency.ftti, TIME, 'down')}",
            ]
        )
    return Table(columns, rows)


def _path(view: View, latency: HazardLatency) -> str:
    several = len(view.evaluation.scans) > 1
    return f"{latency.path} of {latency.controller}" if several else latency.path


def alike(latencies: Iterable[HazardLatency]) -> list[list[HazardLatency]]:
    """Return the hazards grouped by equal terms, so that equal arithmetic is written once."""
    return gathered(
        latencies, lambda each: (each.controller, each.path, each.detection.terms, each.reaction.terms)
    )


def _terms(view: View, group: Sequence[HazardLatency]) -> Iterator[ReportPart]:
    first = group[0]
    yield Subheading(", ".join(latency.hazard for latency in group))
    columns = [
        Column("", figures=True, full="each"),
        Column("", figures=True, full="adds"),
        Column(f"by {_path(view, first)}"),
    ]
    rows: list[list[Cell]] = []
    for name, part in (("FDTI", first.detection), ("FRTI", first.reaction)):
        rows += [_term(term) for term in part.terms]
        rows.append(_total(view, name, part))
    rows.append(_total(view, "FHTI", first.handling))
    drawn = Table(columns, rows)
    drawn.show_header = False
    yield drawn


def _term(term: Term) -> list[Cell]:
    each = f"{term.times} x {amount(term.amount, TIME, 'up')}" if term.times != 1 else ""
    return [each, amount(term.total, TIME, "up"), term.label + (f" ({term.how})" if term.how else "")]


def _total(view: View, name: str, part: Sum) -> list[Cell]:
    texts = ("", amount(part.total, TIME, "up"), f"= {name}")
    return [Text(view.look.text(text), style="bold") for text in texts]
