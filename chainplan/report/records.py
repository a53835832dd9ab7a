"""Records of the results: one type says what is in a record; its JSON and its schema both follow from it.

A record is a named tuple or a dataclass. A field that holds ticks says of what, ``worst: Time``, and its key
then ends in its unit: ``worst_s``. The docstrings under the fields are their descriptions in the schema.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from fractions import Fraction
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from chainplan.plan.key_meanings import key_meanings
from chainplan.quantity import Dimension
from chainplan.report.units import number, unit_of

Json = Any


def written(value: Any, as_type: Any) -> Json:
    """Return a value as JSON has it; `as_type` is a record's class, a list of one, or plain."""
    return _writer(as_type)(value)


def record(value: Any) -> Json:
    """Return a record as JSON has it."""
    return written(value, type(value))


def _ticks(hint: Any) -> Dimension | None:
    """Return what a field's ticks are ticks of; None where it holds none."""
    for each in (hint, *get_args(hint)):
        if get_origin(each) is Annotated:
            dimension = get_args(each)[1]
            return dimension if isinstance(dimension, Dimension) else None
    return None


@cache
def _fields(kind: type) -> tuple[tuple[str, str, Any], ...]:
    """Return the name, the key and the type of every field of a record."""
    hints = get_type_hints(kind, include_extras=True)
    names = [each.name for each in fields(kind)] if is_dataclass(kind) else list(kind._fields)  # type: ignore[attr-defined]
    found = []
    for name in names:
        dimension = _ticks(hints[name])
        key = name if dimension is None else f"{name}_{unit_of(dimension)}"
        found.append((name, key, hints[name]))
    return tuple(found)


def _is_record(hint: Any) -> bool:
    return isinstance(hint, type) and (is_dataclass(hint) or hasattr(hint, "_fields"))


@cache
def _writer(hint: Any) -> Callable[[Any], Json]:
    """Return what turns a value of a type into JSON."""
    dimension = _ticks(hint)
    if dimension is not None:
        return lambda ticks: number(ticks, dimension)
    if _is_record(hint):
        # Its fields are looked up when one is written: a record may hold others of its kind.
        return lambda value: {key: write(getattr(value, name)) for name, key, write in _writers(hint)}
    return _compound_writer(get_origin(hint), get_args(hint))


@cache
def _writers(kind: type) -> list[tuple[str, str, Callable[[Any], Json]]]:
    return [(name, key, _writer(hint)) for name, key, hint in _fields(kind)]


def _compound_writer(origin: Any, arguments: tuple[Any, ...]) -> Callable[[Any], Json]:
    if origin in (list, tuple):
        each = _writer(arguments[0])
        return lambda values: [each(value) for value in values]
    if origin in (dict, Mapping):
        each = _writer(arguments[1])
        return lambda values: {key: each(value) for key, value in values.items()}
    if origin not in (Union, UnionType):
        return _plain
    some = [_writer(each) for each in arguments if each is not NoneType]
    if len(some) == 1:
        return lambda value: None if value is None else some[0](value)
    return lambda value: record(value) if _is_record(type(value)) else value


def _plain(value: Any) -> Json:
    return float(value) if isinstance(value, Fraction) else value


def schema_of(kind: type, title: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a record."""
    known: dict[str, Json] = {}
    schema = _record_schema(kind, known)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        **schema,
        "$defs": dict(sorted(known.items())),
    }


def _record_schema(kind: type, known: dict[str, Json]) -> dict[str, Any]:
    meanings = key_meanings(kind)
    properties = {}
    for name, key, hint in _fields(kind):
        properties[key] = dict(_schema(hint, known))
        if name in meanings:
            properties[key]["description"] = meanings[name]
    return {
        "type": "object",
        "description": " ".join((kind.__doc__ or "").split()),
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


_PLAIN = {
    str: "string",
    int: "integer",
    float: "number",
    Fraction: "number",
    bool: "boolean",
    NoneType: "null",
}


def _schema(hint: Any, known: dict[str, Json]) -> dict[str, Any]:
    if _is_record(hint):
        name = hint.__name__
        if name not in known:
            known[name] = {}  # a record may hold others of its kind
            known[name] = _record_schema(hint, known)
        return {"$ref": f"#/$defs/{name}"}
    if hint in _PLAIN:
        return {"type": _PLAIN[hint]}
    return _compound_schema(get_origin(hint), get_args(hint), known)


def _compound_schema(origin: Any, arguments: tuple[Any, ...], known: dict[str, Json]) -> dict[str, Any]:
    if origin is Annotated:
        return {"type": "number"}
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin in (list, tuple):
        return {"type": "array", "items": _schema(arguments[0], known)}
    if origin in (dict, Mapping):
        return {"type": "object", "additionalProperties": _schema(arguments[1], known)}
    return {"anyOf": list(_each_once(_schema(each, known) for each in arguments))}


def _each_once(schemas: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    seen: list[dict[str, Any]] = []
    for schema in schemas:
        if schema not in seen:
            seen.append(schema)
            yield schema
