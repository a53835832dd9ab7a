"""How many drawn plans a test tries: few as a rule, as many as CHAINPLAN_PLANS says where it is set."""

from __future__ import annotations

import os

WANTED = int(os.environ.get("CHAINPLAN_PLANS", "0"))


def several(usual: int) -> int:
    """Return how many plans to try where `usual` are tried without being asked for more."""
    return WANTED or usual
