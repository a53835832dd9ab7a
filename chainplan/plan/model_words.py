"""What the plan's schema knows of itself: the keys and the kind of value at a path, for messages."""

from __future__ import annotations

import types
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel

from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath


def known_keys(path: KeyPath) -> list[str]:
    """Return the keys the schema knows at a path; none where keys are the user's own names."""
    model = _type_at(path)
    return list(model.model_fields) if isinstance(model, type) and issubclass(model, BaseModel) else []


def expected_words(path: KeyPath) -> str:
    """Return what the schema expects at a path, in words."""
    annotation = _type_at(path)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "a mapping with " + ", ".join(annotation.model_fields)
    example = _example(path)
    return f"a value such as {example}" if example else ""


def _type_at(path: KeyPath) -> Any:
    annotation: Any = Plan
    for part in path:
        annotation = _step(annotation, part)
        if annotation is None:
            return None
    return _bare(annotation)


def _step(annotation: Any, part: str | int) -> Any:
    annotation = _bare(annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        field = annotation.model_fields.get(str(part))
        return field.annotation if field else None
    arguments = get_args(annotation)
    if get_origin(annotation) is dict:
        return arguments[1]
    if get_origin(annotation) in (list, tuple):
        return arguments[0]
    return None


def _bare(annotation: Any) -> Any:
    """Return an annotation without its metadata and without `None`."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation = get_args(annotation)[0]
        elif origin in (Union, types.UnionType):
            choices = [choice for choice in get_args(annotation) if choice is not type(None)]
            annotation = choices[0]
        else:
            return annotation


def _example(path: KeyPath) -> str:
    """Return the example of the quantity a field holds, if it holds one."""
    parent = _type_at(path[:-1])
    if not (isinstance(parent, type) and issubclass(parent, BaseModel)):
        return ""
    field = parent.model_fields.get(str(path[-1]))
    for extra in field.metadata if field else ():
        examples = getattr(extra, "json_schema", {}) or {}
        if isinstance(examples, dict) and examples.get("examples"):
            return str(examples["examples"][0])
    return ""
