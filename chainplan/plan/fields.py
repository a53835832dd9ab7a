"""Field types of the plan file: quantities with units, counts and names, with bounds that catch slips."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from chainplan import quantity
from chainplan.quantity import Dimension, QuantityError, Span, parse_quantity

MOST_COUNT = 100_000
"""Largest count of equal parts in one line of a plan: far above any pack, far below what exhausts memory."""


class Part(BaseModel):
    """Base of every part of a plan: unknown keys are refused and a part never changes once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _reader(dimension: Dimension) -> PlainValidator:
    def read(value: Any) -> Span:
        if isinstance(value, Span):
            return value
        try:
            return parse_quantity(value, dimension)
        except QuantityError as error:
            raise PydanticCustomError(
                "quantity",
                "{reason}",
                {"reason": str(error), "expected": error.expected, "nearest": error.nearest},
            ) from None

    return PlainValidator(read)


def _schema(dimension: Dimension) -> WithJsonSchema:
    text = {"type": "string", "description": f"{dimension.name}, such as {dimension.example}"}
    ends = {
        "type": "object",
        "properties": {end: {"type": "string"} for end in ("min", "typical", "nominal", "max")},
        "additionalProperties": False,
    }
    return WithJsonSchema({"anyOf": [text, ends], "examples": [dimension.example]})


Time = Annotated[Span, _reader(quantity.TIME), _schema(quantity.TIME)]
Voltage = Annotated[Span, _reader(quantity.VOLTAGE), _schema(quantity.VOLTAGE)]
Length = Annotated[Span, _reader(quantity.LENGTH), _schema(quantity.LENGTH)]
Current = Annotated[Span, _reader(quantity.CURRENT), _schema(quantity.CURRENT)]
Resistance = Annotated[Span, _reader(quantity.RESISTANCE), _schema(quantity.RESISTANCE)]
BitRate = Annotated[Span, _reader(quantity.BIT_RATE), _schema(quantity.BIT_RATE)]
Speed = Annotated[Span, _reader(quantity.SPEED), _schema(quantity.SPEED)]
Bits = Annotated[Span, _reader(quantity.BITS), _schema(quantity.BITS)]
Ratio = Annotated[Span, _reader(quantity.RATIO), _schema(quantity.RATIO)]

Count = Annotated[int, Field(ge=1, le=MOST_COUNT, strict=True)]
CountOrNone = Annotated[int, Field(ge=0, le=MOST_COUNT, strict=True)]


def _name(value: Any) -> Any:
    """Let a name be written as a bare number (`1`), as people write port and board names."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Name = Annotated[
    str, BeforeValidator(_name), Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")
]
Note = Annotated[str, Field(max_length=2000)]

ZERO = Span(0, 0, 0)
"""A quantity that is absent: nothing is added to a sum."""
