"""`tolerances`: which tolerances drive the worst cases, and how far Monte Carlo sets stay below."""

from __future__ import annotations

import os
from collections.abc import Sequence

from chainplan.cli.files import write_result
from chainplan.cli.guard import UserError, write_out
from chainplan.cli.plans import open_plan, plain_look
from chainplan.cli.progress import progress
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.report.explain import close_names, matching
from chainplan.report.figures import listed
from chainplan.tolerance.figures import judged, tightest
from chainplan.tolerance.study import study


def run(
    plan: str,
    figure: Sequence[str] | None,
    settings: Sequence[str] | None,
    samples: int,
    seed: int,
    workers: int | None,
    width: int | None,
    out: str | None,
) -> int:
    """Print the study of the figures that the words mean, or of those with the least margin; return 0."""
    loaded, evaluation = open_plan(plan, settings, out)
    figures = _figures(evaluation, " ".join(figure or ()))
    with progress("evaluations") as moves:
        found = study(evaluation, figures, samples, seed, workers or os.cpu_count() or 1, moves)
    if out is not None:
        from chainplan.report.tolerance_data import tolerances_json

        write_result(tolerances_json(loaded, found), out)
    else:
        from rich.console import Console

        from chainplan.report.tolerance import tolerances_text

        write_out(tolerances_text(Console(width=width), loaded, evaluation, found))
    return 0


def _figures(evaluation: Evaluation, query: str) -> list[Figure]:
    """Return the judged figures that are meant. Raises UserError where there are none."""
    known = judged(evaluation)
    if not query.strip():
        return tightest(evaluation, known)
    names = matching(query, (each.figure for each in known))
    if names:
        return [
            _tightest_of([each for each in known if each.figure == name]) for name in dict.fromkeys(names)
        ]
    texts = [_words(each) for each in known]
    meant = set(matching(query, texts))
    found = [each for each, text in zip(known, texts, strict=True) if text in meant]
    if found:
        return found
    raise UserError("\n".join(map(plain_look(None).text, _refusal(query, known))))


def _refusal(query: str, known: Sequence[Figure]) -> list[str]:
    targets = list(dict.fromkeys(each.target for each in known))
    close = close_names(query, [*targets, *(each.figure for each in known)])
    hint = f'; did you mean "{close}"?' if close else ""
    return [
        f'no judged figure with a worst case has the words "{query}"{hint}',
        f"   expected: words of a target, its subject or its figure; targets: {listed(targets, 30)}",
    ]


def _tightest_of(figures: list[Figure]) -> Figure:
    """Return of several targets on one sum the one that is closest to its limit."""
    return min(figures, key=lambda each: each.margin_share or 0)


def _words(each: Figure) -> str:
    return f"{each.target} {each.subject} {each.figure}"
