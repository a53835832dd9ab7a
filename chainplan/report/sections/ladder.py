"""A chain's isolation drawn as a ladder: boards at their potentials, segments with stress and rating."""

from __future__ import annotations

from chainplan.budgets.isolation.segments import ChainIsolation
from chainplan.report.blocks import LadderDrawing
from chainplan.report.ladder import DrawnRung, Elision, LadderStep
from chainplan.report.sections.common import View

LONGEST = 16
"""Nodes of a chain that is drawn whole; of a longer one the ends and the worst segments."""

_VERDICTS = {"met": True, "missed": False, "not checked": None}


def draw_chain(view: View, chain: ChainIsolation) -> LadderDrawing:
    """Return the ladder of a chain from its head."""
    rungs = [DrawnRung(chain.chain.head, None, None)]
    rungs += [DrawnRung(rung.node, rung.reference, rung.top) for rung in chain.ladder]
    if chain.chain.back is not None:
        rungs.append(DrawnRung(chain.chain.back, None, None))
    steps = [
        LadderStep(f"#{each.segment.number}", each.references.voltage, each.rating, _VERDICTS[each.status])
        for each in chain.segments
    ]
    strings = view.evaluation.network.strings
    highest = max(strings[rung.string].voltage for rung in chain.ladder)
    elision = Elision() if len(chain.ladder) > LONGEST else None
    return LadderDrawing(chain.chain.name, tuple(rungs), tuple(steps), highest, elision)
