"""What a printout is asked for beside the plan: paper, date, names for the title block, the files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

Paper = Literal["A4", "Letter"]


class PlanFile(NamedTuple):
    """A file that a plan was read from: its name as the plan knows it, and its bytes."""

    name: str
    content: bytes


class Options(NamedTuple):
    """What stands on the paper besides the results. An empty date means the plan's own."""

    paper: Paper = "A4"
    date: str = ""
    prepared: str = ""
    checked: str = ""
    approved: str = ""
    files: Sequence[PlanFile] = ()
