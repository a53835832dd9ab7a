"""What `check` found of one plan, for the files that CI reads: verdicts, or why the plan cannot be used."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from chainplan.figures.figure import Figure, Status
from chainplan.report.figures import limit, margin, margin_share, worst


class CheckedPlan(NamedTuple):
    """One plan after the check. `problems` is empty for a plan that can be used; `warnings` may be, too."""

    file: str
    title: str
    revision: str
    settings: tuple[str, ...]
    """Values set instead of what the file says, `key = value`."""
    verdicts: tuple[Figure, ...]
    warnings: str
    problems: str
    seconds: float
    """How long the check took, s."""


def counts(plan: CheckedPlan) -> Counter[Status]:
    """Return how many targets are met, missed and not checked."""
    return Counter(verdict.status for verdict in plan.verdicts)


def case_names(verdicts: Sequence[Figure]) -> list[str]:
    """Return a name for each verdict that stays the same from one check to the next: target and subject.

    Where two are alike, the later ones get a number.
    """
    seen: Counter[str] = Counter()
    names = []
    for verdict in verdicts:
        name = ": ".join(part for part in (verdict.target, verdict.subject) if part)
        seen[name] += 1
        names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return names


def figures_in_words(verdict: Figure) -> str:
    """Return worst case, limit and margin of a verdict in words."""
    parts = [f"worst case {worst(verdict)}", f"limit {limit(verdict, words=True)}"]
    if verdict.margin is not None:
        parts.append(f"margin {margin(verdict)} ({margin_share(verdict)})")
    return ", ".join(parts)
