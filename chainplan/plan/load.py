"""From a file to a checked plan: read, include, validate, cross-check; all problems at once, in place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError

from chainplan.plan.checks import check_plan
from chainplan.plan.findings import Finding, Wrong
from chainplan.plan.includes import Combined, Sources, with_includes
from chainplan.plan.model import LIBRARY_SECTIONS, Plan
from chainplan.plan.problems import KeyPath, PlanError, Problem, dotted, shown
from chainplan.plan.source import Source, read_source
from chainplan.plan.understood import Understood, fill_in, fill_in_again

MOST_FINDINGS = 1000
"""Findings that are told: keys left empty, and between the parts of a plan, errors before warnings."""


class LoadedPlan(NamedTuple):
    """A checked plan, with its file, its place in it and the warnings that do not stop it.

    `understood` is what the plan leaves out because the rest of it says it, as it was taken.
    """

    plan: Plan
    file: str
    sources: Sources
    warnings: tuple[Problem, ...]
    understood: tuple[Understood, ...] = ()


def load_plan(path: Path | str, settings: Sequence[str] = (), called: str = "setting") -> LoadedPlan:
    """Read a plan file with all it includes, and set values in it (:mod:`chainplan.plan.settings`).

    `called` is what messages call the place of a setting. Raises
    :class:`~chainplan.plan.problems.PlanError` with every problem found.
    """
    main = read_source(path, go_on=True)
    return load_source(main, Path(path).parent, settings, called)


def load_source(
    main: Source, folder: Path, settings: Sequence[str] = (), called: str = "setting"
) -> LoadedPlan:
    """Validate and cross-check a plan that has been read; `folder` is where its includes are looked for.

    Raises :class:`~chainplan.plan.problems.PlanError` with every problem found.
    """
    return load_combined(with_includes(main, folder), settings, called)


def load_combined(combined: Combined, settings: Sequence[str] = (), called: str = "setting") -> LoadedPlan:
    """Set values in a plan that has been read with all it includes, then validate and cross-check it.

    The settings are put into `combined`. Raises :class:`~chainplan.plan.problems.PlanError` with every
    problem found.
    """
    sources = combined.sources
    filled = fill_in(sources, complete=combined.complete)
    if settings:
        from chainplan.plan.settings import set_values  # late: most plans are taken as they are

        refused = set_values(sources, settings, called)
        if refused:
            raise PlanError([*combined.problems, *refused])
        filled = fill_in_again(sources, filled, complete=combined.complete)
    empty = list(islice(careless(sources.data), MOST_FINDINGS))
    unsound = sources.main.unsound
    problems = [*(each.problem for each in unsound), *combined.problems]
    problems += [*(_careless_problem(path, sources) for path in empty), *filled.problems]
    if len(empty) == MOST_FINDINGS:  # what is not looked at would pass for a plan that leaves it out
        raise PlanError(problems)
    unread = set(empty) | filled.left | {each.path for each in unsound if each.path}
    try:
        plan: Plan | None = Plan.model_validate(sources.data)
    except ValidationError as error:
        # Here and not above: a plan that is right needs none of it.
        from chainplan.plan.schema_problems import fixed, schema_problems

        known = {dotted(path) for path in (*empty, *(each.path for each in unsound))}
        known |= {each.key for each in combined.problems}
        holders = tuple(f"{dotted(each.path)}." for each in unsound if each.path)
        found_here = schema_problems(error, sources)
        problems += [
            each for each in found_here if each.key not in known and not each.key.startswith(holders)
        ]
        rest = fixed(error, sources)
        plan = rest.plan if rest is not None else None
        unread |= rest.wrong if rest is not None else set()
    if plan is not None:
        wrong = Wrong(unread, () if combined.complete else LIBRARY_SECTIONS)
        found = sorted(check_plan(plan, wrong), key=lambda finding: finding.severity != "error")
        problems += [_problem(finding, sources) for finding in found[:MOST_FINDINGS]]
    if plan is None or any(problem.severity == "error" for problem in problems):
        raise PlanError(problems)
    if filled.left:  # without a word, as what is beside it seemed wrong
        raise PlanError([_missing(path, sources) for path in sorted(filled.left, key=dotted)])
    return LoadedPlan(plan, sources.main.file, sources, tuple(problems), tuple(filled.understood))


def careless(value: Any) -> Iterator[KeyPath]:
    """Yield the paths of keys left empty, and of names given both as a number and as a text.

    Both would pass: a key without a value as if it were not there, of two such names the last one.
    """
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, item in items:
        if item is None or (isinstance(key, int) and isinstance(value, dict) and str(key) in value):
            yield (key,)
        if isinstance(item, (dict, list)):
            yield from ((key, *path) for path in careless(item))


def _careless_problem(path: KeyPath, sources: Sources) -> Problem:
    if sources.value(path) is None:
        from chainplan.plan.model_words import expected_words, slot_at

        slot = slot_at(path)
        expected = expected_words(path) or "a value"
        expected += "; or no such key" if slot is not None and slot.optional else ""
        return Problem("nothing is written here", sources.place(path), dotted(path), "", expected)
    message = "this name is given twice, as a number and as a text"
    return Problem(message, sources.key_place(path), dotted(path), "", "each name once")


def _missing(path: KeyPath, sources: Sources) -> Problem:
    return Problem(f"the key `{path[-1]}` is missing", sources.key_place(path[:-1]), dotted(path))


def _problem(finding: Finding, sources: Sources) -> Problem:
    path = finding.path
    place = sources.key_place(path) if finding.at_key else sources.place(path)
    value = "" if finding.at_key or finding.value is None else shown(finding.value)
    return Problem(
        finding.message, place, dotted(path), value, finding.expected, finding.nearest, finding.severity
    )
