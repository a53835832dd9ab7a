"""Length: what is left of the signal on each make of segment, waits for answers, addresses in use."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.line.length import ADDRESSES, ANSWER_WAIT, LINK_MARGIN, SEGMENT_MARGIN, ChainLength
from chainplan.budgets.line.link import Link
from chainplan.quantity import LENGTH, LEVEL, TIME
from chainplan.report.alike import gathered, tightest
from chainplan.report.blocks import Bullets, Cell, Column, Heading, ReportPart, Table
from chainplan.report.figures import amount, listed, plural, runs_of, signed_amount
from chainplan.report.sections.common import ORDER, STATUS_WIDTH, View, status_text, two_lines

if TYPE_CHECKING:
    from chainplan.figures.figure import Status

MOST_CHAINS = 8
"""Chains that differ and get a table each."""


DRAWS = (
    LINK_MARGIN,
    SEGMENT_MARGIN,
    ANSWER_WAIT,
    ADDRESSES,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return what the length of every chain costs, chains alike together."""
    groups = alike(view.evaluation.lengths.values())
    shown = tightest(groups, MOST_CHAINS, lambda group: _tightness(group[0]))
    for group in shown:
        names = listed([length.chain.name for length in group])
        yield Heading("Link budget", f"{names}: level and delay, worst case")
        yield from _chain(view, group[0])
    left = len(view.evaluation.lengths) - sum(map(len, shown))
    notes = []
    if left:
        notes.append(f"Not shown: {plural(left, 'chain')} that are no tighter. The summary judges them too.")
    if any(length.link_makes for length in view.evaluation.lengths.values()):
        notes.append(
            "Every port and node sends anew: loss counts per segment, delay per chain. Left: level above the "
            "receiver's threshold at the worst frequency of the signal; margin: beyond what is wanted of it."
        )
    notes.append("How long and how large each chain could be: section reach, on request.")
    yield Text()
    yield Bullets(notes)


def alike(lengths: Iterable[ChainLength]) -> list[list[ChainLength]]:
    """Return chains with the same figures together, to be drawn once."""
    return gathered(lengths, _key)


def _key(length: ChainLength) -> Hashable:
    """Return all that is shown of a chain, but for the names of its parts."""
    return (
        length.chain.family,
        tuple((_figures(link), tuple(numbers)) for link, numbers in makes_of(length)),
        tuple((wait.style, wait.worst.total, wait.typical.total) for wait in length.waits),
        (length.addresses, len(length.chain.nodes)),
    )


def _tightness(length: ChainLength) -> tuple[int, int]:
    """Return what sorts chains: missed, then unknown, then the least margin."""
    return min(
        ((ORDER[link_status(each)], each.spare or 0) for each in length.link_makes or ()), default=(1, 0)
    )


def makes_of(length: ChainLength) -> list[tuple[Link, list[int]]]:
    """Return the links that differ, each with the numbers of its segments."""
    makes = {id(link.segment.hop): (link, list[int]()) for link in length.link_makes or ()}
    for segment in length.chain.segments if makes else ():
        makes[id(segment.hop)][1].append(segment.number)
    found: dict[Hashable, tuple[Link, list[int]]] = {}
    for link, numbers in makes.values():
        found.setdefault(_figures(link), (link, []))[1].extend(numbers)
    return [(link, sorted(numbers)) for link, numbers in found.values()]


def _figures(link: Link) -> Hashable:
    hop = link.segment.hop
    return link.worst and link.worst.total, hop.length, hop.delay, hop.cable, link.reason


def _chain(view: View, length: ChainLength) -> Iterator[ReportPart]:
    if length.link_makes is None:
        protocol = length.chain.plan.protocol
        yield Bullets([f"Protocol {protocol} describes no signal, so loss is not checked."])
    else:
        yield _links(view, makes_of(length))
        remarks = list(dict.fromkeys(link.note for link in length.link_makes if link.note))
        if remarks:
            yield Text()
            yield Bullets([f"Ends {remark}." for remark in remarks])
    yield Text()
    yield Bullets(list(_facts(length)))


def _links(view: View, makes: Sequence[tuple[Link, list[int]]]) -> ReportPart:
    columns = [
        Column("verdict", most=STATUS_WIDTH),
        Column("margin", figures=True),
        Column("left\n(typical)", figures=True),
        Column("required", figures=True),
        Column("delay", figures=True),
        Column("segments"),
    ]
    return Table(columns, [_row(view, link, numbers) for link, numbers in makes])


def _row(view: View, link: Link, numbers: list[int]) -> list[Cell]:
    hop = link.segment.hop
    make = f"{amount(hop.length.max, LENGTH, 'up')} of {hop.cable}"
    left: Cell = "unknown"
    if link.worst is not None and link.typical is not None:
        typical = f"({amount(link.typical.total, LEVEL)})"
        left = two_lines(view, amount(link.worst.total, LEVEL, "down"), typical)
    return [
        status_text(view, link_status(link)),
        signed_amount(link.spare, LEVEL),
        left,
        amount(link.wanted, LEVEL, "up"),
        amount(hop.delay.max, TIME, "up"),
        two_lines(view, runs_of(numbers), "; ".join(part for part in (make, link.reason) if part)),
    ]


def link_status(link: Link) -> Status:
    """Return whether a segment's margin is enough."""
    if link.spare is None:
        return "not checked"
    return "met" if link.spare >= 0 else "missed"


def _facts(length: ChainLength) -> Iterator[str]:
    window = length.window
    limit = (
        f"the host waits {amount(window.min, TIME, 'down')}" if window else "the plan gives no answer window"
    )
    for wait in length.waits:
        yield (
            f"First bit of an answer, {wait.style}: {amount(wait.worst.total, TIME, 'up')} after the request "
            f"in the worst case, from {wait.node}; typical {amount(wait.typical.total, TIME)}; {limit}"
        )
    if length.addresses is not None:
        yield f"Addresses: {length.nodes.total} of {length.addresses} in use"
