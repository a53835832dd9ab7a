"""From a file to a checked plan: read, include, validate, cross-check; all problems at once, in place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from chainplan.plan.checks import check_plan
from chainplan.plan.findings import Finding
from chainplan.plan.model import LIBRARY_SECTIONS, Plan
from chainplan.plan.model_words import expected_words, known_keys
from chainplan.plan.problems import KeyPath, Place, PlanError, Problem, dotted, nearest, shown
from chainplan.plan.source import Source, read_source

MOST_INCLUDES = 100
"""Files one plan may include, all levels together."""


@dataclass(frozen=True)
class LoadedPlan:
    """A checked plan, with its file, its place in it and the warnings that do not stop it."""

    plan: Plan
    file: str
    sources: Sources
    warnings: tuple[Problem, ...]


@dataclass
class Sources:
    """The plan's own file and the files it includes; knows in which one a key stands."""

    main: Source
    owners: dict[tuple[str, str | int], Source] = field(default_factory=dict)

    def owner(self, path: KeyPath) -> Source:
        """Return the file that holds a key: parts of a library may come from an included one."""
        return self.owners.get((str(path[0]), path[1]), self.main) if len(path) > 1 else self.main

    def place(self, path: KeyPath) -> Place:
        """Return where a value stands."""
        return self.owner(path).place(path)

    def key_place(self, path: KeyPath) -> Place:
        """Return where a key stands."""
        return self.owner(path).key_place(path)


def load_plan(path: Path | str) -> LoadedPlan:
    """Read a plan file with all it includes.

    Raises :class:`~chainplan.plan.problems.PlanError` with every problem found.
    """
    main = read_source(path)
    return load_source(main, Path(path).parent)


def load_source(main: Source, folder: Path) -> LoadedPlan:
    """Validate and cross-check a plan that has been read; `folder` is where its includes are looked for."""
    sources = Sources(main)
    data, problems = _with_includes(sources, folder)
    plan = _validated(data, sources, problems)
    if plan is None:
        raise PlanError(problems)
    findings = [_problem(finding, sources) for finding in check_plan(plan)]
    errors = [problem for problem in (*problems, *findings) if problem.severity == "error"]
    if errors:
        raise PlanError((*problems, *findings))
    return LoadedPlan(plan, main.file, sources, tuple(findings))


def _with_includes(sources: Sources, folder: Path) -> tuple[dict[str, Any], list[Problem]]:
    """Return the plan's data with the sections of all included files laid in."""
    problems: list[Problem] = []
    data: dict[str, Any] = {
        str(key): dict(value) if key in LIBRARY_SECTIONS and isinstance(value, dict) else value
        for key, value in sources.main.data.items()
    }
    waiting: list[tuple[Source, Path, tuple[str, ...]]] = [(sources.main, folder, (sources.main.file,))]
    seen = 0
    while waiting:
        source, directory, trail = waiting.pop(0)
        for path, name in _includes(source, problems):
            seen += 1
            target = directory / name
            place = source.place(path)
            if str(target) in trail or target.resolve() in {Path(file).resolve() for file in trail}:
                problems.append(
                    Problem(
                        "this file includes itself",
                        place,
                        dotted(path),
                        shown(name),
                        expected="files that do not lead back here: " + " -> ".join((*trail, str(target))),
                    )
                )
                continue
            if seen > MOST_INCLUDES:
                problems.append(
                    Problem(
                        "too many included files",
                        place,
                        dotted(path),
                        shown(name),
                        f"at most {MOST_INCLUDES}",
                    )
                )
                return data, problems
            try:
                included = read_source(target)
            except PlanError as error:
                problems.append(
                    Problem(
                        "an included file cannot be used",
                        place,
                        dotted(path),
                        shown(name),
                        "a library of types",
                    )
                )
                problems.extend(error.problems)
                continue
            _lay_in(data, included, sources, problems)
            waiting.append((included, target.parent, (*trail, str(target))))
    return data, problems


def _includes(source: Source, problems: list[Problem]) -> Iterator[tuple[KeyPath, str]]:
    """Yield the names a file includes; a wrong form in the plan itself is left to its validation."""
    names = source.data.get("include", [])
    if not isinstance(names, list):
        return
    for number, name in enumerate(names):
        if isinstance(name, str) and name:
            yield ("include", number), name


