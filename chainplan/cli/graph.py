"""`graph`: the network as a drawing, for other programs to lay out or to walk through."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Literal

from chainplan.cli.files import write_result
from chainplan.cli.guard import complain
from chainplan.cli.plans import open_plan
from chainplan.report.figures import encodable
from chainplan.report.graph_formats import MERMAID_MOST, dot_text, graphml_text, mermaid_text
from chainplan.report.graph_parts import Shown, drawing

Format = Literal["dot", "graphml", "mermaid"]

_WRITERS = {"dot": dot_text, "graphml": graphml_text, "mermaid": mermaid_text}


def run(plan: str, form: Format, of: Shown, settings: Sequence[str] | None, out: str | None) -> int:
    """Write the drawing of a plan, to stdout or to a file."""
    _, evaluation = open_plan(plan, settings, out)
    drawn = drawing(evaluation, of)
    text = _WRITERS[form](drawn)
    if out is None or out == "-":
        text = encodable(text, sys.stdout.encoding or "ascii")
    write_result(text, out)
    if form == "mermaid" and len(drawn.arrows) > MERMAID_MOST:
        complain(f"note: {len(drawn.arrows)} arrows; many viewers of Mermaid stop at {MERMAID_MOST}")
    return 0
