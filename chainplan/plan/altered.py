"""The same plan with other values: for questions that try one value after another.

Values are taken as they are: they were valid somewhere, or lie between two that were. What must hold between
parts is for :func:`chainplan.plan.checks.check_plan` to say.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeVar

from pydantic import BaseModel

from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath
from chainplan.quantity import Span

_Whole = TypeVar("_Whole")


def value_at(whole: Any, path: KeyPath) -> Any:
    """Return the value at a path of a plan or of a part of it. Raises LookupError where there is none."""
    for step in path:
        if isinstance(whole, BaseModel):
            if step not in type(whole).model_fields:
                raise LookupError(step)
            whole = getattr(whole, str(step))
        elif isinstance(whole, (dict, list, tuple)) and not isinstance(whole, Span):
            whole = whole[step]  # type: ignore[index]
        else:
            raise LookupError(step)
    return whole


def with_value(whole: _Whole, path: KeyPath, value: Any) -> _Whole:
    """Return a plan, or a part of one, with another value at a path; all else is shared with the old one.

    Raises LookupError where the way to the value does not exist.
    """
    if not path:
        return value  # type: ignore[no-any-return]
    step, rest = path[0], path[1:]
    if isinstance(whole, BaseModel):
        if step not in type(whole).model_fields:
            raise LookupError(step)
        name = str(step)
        return whole.model_copy(update={name: with_value(getattr(whole, name), rest, value)})
    if isinstance(whole, dict):
        return {**whole, step: with_value(whole[step], rest, value) if rest else value}  # type: ignore[return-value]
    if isinstance(whole, (list, tuple)) and not isinstance(whole, Span) and isinstance(step, int):
        items = list(whole)
        items[step] = with_value(items[step], rest, value)
        return type(whole)(items)
    raise LookupError(step)


def spans(part: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Span]]:
    """Yield every quantity of a plan with its path, in the order of the plan's keys."""
    if isinstance(part, Span):
        yield path, part
    elif isinstance(part, BaseModel):
        for name in type(part).model_fields:
            yield from spans(getattr(part, name), (*path, name))
    elif isinstance(part, dict):
        for key, item in part.items():
            yield from spans(item, (*path, key))
    elif isinstance(part, (list, tuple)):
        for number, item in enumerate(part):
            yield from spans(item, (*path, number))


def tolerances(plan: Plan) -> list[tuple[KeyPath, Span]]:
    """Return the quantities of a plan that have a tolerance, with their paths, limits apart."""
    return [
        (path, span)
        for path, span in spans(plan)
        if span.min < span.max and path[0] != "targets" and path[-1] != "ftti"
    ]
