"""The command line: one file a command.

A command makes many small values that live until it ends, which the collector of reference cycles would walk
again and again: here it looks more seldom.
"""

from __future__ import annotations

import gc

gc.set_threshold(100_000, 50, 50)
