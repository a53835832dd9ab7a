"""Which judged figures there are to look into, and which of them are closest to their limit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.plan.altered import tolerances
from chainplan.quantity import Span
from chainplan.tolerance.trials import Asked, Readings, ToleranceTrial, made, parameters_of, phases_kept

FEW = 3
"""Figures that are looked into where none is named."""


def judged(evaluation: Evaluation) -> list[Figure]:
    """Return every verdict whose figure and limit are known and have a bound."""
    return [
        verdict
        for verdict in evaluation.verdicts
        if verdict.value is not None and verdict.limit is not None and not verdict.boundless
    ]


def ask(evaluation: Evaluation, figures: Iterable[Figure], seed: int = 0) -> Asked:
    """Return what all trials of some figures have in common; only figures of their kinds are evaluated."""
    wanted = tuple(figures)
    return Asked(
        evaluation.plan,
        parameters_of(tolerances(evaluation.plan)),
        phases_kept(evaluation),
        frozenset(each.target for each in wanted),
        tuple(each.key for each in wanted),
        seed,
    )


def all_typical(asked: Asked) -> ToleranceTrial:
    """Return the trial in which no quantity has a tolerance."""
    return ToleranceTrial(tuple((index, exact(each.span)) for index, each in enumerate(asked.parameters)))


def exact(span: Span) -> Span:
    """Return a quantity at its typical value, without tolerance."""
    return Span.exact(span.typical)


def tightest(evaluation: Evaluation, figures: Sequence[Figure], most: int = FEW) -> list[Figure]:
    """Return those figures with the least margin, as a share of the limit, that any tolerance moves.

    Of targets on the same sum only the tightest counts; copies, equal in all figures, come together.
    """
    asked = ask(evaluation, figures)
    readings = made(asked, all_typical(asked))
    groups: dict[object, list[int]] = {}
    for index, verdict in enumerate(figures):
        if not verdict.kind.yes_no and _moved(verdict, readings, index):
            groups.setdefault((verdict.target, verdict.value, verdict.limit, readings[index]), []).append(
                index
            )
    nearest = sorted(groups.values(), key=lambda group: (_share(figures[group[0]]), group))
    chosen: list[int] = []
    sums: set[str] = set()
    for group in nearest:
        if figures[group[0]].figure not in sums:
            sums |= {figures[index].figure for index in group}
            chosen += group
            most -= 1
        if not most:
            break
    return [figures[index] for index in chosen]


def _moved(verdict: Figure, readings: Readings, index: int) -> bool:
    reading = readings[index]
    return reading is not None and (reading.value, reading.limit) != (verdict.value, verdict.limit)


def _share(verdict: Figure) -> float:
    share = verdict.margin_share
    return float("-inf") if share is None else float(share)
