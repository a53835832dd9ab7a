"""A chain's isolation checks in one table: equal checks of many segments in one row."""

from __future__ import annotations

from functools import partial

from chainplan.budgets.isolation.checks import Check
from chainplan.budgets.isolation.figures import is_asked
from chainplan.budgets.isolation.segments import ChainIsolation
from chainplan.quantity import VOLTAGE
from chainplan.report.blocks import Cell, Column, ReportPart, Table
from chainplan.report.figures import amount, runs_of, signed_amount
from chainplan.report.sections.common import ORDER, STATUS_WIDTH, View, status_text, two_lines


def checks_table(view: View, chain: ChainIsolation) -> ReportPart:
    """Return every check of a chain, missed ones first; per kind and part only the tightest met one."""
    columns = [
        Column("verdict", most=STATUS_WIDTH),
        Column("margin", figures=True),
        Column("required", figures=True),
        Column("provided", figures=True),
        Column("of"),
        Column("segments"),
    ]
    rows = [_row(view, check, numbers) for check, numbers in gathered(chain)]
    return Table(columns, rows)


def gathered(chain: ChainIsolation) -> list[tuple[Check, list[int]]]:
    """Return equal checks once, with the segments they belong to; of the met ones the tightest of a kind."""
    found: dict[tuple[object, ...], tuple[Check, list[int]]] = {}
    for segment in chain.segments:
        for check in filter(partial(is_asked, segment), segment.checks):
            place = _part(check)
            key: tuple[object, ...] = (check.subject, place, check.required, check.provided, check.reason)
            _, numbers = found.setdefault(key, (check, []))
            if numbers[-1:] != [segment.segment.number]:  # the segments come in order
                numbers.append(segment.segment.number)
    tightest: dict[tuple[str, str], int] = {}
    for check, _ in found.values():
        if check.margin is not None:
            kind = check.subject, _part(check)
            tightest[kind] = min(check.margin, tightest.get(kind, check.margin))
    kept = [
        (check, numbers)
        for check, numbers in found.values()
        if check.status != "met" or check.margin == tightest[check.subject, _part(check)]
    ]
    return sorted(kept, key=lambda pair: (ORDER[pair[0].status], _relative(pair[0])))


def _relative(check: Check) -> float:
    return (check.margin or 0) / (check.provided or 1)


def _part(check: Check) -> str:
    """Return the part a check is about, whichever end of the segment it sits at."""
    return check.place.removeprefix("near ").removeprefix("far ")


def _row(view: View, check: Check, numbers: list[int]) -> list[Cell]:
    basis = f"by {amount(check.voltage, VOLTAGE, 'up')}" if check.required is not None else check.reason
    return [
        status_text(view, check.status),
        signed_amount(check.margin, check.dimension),
        "-" if check.required is None else amount(check.required, check.dimension, "up"),
        "-" if check.provided is None else amount(check.provided, check.dimension, "down"),
        two_lines(view, f"{check.subject}, {_part(check)}", basis),
        runs_of(numbers),
    ]
