"""Figures that tests make up, without a plan."""

from __future__ import annotations

from chainplan.figures.figure import Figure, Kind, Sense
from chainplan.quantity import Dimension


def made_up(
    target: str,
    subject: str,
    value: int | None,
    sense: Sense,
    limit: int | None,
    dimension: Dimension,
    figure: str = "",
    where: str = "",
    note: str = "",
    typical: int | None = None,
    boundless: bool = False,
) -> Figure:
    """Return a verdict that says what is wanted."""
    kind = Kind[str](
        target,
        dimension,
        ("subject",),
        "summary",
        lambda _: value,
        lambda _: typical,
        named=lambda _: figure,
        sense=sense,
    )
    return kind(subject, item="any", limit=limit, judged=True, where=where, note=note, boundless=boundless)
