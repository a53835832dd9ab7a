"""Balancing: the share of time left for it, the current that leaves, and hours to the target."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence

from rich.text import Text

from chainplan.budgets.standby.balancing import (
    BALANCING_DUTY,
    BALANCING_LEFT,
    BALANCING_TIME,
    BALANCING_TIMES,
    BalancingTime,
    NodeBalancing,
)
from chainplan.figures.terms import Case, Sum
from chainplan.plan.standby import BalancingTarget
from chainplan.quantity import CAPACITY, CURRENT, RATIO, TIME, format_span
from chainplan.report.blocks import Cell, Column, Heading, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, percent, plural
from chainplan.report.sections.common import View, by_controller, noted, two_lines

MOST_GROUPS = 24
"""Groups of nodes alike that get a row."""


DRAWS = (
    BALANCING_TIME,
    BALANCING_DUTY,
    BALANCING_TIMES,
    BALANCING_LEFT,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return how each controller's nodes balance, controllers alike together; nothing where none can."""
    times = view.evaluation.balancing_times
    able = {
        name: (groups, times.get(name, []))
        for name, groups in view.evaluation.node_balancing.items()
        if groups
    }
    shown, note = by_controller(view, able, _key)
    for told, (groups, each) in shown:
        yield Heading("Balancing", f"{told.names}: worst case (typical)")
        if told.remark:
            yield Paragraph(told.remark)
        yield from _controller(view, groups, each)
    yield from noted(note)


def _key(balancing: tuple[Sequence[NodeBalancing], Sequence[BalancingTime]]) -> Hashable:
    """Return all that is shown of a controller's groups of nodes, but for the nodes' names."""
    groups, times = balancing
    return (
        tuple(
            (len(group.nodes), id(group.kind), group.pausing, group.duty(), group.duty(Case.TYPICAL))
            for group in groups
        ),
        tuple(
            (each.time and each.time.total, each.typical and each.typical.total, each.missing)
            for each in times
        ),
    )


def _controller(
    view: View, groups: Sequence[NodeBalancing], times: Sequence[BalancingTime]
) -> Iterator[ReportPart]:
    target = view.evaluation.plan.targets.balancing
    columns = [
        Column("nodes"),
        Column("share of time\nawake (typical)", figures=True),
        Column("mean current\n(typical)", figures=True),
    ]
    if target:
        columns.append(Column("takes at most\n(typical)", figures=True))
    rows = [
        _row(view, group, times[number] if times else None)
        for number, group in enumerate(groups[:MOST_GROUPS])
    ]
    yield Table(columns, rows)
    if len(groups) > MOST_GROUPS:
        yield Paragraph(f"Not shown: {plural(len(groups) - MOST_GROUPS, 'group')} of nodes more.")
    yield Text()
    yield Paragraph(" ".join(_remarks(groups, target)))


def _row(view: View, group: NodeBalancing, time: BalancingTime | None) -> list[Cell]:
    nodes = (
        group.nodes[0] if len(group.nodes) == 1 else f"{group.nodes[0]} and {len(group.nodes) - 1} more alike"
    )
    paused = f"paused by {', '.join(group.pausing)}" if group.pausing else "never paused"
    turns = "; odd and even in turn" if group.kind.alternate else ""
    row: list[Cell] = [
        two_lines(view, nodes, paused + turns),
        two_lines(view, percent(group.duty(), "down"), f"({percent(group.duty(Case.TYPICAL))})"),
        two_lines(
            view,
            amount(group.effective_current(), CURRENT, "down"),
            f"({amount(group.effective_current(Case.TYPICAL), CURRENT)})",
        ),
    ]
    if time is not None:
        row.append(two_lines(view, _hours(time.time, time, "up"), f"({_hours(time.typical, time)})"))
    return row


def _hours(time: Sum | None, of: BalancingTime, rounding: str = "nearest") -> str:
    if time is None:
        return "not known" if of.missing else "never"
    return amount(time.total, TIME, "up" if rounding == "up" else "nearest")


def _remarks(groups: Sequence[NodeBalancing], target: BalancingTarget | None) -> Iterator[str]:
    yield (
        "Balancing pauses from a trigger's arrival, through settling, until the conversion is over; what is "
        "left of the shortest major cycle is guaranteed."
    )
    if any(group.kind.alternate for group in groups):
        yield "Where odd and even cells take turns, a cell has half of that."
    if target is not None and any(not group.kind.asleep for group in groups):
        yield (
            "Cells are bled while awake, for the least share of time that `supply` says; without one, the "
            "times are hours awake."
        )
    if target is not None and target.charge is not None:
        yield f"Time to take {format_span(target.charge, CAPACITY)} off a cell."
    elif target is not None and target.imbalance is not None:
        yield f"Time to take {format_span(target.imbalance, RATIO)} of its capacity off a cell."
