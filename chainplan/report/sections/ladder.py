"""A chain's isolation drawn as a ladder: boards at their potentials, segments with stress and rating."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.budgets.isolation import ChainIsolation
from chainplan.quantity import VOLTAGE
from chainplan.report.figures import amount
from chainplan.report.sections.common import STATUS_STYLES, View
from chainplan.report.timeline import Elision, Hint, Rung, Step, draw_ladder

if TYPE_CHECKING:
    from rich.console import RenderableType

LONGEST = 16
"""Nodes of a chain that is drawn whole; of a longer one the ends and the worst segments."""

_VERDICTS = {"met": True, "missed": False, "not checked": None}


def draw_chain(view: View, chain: ChainIsolation) -> Iterator[RenderableType]:
    """Return the ladder of a chain from its head; a line stands out where it says that it is missed."""
    rungs = [Rung(chain.chain.head, None, None)]
    rungs += [Rung(rung.node, rung.reference, rung.top) for rung in chain.ladder]
    if chain.chain.back is not None:
        rungs.append(Rung(chain.chain.back, None, None))
    steps = [
        Step(f"#{each.segment.number}", each.references.voltage, each.rating, _VERDICTS[each.status])
        for each in chain.segments
    ]
    strings = view.evaluation.network.strings
    highest = max(strings[rung.string].voltage for rung in chain.ladder)
    lines = draw_ladder(
        rungs,
        steps,
        highest,
        view.look.width,
        not view.look.unicode,
        lambda ticks: amount(ticks, VOLTAGE, "up"),
        lambda ticks: amount(ticks, VOLTAGE, "down"),
        Elision() if len(chain.ladder) > LONGEST else None,
    )
    for line, hint in lines:
        yield Text(view.look.text(line), style=_style(hint), no_wrap=True)


def _style(hint: Hint) -> str:
    return STATUS_STYLES["missed"] if hint == "missed" else ""
