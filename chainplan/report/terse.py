"""The terse form for CI: one line per missed target and one closing line per plan, nothing to wrap."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from chainplan.figures.figure import Figure
from chainplan.report.figures import Look, by_danger, held_against, plural


def terse_text(file: str, verdicts: Sequence[Figure], look: Look) -> str:
    """Return the missed targets of a plan and what it comes to, each line with the file in front."""
    missed = sorted((each for each in verdicts if each.status == "missed"), key=by_danger)
    lines = [f"missed: {_with_place(verdict)}" for verdict in missed]
    lines.append(closing_line(verdicts))
    return "".join(f"{look.text(f'{file}: {line}')}\n" for line in lines)


def closing_line(verdicts: Sequence[Figure]) -> str:
    """Return how many targets are met, missed and not checked."""
    counts = Counter(verdict.status for verdict in verdicts)
    total = plural(len(verdicts), "target")
    unknown = f", {counts['not checked']} not checked" if counts["not checked"] else ""
    if counts["missed"]:
        return f"MISSED: {counts['missed']} of {total} missed{unknown}"
    return f"met: {counts['met']} of {total} met, none missed{unknown}"


def _with_place(verdict: Figure) -> str:
    """Return the line of a missed target: where it is worst, or why it has no bound."""
    place = verdict.note if verdict.boundless and verdict.note else verdict.where
    return held_against(verdict) + (f" [{place}]" if place else "")
