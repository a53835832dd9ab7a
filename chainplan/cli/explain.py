"""`explain`: one figure term by term."""

from __future__ import annotations

import re
from collections.abc import Sequence

from chainplan.cli.guard import UserError, write_out
from chainplan.cli.plans import open_plan, plain_look
from chainplan.figures.figure import Figure
from chainplan.report.explain import close_names, explain_figure, figure_list, matching, of_the_report
from chainplan.report.figures import worst

MOST_NAMES = 20
"""Figures of the same words that a refusal lists."""

MOST_DIGITS = 18
"""Digits of a number in a name that set its order."""


def run(plan: str, figure: Sequence[str] | None, settings: Sequence[str] | None, width: int | None) -> int:
    """Print the figure that the words mean, or the list of all figures."""
    _, evaluation = open_plan(plan, settings)
    look = plain_look(width)
    sums = evaluation.sums()
    words = " ".join(figure or ())
    if not words.strip():
        write_out(figure_list(evaluation, look))
        return 0
    shown = list(evaluation.shown())
    called = [each for each in shown if each.target.casefold() == words.casefold().strip()]
    found = of_the_report(words, called, sums) or matching(words, sums) or of_the_report(words, shown, sums)
    found.sort(key=in_order)
    if len(found) == 1:
        write_out(explain_figure(found[0], sums[found[0]](), evaluation.verdicts, look))
        return 0
    lines = _no_figure(words, evaluation.verdicts) if not found else []
    lines = lines or _refusal(
        words, found, close_names(words, [*sums, *(each.target for each in evaluation.verdicts)])
    )
    raise UserError("\n".join(look.text(line) for line in lines))


def _no_figure(words: str, verdicts: Sequence[Figure]) -> list[str]:
    """Return what is said of the targets that the words are about, where these have no figure, and why."""
    asked = set(words.replace("/", " ").split())
    about = [each for each in verdicts if each.value is None and set(each.subject.split()) <= asked]
    return [
        f"{each.target}, {each.subject}: there is no figure to explain: {each.note or worst(each)}"
        for each in about
    ]


def in_order(name: str) -> list[tuple[int, str]]:
    """Return the sorting key of a name by which numbers in it count as numbers: ring#2 before ring#10."""
    parts = re.split(r"([0-9]+)", name)
    return [(int(part[:MOST_DIGITS]), part) if part.isdecimal() else (0, part) for part in parts]


def _refusal(figure: str, found: list[str], close: str | None) -> list[str]:
    if not found:
        hint = f'; did you mean "{close}"?' if close else ""
        return [f'no figure has the name "{figure}"{hint}', "Without a name, explain lists all figures."]
    left = len(found) - MOST_NAMES
    more = [f"  and {left} more"] if left > 0 else []
    names = [f"  {name}" for name in found[:MOST_NAMES]]
    return [f'"{figure}" can mean {len(found)} figures:', *names, *more]
