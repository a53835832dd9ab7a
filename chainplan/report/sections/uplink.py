"""The uplink: each bus with its messages, and how old what they tell is where it is received."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.uplink.buses import BUS_LOAD, MESSAGE_RESPONSE, RESPONSE_TIME, Bus, Message
from chainplan.budgets.uplink.end_to_end_age import END_TO_END_AGE, MESSAGE_AGE, Age, ages_of, passed_on
from chainplan.figures.terms import Term
from chainplan.plan.uplink import BusPlan
from chainplan.quantity import BIT_RATE, RATIO, TIME, format_span
from chainplan.report.blocks import Cell, Column, Heading, Paragraph, ReportPart, Subheading, Table
from chainplan.report.figures import amount, plural, signed_amount
from chainplan.report.sections.common import STATUS_WIDTH, View, status_text, two_lines

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

MOST_MESSAGES = 40
"""Messages of one bus that get a row; of more of them the pack's own and the judged ones first."""

MOST_AGES = 6
"""Ages whose terms are written out."""


DRAWS = (
    END_TO_END_AGE,
    MESSAGE_AGE,
    BUS_LOAD,
    RESPONSE_TIME,
    MESSAGE_RESPONSE,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return every bus, the ages of what arrives, and what those are made of."""
    buses, plan = view.evaluation.buses, view.evaluation.plan.uplink
    if plan is None:
        yield Heading("Uplink")
        yield Paragraph("The plan names no bus above the controllers.")
        return
    for name, bus in buses.items():
        yield Heading("Uplink", f"bus {name}: when its messages arrive")
        yield Paragraph(_facts(bus, plan.buses[name]))
        yield Text()
        yield from _messages(view, bus)
    groups = final_ages(view.evaluation)
    if groups:
        yield Heading("End-to-end age", "of what the messages tell, worst case and typical")
        yield _ages(view, groups)
        for group in groups[:MOST_AGES]:
            if group[0].time is not None:
                yield Text()
                yield from _terms(view, group)
    yield Text()
    yield Paragraph(NOTE)


NOTE = (
    "Response time: from a message's release until its frame has passed, behind one frame of lower priority "
    "and all that go first (Davis, Burns, Bril and Lukkien 2007), each with every stuff bit it can have. A "
    "message is queued out of step with the scan, each control unit offers its most urgent message first. "
    "Age: just before the next value has arrived. Typical: the middle of every tolerance, no jitter, no bus "
    "errors, the same frames."
)


def _facts(bus: Bus, plan: BusPlan) -> str:
    rate = format_span(plan.bit_rate, BIT_RATE)
    if plan.data_rate is not None:
        rate += f", data phase {format_span(plan.data_rate, BIT_RATE)}"
    load = f"load {amount(bus.load.total, RATIO, 'up')}, typically {amount(bus.typical_load.total, RATIO)}"
    return f"{rate}; {load}; {plural(len(bus.messages), 'message')}"


def _messages(view: View, bus: Bus) -> Iterator[ReportPart]:
    shown: Sequence[Message] = bus.messages
    if len(shown) > MOST_MESSAGES:
        kept = sorted(range(len(shown)), key=lambda place: not shown[place].judged)[:MOST_MESSAGES]
        shown = [shown[place] for place in sorted(kept)]
    columns = [
        Column("identifier", figures=True),
        Column("message"),
        Column("verdict", most=STATUS_WIDTH),
        Column("margin", figures=True),
        Column("response\n(typical)", figures=True),
        Column("deadline", figures=True),
        Column("frame", figures=True),
    ]
    yield Table(columns, [_row(view, message) for message in shown])
    left = len(bus.messages) - len(shown)
    if left:
        yield Paragraph(f"Not shown: {plural(left, 'message')} more that load the bus.")


def _row(view: View, message: Message) -> list[Cell]:
    arrival, usual = message.response, message.typical_response.time
    digits = 8 if message.plan.extended else 3
    worst = None if arrival.time is None else arrival.time.total
    margin = None if worst is None else arrival.deadline - worst
    sender = message.sender or "another unit"
    return [
        f"0x{message.identifier:0{digits}X}",
        two_lines(view, message.name, f"from {sender}"),
        status_text(view, message.status) if message.judged else "-",
        signed_amount(margin, TIME) if message.judged else "-",
        two_lines(
            view,
            "no bound" if worst is None else amount(worst, TIME, "up"),
            f"({amount(usual.total, TIME)})" if usual else "",
        ),
        amount(arrival.deadline, TIME, "down") if message.judged else "-",
        amount(arrival.frame.total, TIME, "up"),
    ]


def final_ages(evaluation: Evaluation) -> list[list[Age]]:
    """Return the ages of what messages tell that nobody passes on, or that a target asks for.

    Those of one task in one message and its copies stand together, the greatest first.
    """
    plan, ages = evaluation.plan, evaluation.end_to_end_ages
    further = passed_on(plan.uplink) - set(plan.targets.end_to_end_age)
    families = dict.fromkeys(age.family for age in ages if age.family not in further)
    return [found for family in families for found in ages_of(ages, family).values()]


def _ages(view: View, groups: Sequence[Sequence[Age]]) -> ReportPart:
    columns = [
        Column("what"),
        Column("in message"),
        Column("age,\nworst case", figures=True),
        Column("age,\ntypical", figures=True),
        Column("by way of"),
    ]
    return Table(columns, [_age_row(view, group) for group in groups])


def _age_row(view: View, group: Sequence[Age]) -> list[Cell]:
    worst = group[0]
    several = f"worst of {len(group)} controllers" if len(group) > 1 else ""
    return [
        two_lines(view, worst.task, several),
        worst.message,
        "no bound" if worst.time is None else amount(worst.time.total, TIME, "up"),
        "no bound" if worst.typical is None else amount(worst.typical.total, TIME),
        worst.unbounded or " to ".join(worst.path),
    ]


def _terms(view: View, group: Sequence[Age]) -> Iterator[ReportPart]:
    first = group[0]
    assert first.time is not None  # asked by the caller
    yield Subheading(f"{first.task} in {first.message}")
    columns = [
        Column("", figures=True, full="each"),
        Column("", figures=True, full="adds"),
        Column("", full="term"),
    ]
    rows: list[list[Cell]] = [_term(term) for term in first.time.terms]
    total = ("", amount(first.time.total, TIME, "up"), "= age just before the next value")
    rows.append([Text(view.look.text(text), style="bold") for text in total])
    drawn = Table(columns, rows)
    drawn.show_header = False
    yield drawn


def _term(term: Term) -> list[Cell]:
    each = f"{term.times} x {amount(term.amount, TIME, 'up')}" if term.times != 1 else ""
    return [each, amount(term.total, TIME, "up"), term.label + (f" ({term.how})" if term.how else "")]
