"""From a file to a checked plan: read, include, validate, cross-check; all problems at once, in place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from chainplan.plan.checks import check_plan
from chainplan.plan.findings import Finding, Wrong
from chainplan.plan.includes import Sources, with_includes
from chainplan.plan.model import LIBRARY_SECTIONS, Plan
from chainplan.plan.problems import KeyPath, PlanError, Problem, dotted, shown
from chainplan.plan.source import Source, read_source

__all__ = ["LoadedPlan", "Sources", "load_plan", "load_source"]


@dataclass(frozen=True)
class LoadedPlan:
    """A checked plan, with its file, its place in it and the warnings that do not stop it."""

    plan: Plan
    file: str
    sources: Sources
    warnings: tuple[Problem, ...]


def load_plan(path: Path | str) -> LoadedPlan:
    """Read a plan file with all it includes.

    Raises :class:`~chainplan.plan.problems.PlanError` with every problem found.
    """
    main = read_source(path)
    return load_source(main, Path(path).parent)


def load_source(main: Source, folder: Path) -> LoadedPlan:
    """Validate and cross-check a plan that has been read; `folder` is where its includes are looked for.

    Raises :class:`~chainplan.plan.problems.PlanError` with every problem found.
    """
    combined = with_includes(main, folder)
    sources = combined.sources
    problems = [*combined.problems, *_doubled_names(sources)]
    try:
        plan: Plan | None = Plan.model_validate(sources.data)
        unread: frozenset[KeyPath] = frozenset()
    except ValidationError as error:
        # Here and not above: a plan that is right needs none of it.
        from chainplan.plan.schema_problems import mended, schema_problems

        problems += schema_problems(error, sources)
        rest = mended(error, sources)
        plan, unread = (rest.plan, rest.wrong) if rest is not None else (None, frozenset())
    if plan is not None:
        wrong = Wrong(unread, () if combined.complete else LIBRARY_SECTIONS)
        problems += [_problem(finding, sources) for finding in check_plan(plan, wrong)]
    if plan is None or any(problem.severity == "error" for problem in problems):
        raise PlanError(problems)
    return LoadedPlan(plan, main.file, sources, tuple(problems))


def _doubled_names(sources: Sources) -> list[Problem]:
    """Report names given both as a number and as a text: ``1`` and ``"1"`` are one name."""
    message = "this name is given twice, as a number and as a text"
    return [
        Problem(message, sources.key_place(path), dotted(path), "", "each name once")
        for path in _number_names(sources.data)
    ]


def _number_names(value: Any) -> Iterator[KeyPath]:
    """Yield the paths of all numbers that are keys beside the same number as a text."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in items:
        if isinstance(key, int) and isinstance(value, dict) and str(key) in value:
            yield (key,)
        if isinstance(item, (dict, list)):
            yield from ((key, *path) for path in _number_names(item))


def _problem(finding: Finding, sources: Sources) -> Problem:
    path = finding.path
    place = sources.key_place(path) if finding.at_key else sources.place(path)
    value = "" if finding.at_key or finding.value is None else shown(finding.value)
    return Problem(
        finding.message, place, dotted(path), value, finding.expected, finding.nearest, finding.severity
    )
