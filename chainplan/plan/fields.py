"""Field types of the plan file: quantities with units, counts, names, with bounds that catch slips.

The bounds lie far above any pack and far below what could exhaust time or memory: a value beyond one is
a slip of the pen, such as a zero or a unit too much.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from chainplan import quantity
from chainplan.quantity import Dimension, QuantityError, Span, format_ticks, parse_quantity

MOST_COUNT = 100_000
"""Largest count of equal parts in one line of a plan."""

MOST_COPIES = 1000
"""Most copies of one string, controller or chain."""

MOST_PORTS = 256
"""Most ports of one controller."""

MOST_INPUTS = 1000
"""Most inputs of one monitoring circuit."""

RESERVED = ".:/#{}"
"""Characters that join names: STRING.POSITION, CONTROLLER:PORT, board/node, chain#segment and {n}."""


class Part(BaseModel):
    """Base of every part of a plan: unknown keys are refused and a part never changes once read."""

    # Only the plan as a whole is ever validated at the start, so the parts' own validators can wait.
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


def refusal(reason: str, expected: str, nearest: str | None = None) -> PydanticCustomError:
    """Return the error for a value of a plan that says in its own words what is wrong and what is wanted."""
    return PydanticCustomError(
        "plan", "{reason}", {"reason": reason, "expected": expected, "nearest": nearest}
    )


def _reader(dimension: Dimension, most: str) -> PlainValidator:
    limit = parse_quantity(most, dimension).max

    def read(value: Any) -> Span:
        if isinstance(value, Span):
            return value
        try:
            span = parse_quantity(value, dimension)
        except QuantityError as error:
            raise refusal(str(error), error.expected, error.nearest) from None
        if span.max > limit:
            given = format_ticks(span.max, dimension)
            raise refusal(f"{given} is beyond anything a plan can mean", f"at most {most}")
        return span

    return PlainValidator(read)


def _schema(dimension: Dimension) -> WithJsonSchema:
    ends = {
        "type": "object",
        "properties": {end: {"type": "string"} for end in ("min", "typical", "nominal", "max")},
        "additionalProperties": False,
    }
    return WithJsonSchema(
        {
            "anyOf": [{"type": ["string", "number"]} if "" in dimension.units else {"type": "string"}, ends],
            "description": f'{dimension.name} such as "{dimension.example}"',
            "examples": [dimension.example],
        }
    )


Time = Annotated[Span, _reader(quantity.TIME, "400 d"), _schema(quantity.TIME)]
Voltage = Annotated[Span, _reader(quantity.VOLTAGE, "100 kV"), _schema(quantity.VOLTAGE)]
Length = Annotated[Span, _reader(quantity.LENGTH, "100 km"), _schema(quantity.LENGTH)]
Current = Annotated[Span, _reader(quantity.CURRENT, "1000 A"), _schema(quantity.CURRENT)]
Resistance = Annotated[Span, _reader(quantity.RESISTANCE, "1000 Gohm"), _schema(quantity.RESISTANCE)]
BitRate = Annotated[Span, _reader(quantity.BIT_RATE, "1000 Gbit/s"), _schema(quantity.BIT_RATE)]
Speed = Annotated[Span, _reader(quantity.SPEED, "1 c"), _schema(quantity.SPEED)]
Bits = Annotated[Span, _reader(quantity.BITS, "125000 byte"), _schema(quantity.BITS)]
Ratio = Annotated[Span, _reader(quantity.RATIO, "100 %"), _schema(quantity.RATIO)]

Count = Annotated[int, Field(ge=1, le=MOST_COUNT, strict=True)]
CountOrNone = Annotated[int, Field(ge=0, le=MOST_COUNT, strict=True)]
Copies = Annotated[int, Field(ge=1, le=MOST_COPIES, strict=True)]
Inputs = Annotated[int, Field(ge=0, le=MOST_INPUTS, strict=True)]


def _position(value: Any) -> Any:
    """Let the position be written in quotes, as the keys of JSON are."""
    return int(value) if isinstance(value, str) and value.isascii() and value.isdigit() else value


