"""What the validation of a plan's data found, in the plan's own words; and the rest of it, made whole."""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from typing import Any, NamedTuple, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from chainplan.plan.includes import Sources, has_child
from chainplan.plan.model import Plan
from chainplan.plan.model_words import expected_words, known_keys, slot_at, stand_in
from chainplan.plan.problems import KeyPath, Problem, dotted, nearest, shown

MOST_PROBLEMS = 1000
"""Problems that are told of one kind of check: each takes a while, to look for what was meant."""

_MOST_ROUNDS = 5
"""Rounds of fixing: one fixes all that a validation found; a second is rarely needed."""


class Fixed(NamedTuple):
    """A plan with stand-ins for what was wrong at `wrong`, so that the rest of it can be checked too."""

    plan: Plan
    wrong: frozenset[KeyPath]


def schema_problems(
    error: ValidationError, sources: Sources, schema: type[BaseModel] = Plan
) -> list[Problem]:
    """Return what a validation found as problems in their places, the first :data:`MOST_PROBLEMS` of it."""
    found: dict[tuple[KeyPath, str], Problem] = {}
    for detail in error.errors(include_url=False)[:MOST_PROBLEMS]:
        path, at_key = _path(detail, sources)
        found.setdefault((path, str(at_key)), _problem(detail, path, at_key, sources, schema))
    return list(found.values())


def fixed(error: ValidationError, sources: Sources) -> Fixed | None:
    """Return the plan with stand-ins for all that is wrong with it; None if that cannot be done.

    Nor is it done where more is wrong than is told.
    """
    if error.error_count() > MOST_PROBLEMS:
        return None
    data = deepcopy(sources.data)
    wrong: set[KeyPath] = set()
    for _ in range(_MOST_ROUNDS):
        for detail in error.errors(include_url=False):
            path, at_key = _path(detail, sources)
            wrong.add(path)
            _fix(data, path, drop=at_key and detail["type"] != "missing")
        if any(len(path) == 1 and path[0] not in Plan.model_fields for path in wrong):
            # A misspelt section: what it was meant to hold is not known.
            wrong |= {(section,) for section in Plan.model_fields if section not in sources.data}
        try:
            return Fixed(Plan.model_validate(data), frozenset(wrong))
        except ValidationError as again:
            error = again
    return None


def _fix(data: dict[str | int, Any], path: KeyPath, *, drop: bool) -> None:
    """Put a stand-in at a path, or take away what can be left out."""
    holder: Any = data
    for step in path[:-1]:
        if not has_child(holder, step):
            return  # what held it is fixed already
        holder = holder[step]
    slot = slot_at(path)
    if isinstance(holder, dict) and (drop or slot is None or slot.optional):
        holder.pop(path[-1], None)
    elif isinstance(holder, dict) or has_child(holder, path[-1]):
        holder[path[-1]] = stand_in(path)


def _path(detail: ErrorDetails, sources: Sources) -> tuple[KeyPath, bool]:
    """Return the path of the value at fault, and whether the key itself is at fault.

    The validation adds steps of its own: the word `[key]` for a key, and the branch in a choice of types.
    """
    steps = sources.as_written(detail["loc"])
    holder: Any = sources.data
    for number, step in enumerate(steps):
        if not has_child(holder, step):
            is_key = step == "[key]" and number == len(steps) - 1
            missing = detail["type"] == "missing" and not is_key
            return steps[: number + missing], is_key or missing
        holder = holder[step]
    return steps, detail["type"] in _UNKNOWN_KEY


def _problem(
    detail: ErrorDetails, path: KeyPath, at_key: bool, sources: Sources, schema: type[BaseModel]
) -> Problem:
    kind = detail["type"]
    context = detail.get("ctx", {})
    if kind in _UNKNOWN_KEY:
        keys = known_keys(path[:-1], schema)
        renamed = _RENAMED.get(str(path[-1]), "")
        close = renamed if renamed in keys else nearest(str(path[-1]), keys)
        message = f"this key is now called `{close}`" if close == renamed else "this key is not known here"
        place = sources.key_place(path)
        return Problem(message, place, dotted(path), "", _one_of(keys), close)
    if kind == "missing":
        parent = path[:-1]
        place = sources.key_place(parent) if parent else sources.place(parent)
        message, expected = f"the key `{path[-1]}` is missing", expected_words(path, schema)
        return Problem(message, place, dotted(path), "", expected, meaning=_meaning(path, schema))
    place = sources.key_place(path) if at_key else sources.place(path)
    value = str(path[-1]) if at_key else shown(detail["input"])
    if kind == "plan":
        expected, close = str(context["expected"]), context.get("nearest")
        return Problem(str(context["reason"]), place, dotted(path), value, expected, close)
    expected, close = expected_words(path, schema), None
    if kind == "literal_error":
        slot = slot_at(path, schema)
        choices = [str(choice) for choice in get_args(slot.type)] if slot else []
        expected, close = _one_of(choices), nearest(str(detail["input"]), choices)
    elif kind in _LIMITS:
        expected = _LIMITS[kind].format(**context)
    elif at_key:
        expected = "a position, such as 3"
    meaning = "" if at_key or close else _meaning(path, schema)
    return Problem(_PLAIN.get(kind, _MISFIT), place, dotted(path), value, expected, close, meaning=meaning)


def _meaning(path: KeyPath, schema: type[BaseModel]) -> str:
    """Return what the key at a path stands for; empty where that is an item or a name of the user."""
    from chainplan.plan.key_meanings import key_meanings  # late: a plan without problems needs none

    holder = slot_at(path[:-1], schema) if len(path) > 1 else None
    kind = holder.type if holder else schema if len(path) == 1 else None
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return key_meanings(kind).get(str(path[-1]), "")
    return ""


def _one_of(choices: Iterable[str]) -> str:
    names = list(choices)
    return "one of " + ", ".join(names) if len(names) > 1 else "".join(names)


_RENAMED = {
    "tolerant_time": "ftti",
    "relay": "forwarding",
    "outward": "downstream",
    "homeward": "upstream",
    "leakage": "insulation_resistance",
    "told_by": "reported_by",
    "told_with": "reported_with",
    "told_times": "reported_times",
    "passes_on": "forwards",
    "turns": "multiplexed_over",
    "turn": "reversal",
    "coverage": "monitoring",
    "age_at_vehicle": "end_to_end_age",
    "cells_seen_after_fault": "cells_monitored_after_fault",
    "levers": "parameters",
}
"""Keys of earlier plan files by what they are called now."""

_UNKNOWN_KEY = ("extra_forbidden", "invalid_key")

_MISFIT = "this value does not fit here"

_PLAIN = {
    "bool_type": "this must be yes or no, as a truth value",
    "dict_type": "this must be a mapping",
    "float_type": "this must be a number",
    "greater_than": "this number is too small",
    "greater_than_equal": "this number is too small",
    "int_from_float": "this must be a whole number",
    "int_parsing": "this must be a whole number",
    "int_type": "this must be a whole number",
    "less_than": "this number is too large",
    "less_than_equal": "this number is too large",
    "list_type": "this must be a list",
    "literal_error": "this is not one of the values it can have",
    "model_type": "this must be a mapping",
    "string_type": "this must be a text (in quotes where it looks like something else)",
    "too_long": "this list is too long",
    "too_short": "this list is too short",
}

_LIMITS = {
    "greater_than": "more than {gt}",
    "greater_than_equal": "at least {ge}",
    "less_than": "less than {lt}",
    "less_than_equal": "at most {le}",
    "too_long": "at most {max_length} entries",
    "too_short": "at least {min_length} entry",
}
