"""The command line: one file a command.

A command makes many small values that live until it ends, which the collector of reference cycles would walk
again and again: here it looks more seldom.
"""

from __future__ import annotations

import gc
import sys

gc.set_threshold(100_000, 50, 50)


def main() -> None:
    """Run the command line; what takes time to import is imported where Ctrl-C ends it as anywhere else."""
    from chainplan.cli.guard import guarded

    sys.exit(guarded(_run))


def _run() -> int:
    from chainplan.cli.program import main as run

    run()
    return 0
