"""What a schema knows of itself, the plan's or another: keys and kinds of value at a path, for messages."""

from __future__ import annotations

import types
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator
from pydantic.fields import FieldInfo

from chainplan.plan.fields import Reads
from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath


class SchemaSlot(NamedTuple):
    """What the schema has at a path: a type, what narrows it, and whether it may be left out."""

    type: Any
    extras: tuple[Any, ...] = ()
    optional: bool = False


def slot_at(path: KeyPath, schema: type[BaseModel] = Plan) -> SchemaSlot | None:
    """Return what the schema has at a path; None where it has nothing."""
    slot: SchemaSlot | None = SchemaSlot(schema)
    for step in path:
        if slot is None:
            return None
        slot = _step(slot, step)
    return slot


def known_keys(path: KeyPath, schema: type[BaseModel] = Plan) -> list[str]:
    """Return the keys the schema knows at a path; none where keys are the user's own names."""
    slot = slot_at(path, schema)
    return list(_keys(slot.type)) if slot is not None and _is_model(slot.type) else []


def expected_words(path: KeyPath, schema: type[BaseModel] = Plan) -> str:
    """Return what the schema expects at a path, in words; empty where the schema has nothing."""
    slot = slot_at(path, schema)
    return _words(slot) if slot is not None else ""


def stand_in(path: KeyPath) -> Any:
    """Return a valid value, as a plan would hold it, for a path of the schema."""
    slot = slot_at(path)
    return _stand_in(slot) if slot is not None else None


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _keys(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return a part's fields by the keys they have in a file."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def _step(slot: SchemaSlot, step: str | int) -> SchemaSlot | None:
    if _is_model(slot.type):
        info: FieldInfo | None = _keys(slot.type).get(str(step))
        if info is None:
            return None
        return _bare(SchemaSlot(info.annotation, tuple(info.metadata), not info.is_required()))
    arguments = get_args(slot.type)
    if get_origin(slot.type) is dict:
        return _bare(SchemaSlot(arguments[1]))
    if get_origin(slot.type) in (list, tuple):
        return _bare(SchemaSlot(arguments[0]))
    return None


def _bare(slot: SchemaSlot) -> SchemaSlot:
    """Take the metadata and the `None` off a type; of a choice of types the last one stays."""
    while True:
        origin = get_origin(slot.type)
        if origin is Annotated:
            kind, *extras = get_args(slot.type)
            slot = slot._replace(type=kind, extras=(*slot.extras, *extras))
        elif origin in (Union, types.UnionType):
            choices = [choice for choice in get_args(slot.type) if choice is not type(None)]
            slot = slot._replace(type=choices[-1])
        else:
            return slot


def _json_schema(slot: SchemaSlot) -> dict[str, Any]:
    """Return the JSON Schema that a field type of the plan gives for itself, if it does."""
    found = [extra.json_schema for extra in slot.extras if isinstance(extra, Reads)]
    return found[-1] if found else {}


def _limits(slot: SchemaSlot) -> dict[str, int]:
    found = {}
    for extra in slot.extras:
        for part in (extra, *getattr(extra, "metadata", ())):
            for key in ("ge", "gt", "le", "min_length"):
                if getattr(part, key, None) is not None:
                    found[key] = getattr(part, key)
    return found


def _words(slot: SchemaSlot) -> str:
    schema = _json_schema(slot)
    if "description" in schema:
        return str(schema["description"])
    kind = slot.type
    if _is_model(kind):
        return "a mapping with keys of " + ", ".join(_keys(kind))
    if get_origin(kind) is Literal:
        return "one of " + ", ".join(map(str, get_args(kind)))
    if get_origin(kind) is tuple:
        return f"{_one_instead(slot)}, or a list of names, such as [a, b]"
    limits = _limits(slot)
    if kind in (int, float) and "le" in limits:
        least = f"from {limits['ge']}" if "ge" in limits else f"above {limits['gt']} up"
        return f"{_KIND_WORDS[kind]} {least} to {limits['le']}"
    return _KIND_WORDS.get(get_origin(kind) or kind, "")


def _one_instead(slot: SchemaSlot) -> str:
    """Return what may stand in place of a list of names: how many they are, or a single one."""
    alone = [
        get_args(each.json_schema_input_type)[0] for each in slot.extras if isinstance(each, BeforeValidator)
    ]
    return "a whole number" if alone and _bare(SchemaSlot(alone[0])).type is int else "a name"


_KIND_WORDS: dict[Any, str] = {
    bool: "true or false",
    dict: "a mapping, such as `NAME: ...` lines",
    float: "a number",
    int: "a whole number",
    list: "a list, such as [a, b]",
    str: "a text",
}


def _stand_in(slot: SchemaSlot) -> Any:
    examples = _json_schema(slot).get("examples")
    if examples:
        return examples[0]
    kind = slot.type
    if _is_model(kind):
        required = [name for name, info in kind.model_fields.items() if info.is_required()]
        return {name: _stand_in(part) for name in required if (part := _step(slot, name)) is not None}
    if get_origin(kind) is Literal:
        return get_args(kind)[0]
    if get_origin(kind) is dict:
        return {}
    if get_origin(kind) in (list, tuple):
        least = _limits(slot).get("min_length", 0)
        part = _step(slot, 0)
        return [_stand_in(part) for _ in range(least)] if part is not None else []
    return {bool: False, str: "?", int: 1, float: 1.0}.get(kind)