def _lay_in(data: dict[str, Any], included: Source, sources: Sources, problems: list[Problem]) -> None:
    for section, entries in included.data.items():
        if section == "include":
            continue
        if section not in LIBRARY_SECTIONS:
            problems.append(
                Problem(
                    "an included file holds types only",
                    included.key_place((section,)),
                    dotted((section,)),
                    expected="one of " + ", ".join(LIBRARY_SECTIONS),
                    nearest=nearest(str(section), LIBRARY_SECTIONS),
                )
            )
            continue
        if not isinstance(entries, dict):
            problems.append(
                Problem(
                    "a section of types is a mapping from names to types",
                    included.place((section,)),
                    dotted((section,)),
                    shown(entries),
                    "NAME: {...}",
                )
            )
            continue
        own = data.setdefault(section, {})
        if not isinstance(own, dict):
            continue  # reported by the validation of the plan
        for name, entry in entries.items():
            if name in own:
                first = sources.owner((section, name)).key_place((section, name))
                problems.append(
                    Problem(
                        f"this name is taken: {first.file}:{first.line} defines it too",
                        included.key_place((section, name)),
                        dotted((section, name)),
                        expected="a name of its own",
                    )
                )
                continue
            own[name] = entry
            sources.owners[(section, name)] = included


def _validated(data: dict[str, Any], sources: Sources, problems: list[Problem]) -> Plan | None:
    try:
        return Plan.model_validate(data)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            problems.append(_from_pydantic(detail, sources))
    return None


def _from_pydantic(detail: ErrorDetails, sources: Sources) -> Problem:
    """Say in the plan's own words what the validation found."""
    path: KeyPath = tuple(part for part in detail["loc"] if part != "[key]")
    kind = detail["type"]
    context = detail.get("ctx", {})
    value = detail["input"]
    if kind == "extra_forbidden":
        keys = known_keys(path[:-1])
        return Problem(
            "this key is not known here",
            sources.key_place(path),
            dotted(path),
            expected="one of " + ", ".join(keys),
            nearest=nearest(str(path[-1]), keys),
        )
    if kind == "missing":
        parent = path[:-1]
        return Problem(
            f"the key `{path[-1]}` is missing",
            sources.key_place(parent) if parent else sources.place(parent),
            dotted(path),
            expected=expected_words(path),
        )
    if kind == "quantity":
        return Problem(
            str(context.get("reason", detail["msg"])),
            sources.place(path),
            dotted(path),
            shown(value),
            str(context.get("expected", "")),
            context.get("nearest"),
        )
    if kind == "literal_error":
        choices = [
            choice.strip("'\" ")
            for choice in str(context.get("expected", "")).replace(" or ", ", ").split(", ")
        ]
        return Problem(
            "this is not one of the values it can have",
            sources.place(path),
            dotted(path),
            shown(value),
            "one of " + ", ".join(choices),
            nearest(str(value), choices),
        )
    message, expected = _PLAIN.get(kind, (detail["msg"], ""))
    limits = {
        key: context[key] for key in ("ge", "gt", "le", "lt", "min_length", "max_length") if key in context
    }
    if limits and expected:
        expected = expected.format(limit=next(iter(limits.values())))
    return Problem(message, sources.place(path), dotted(path), shown(value), expected or expected_words(path))


_PLAIN: dict[str, tuple[str, str]] = {
    "int_type": ("this must be a whole number", "a whole number, such as 4"),
    "int_from_float": ("this must be a whole number", "a whole number, such as 4"),
    "float_type": ("this must be a number", "a number, such as 4.5"),
    "float_parsing": ("this must be a number", "a number, such as 4.5"),
    "bool_type": ("this must be yes or no as a truth value", "true or false"),
    "bool_parsing": ("this must be yes or no as a truth value", "true or false"),
    "string_type": ("this must be a text", "a text; put it in quotes if it looks like something else"),
    "string_too_short": ("this text is empty", "at least {limit} character"),
    "string_too_long": ("this text is too long", "at most {limit} characters"),
    "string_pattern_mismatch": ("this name holds control characters", "printable characters on one line"),
    "dict_type": ("this must be a mapping", "`key: value` pairs"),
    "model_type": ("this must be a mapping", "`key: value` pairs"),
    "list_type": ("this must be a list", "a list, such as [a, b]"),
    "too_short": ("this list is too short", "at least {limit} entry"),
    "too_long": ("this list is too long", "at most {limit} entries"),
    "greater_than_equal": ("this number is too small", "at least {limit}"),
    "greater_than": ("this number is too small", "more than {limit}"),
    "less_than_equal": ("this number is too large", "at most {limit}"),
    "less_than": ("this number is too large", "less than {limit}"),
}


def _problem(finding: Finding, sources: Sources) -> Problem:
    path = finding.path
    place = sources.key_place(path) if finding.at_key else sources.place(path)
    return Problem(
        finding.message,
        place,
        dotted(path),
        "" if finding.at_key else shown(finding.value),
        finding.expected,
        finding.nearest,
        finding.severity,
    )
