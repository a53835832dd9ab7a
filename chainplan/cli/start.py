"""`start`: a small plan to begin with."""

from __future__ import annotations

from chainplan.cli.files import write_whole
from chainplan.cli.guard import write_out
from chainplan.plan.problems import escape
from chainplan.plan.starter import STARTER


def run(file: str, *, force: bool) -> int:
    """Write the starter plan to a new file."""
    write_whole(file, STARTER, replace=force)
    name = escape(file)
    write_out(f"{name} is written. All figures in it are invented: put in those of your own parts.\n")
    write_out(f"Next: chainplan report {name}\n")
    return 0