Position = Annotated[int, BeforeValidator(_position), Field(ge=1, le=MOST_COUNT, strict=True)]
"""The key of an exception: a board's place in its string, a hop's place in its chain."""


def _whole(value: Any) -> Any:
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    raise PydanticCustomError("int_type", "this must be a whole number")


Whole = BeforeValidator(_whole)
"""Keeps a choice of numbers from taking `true` for 1 and 2.0 for 2."""

_TRUTHS = {"yes": True, "on": True, "true": True, "no": False, "off": False, "false": False}


def _truth(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    word = value.lower() if isinstance(value, str) else ""
    if word not in _TRUTHS:
        raise PydanticCustomError("bool_type", "this must be yes or no")
    return _TRUTHS[word]


Truth = Annotated[
    bool,
    PlainValidator(_truth),
    WithJsonSchema({"enum": [True, False, "yes", "no", "on", "off"], "description": "true or false"}),
]
"""`true` and `false`; and, being texts by the rules of YAML 1.2, also `yes`, `no`, `on` and `off`."""


def _text(most: int, reserved: str = "", *, lines: bool = False) -> BeforeValidator:
    def check(value: Any) -> Any:
        # A name may be a bare whole number, as people write ports and revisions.
        text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
        if isinstance(text, str) and not (text.isalpha() and len(text) <= most):
            _check_text(text, most, reserved, lines)
        return text

    return BeforeValidator(check)


def _check_text(text: str, most: int, reserved: str, lines: bool) -> None:
    if len(text) > most:
        raise refusal(f"this text is too long ({len(text)} characters)", f"at most {most} characters")
    if not (text.translate(_LINES) if lines else text).isprintable():
        raise refusal("this text holds invisible or control characters", "printable characters only")
    if not lines and not text.strip():
        raise refusal("this text is empty", "at least one character that is no blank")
    if not lines and text != text.strip():
        raise refusal("blanks at the beginning or end of a name are easily lost", f"`{text.strip()}`")
    for letter in reserved:
        if letter in text:
            raise refusal(f"`{letter}` cannot stand in this name", _NO_RESERVED)


_LINES = {ord("\n"): None, ord("\t"): None}
_NO_RESERVED = f"a name without {' '.join(RESERVED)} (they join names: STRING.POSITION, CONTROLLER:PORT)"


def _text_schema(words: str, most: int, **more: Any) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "maxLength": most, "description": words, **more})


Name = Annotated[str, _text(80), _text_schema("a name", 80, minLength=1)]
"""A name: one line of printable text."""

JoinedName = Annotated[
    str, _text(80, RESERVED), _text_schema("a name", 80, minLength=1, pattern=r"^[^.:/#{}]+$")
]
"""The name of a string, controller, port, chain, task or hazard: other names are built from it."""

Reference = Annotated[str, _text(200), _text_schema("a name", 200, minLength=1)]
"""A text that names a board, a port or a file."""

Note = Annotated[str, _text(2000, lines=True), _text_schema("a text", 2000)]
"""Free text, of several lines if need be."""


def _ports(value: Any) -> Any:
    """Let ports be counted instead of named: `4` is the same as `["1", "2", "3", "4"]`."""
    expected = f"a whole number, 1 to {MOST_PORTS}, or a list of names, such as [a, b]"
    if isinstance(value, int) and not isinstance(value, bool):
        if not 1 <= value <= MOST_PORTS:
            raise refusal("a controller cannot have this many ports", expected)
        return [str(number + 1) for number in range(value)]
    if not isinstance(value, (list, tuple)) or not 1 <= len(value) <= MOST_PORTS:
        raise refusal("ports are counted or named", expected)
    return value


Ports = Annotated[
    tuple[Name, ...],
    BeforeValidator(
        _ports,
        json_schema_input_type=Annotated[int, Field(ge=1, le=MOST_PORTS)]
        | Annotated[list[Name], Field(min_length=1, max_length=MOST_PORTS)],
    ),
]
"""The ports of a controller, by name."""

ZERO = Span(0, 0, 0)
"""A quantity that is absent: nothing is added to a sum."""
