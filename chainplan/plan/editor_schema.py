"""The JSON Schema of the plan file, for editors: completion, hints and a first check while typing.

Made from the plan's own types. What only :mod:`chainplan.plan.checks` can tell (names that exist, cells that
are monitored once) it does not know.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema
from pydantic_core import core_schema

from chainplan.plan.fields import Part
from chainplan.plan.key_meanings import key_meanings
from chainplan.plan.model import Plan
from chainplan.quantity import BITS, DIMENSIONS, RATIO, TIME, Dimension, Span, format_span

Schema = dict[str, Any]

_ENDS = ("min", "typical", "typ", "nominal", "max")


def plan_schema() -> Schema:
    """Return the JSON Schema (2020-12) of the plan file."""
    found = Plan.model_json_schema(schema_generator=_Generator)
    parts: Schema = _with_references(found.pop("$defs"))
    for kind in _kinds(Part):
        _explain(kind, parts.get(kind.__name__, {}))
    parts |= {_definition(dimension): quantity_schema(dimension) for dimension in _used(found, parts)}
    whole = _with_references(found)
    _explain(Plan, whole)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **whole,
        "title": "chainplan plan file, format 1",
        "$defs": dict(sorted(parts.items())),
    }


def _kinds(kind: type[Part]) -> Iterator[type[Part]]:
    """Yield all kinds of parts below one."""
    for each in kind.__subclasses__():
        yield each
        yield from _kinds(each)


def _explain(kind: type[Part], schema: Schema) -> None:
    """Put what each key means into the schema of a part, for an editor to show."""
    for name, meaning in key_meanings(kind).items():
        if name in schema.get("properties", {}):
            schema["properties"][name]["description"] = meaning


def quantity_schema(dimension: Dimension) -> Schema:
    """Return the JSON Schema of a quantity: a text with its unit, or two or three ends of a span."""
    one = dimension.example
    plain = dimension.name in (BITS.name, RATIO.name) or "±" in one
    text = {
        "type": "string",
        "description": f"{dimension.name} with its unit: {dimension.accepted()}",
        "examples": [one] if plain else [one, f"{one} ± 1 %"],
    }
    values: list[Schema] = [text]
    if "" in dimension.units:
        values.append({"type": "number"})
    ends = {end: {"anyOf": values} if len(values) > 1 else text for end in _ENDS}
    span = {"type": "object", "properties": ends, "minProperties": 2, "additionalProperties": False}
    return {"description": f"{dimension.name}, such as {one}", "anyOf": [*values, span]}


def _definition(dimension: Dimension) -> str:
    return dimension.name.title().replace(" ", "")


_BY_EXAMPLE = {dimension.example: dimension for dimension in DIMENSIONS}


def _dimension_of(schema: object) -> Dimension | None:
    """Return the dimension of a quantity's schema as its field type writes it, None for anything else."""
    if not isinstance(schema, dict) or "anyOf" not in schema:
        return None
    examples = schema.get("examples") or [None]
    return _BY_EXAMPLE.get(examples[0]) if len(examples) == 1 else None


def _used(*schemas: object) -> list[Dimension]:
    """Return the dimensions whose definitions are referred to anywhere."""
    text = repr([_with_references(schema) for schema in schemas])
    return [dimension for dimension in DIMENSIONS if f"'#/$defs/{_definition(dimension)}'" in text]


def _with_references(schema: Any) -> Any:
    """Return a schema with every quantity replaced by a reference to its one definition."""
    if isinstance(schema, list):
        return [_with_references(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    if schema.get("description") == "a name" and schema.get("type") == "string":
        return {**schema, "type": ["string", "integer"]}  # a bare whole number is a name too
    dimension = _dimension_of(schema)
    if dimension is None:
        return {key: _with_references(value) for key, value in schema.items()}
    kept = {key: schema[key] for key in ("title", "default") if key in schema}
    return {"$ref": f"#/$defs/{_definition(dimension)}", **kept}


class _Generator(GenerateJsonSchema):
    """Writes defaults as a user would: quantities as text, and nothing where a part is just left out."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> Schema:
        inner: Schema = self.generate_inner(schema["schema"])
        default = schema.get("default")
        if isinstance(default, Span):
            dimension = _dimension_of(inner) or TIME
            return {**inner, "default": format_span(default, dimension)}
        if default is None or isinstance(default, (BaseModel, Mapping, list)) or default == "":
            return inner
        return {**inner, "default": default}
