"""Field types of the plan file: quantities with units, counts, names, with bounds that catch slips.

The bounds lie far above any pack and far below what could exhaust time or memory: a value beyond one is
a slip of the pen, such as a zero or a unit too much.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from chainplan import quantity
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import Dimension, QuantityError, Span, format_ticks

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

JsonSchema = dict[str, Any]


class Part(BaseModel):
    """Base of every part of a plan: unknown keys are refused and a part never changes once read."""

    # Only the plan as a whole is ever validated at the start, so the parts' own validators can wait.
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class Reads:
    """Field type read by a function of our own; `json_schema` tells editors what it takes.

    Half the time that general validators take to be built, which counts at every start.
    """

    def __init__(self, read: Callable[[Any], Any], json_schema: JsonSchema) -> None:
        self._read = read
        self.json_schema = json_schema

    def __get_pydantic_core_schema__(self, _: Any, __: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self._read)

    def __get_pydantic_json_schema__(self, _: CoreSchema, __: GetJsonSchemaHandler) -> JsonSchema:
        return dict(self.json_schema)


def refusal(reason: str, expected: str, nearest: str | None = None) -> PydanticCustomError:
    """Return the error for a value of a plan that says in its own words what is wrong and what is wanted."""
    context = {"reason": reason, "expected": expected, "nearest": nearest}
    return PydanticCustomError("plan", "{reason}", context)


def _in_percent(value: Any) -> str | None:
    """Return what a ratio above 1 was meant to be where its numbers have no unit: 80 is no 8000 %."""
    text = str(value)
    plain = isinstance(value, (int, float, str)) and re.fullmatch(r"[\d. ]+", text)
    return re.sub(r"\d+(\.\d+)?", r"\g<0> %", text) if plain else None


def _quantity(dimension: Dimension, most: str, *, up_to: bool = False) -> Reads:
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
            meant = _in_percent(value) if dimension is quantity.RATIO else None
            raise refusal(f"{given} is beyond anything a plan can mean", f"at most {most}", meant)
        alone = not isinstance(value, Mapping) and ".." not in str(value)
        return Span(0, round(Fraction(span.max, 2)), span.max) if up_to and alone else span

    ends = {
        "type": "object",
        "properties": {end: {"type": "string"} for end in ("min", "typical", "typ", "nominal", "max")},
        "additionalProperties": False,
    }
    one = {"type": ["string", "number"]} if "" in dimension.units else {"type": "string"}
    words = f'{dimension.name} such as "{dimension.example}"'
    return Reads(read, {"anyOf": [one, ends], "description": words, "examples": [dimension.example]})


Time = Annotated[Span, _quantity(quantity.TIME, "400 d")]
Voltage = Annotated[Span, _quantity(quantity.VOLTAGE, "100 kV")]
Length = Annotated[Span, _quantity(quantity.LENGTH, "100 km")]
Current = Annotated[Span, _quantity(quantity.CURRENT, "1000 A")]
Resistance = Annotated[Span, _quantity(quantity.RESISTANCE, "1000 Gohm")]
BitRate = Annotated[Span, _quantity(quantity.BIT_RATE, "1000 Gbit/s")]
Speed = Annotated[Span, _quantity(quantity.SPEED, "1 c")]
Bits = Annotated[Span, _quantity(quantity.BITS, "125000 byte")]
Ratio = Annotated[Span, _quantity(quantity.RATIO, "100 %")]
UpTo = Annotated[Span, _quantity(quantity.RATIO, "100 %", up_to=True)]
"""A share of which anything from nothing up may come: `10 %` alone is 0 to 10 %."""
Frequency = Annotated[Span, _quantity(quantity.FREQUENCY, "100 GHz")]
Level = Annotated[Span, _quantity(quantity.LEVEL, "1000 dB")]
Temperature = Annotated[Span, _quantity(quantity.TEMPERATURE, "1000 degC")]
Charge = Annotated[Span, _quantity(quantity.CAPACITY, "100000 Ah")]

Count = Annotated[int, Field(ge=1, le=MOST_COUNT, strict=True)]
CountOrNone = Annotated[int, Field(ge=0, le=MOST_COUNT, strict=True)]
Copies = Annotated[int, Field(ge=1, le=MOST_COPIES, strict=True)]
Inputs = Annotated[int, Field(ge=0, le=MOST_INPUTS, strict=True)]


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _position(value: Any) -> int:
    # In quotes too: the keys of JSON are always texts.
    is_text = isinstance(value, str) and value.isascii() and value.isdigit() and len(value) <= 30
    number = int(value) if _is_whole(value) or is_text else 0
    if not 1 <= number <= MOST_COUNT:
        raise refusal("this is not a position", f"a whole number from 1 to {MOST_COUNT}")
    return number


Position = Annotated[int, Reads(_position, {"type": "integer", "minimum": 1, "maximum": MOST_COUNT})]
"""The key of an exception: a board's place in its string, a hop's place in its chain."""


def _one_of(*choices: int) -> Reads:
    """Read a choice of numbers without taking `true` for 1 or 2.0 for 2."""
    words = " or ".join(map(str, choices))

    def read(value: Any) -> int:
        if not _is_whole(value) or value not in choices:
            raise refusal("this is not one of the values it can have", words)
        return int(value)

    return Reads(read, {"enum": list(choices), "description": words, "examples": [choices[0]]})


Format = Annotated[Literal[1], _one_of(1)]
"""The format of the plan file."""

PollutionDegree = Annotated[Literal[1, 2, 3], _one_of(1, 2, 3)]

_TRUTHS = {"yes": True, "on": True, "true": True, "no": False, "off": False, "false": False}


def _truth(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    word = value.lower() if isinstance(value, str) else ""
    if word not in _TRUTHS:
        raise refusal("this must be yes or no", "true or false")
    return _TRUTHS[word]


Truth = Annotated[
    bool, Reads(_truth, {"enum": [True, False, "yes", "no", "on", "off"], "description": "true or false"})
]
"""`true` and `false`; and, being texts by the rules of YAML 1.2, also `yes`, `no`, `on` and `off`."""


def _text(words: str, most: int, reserved: str = "", *, lines: bool = False) -> Reads:
    def read(value: Any) -> str:
        # A name may be a bare whole number, as people write ports and revisions.
        text = str(value) if _is_whole(value) else value
        if not isinstance(text, str):
            raise refusal("this must be a text (in quotes where it looks like something else)", words)
        if not (text.isalpha() and len(text) <= most):
            _check_text(text, most, reserved, lines)
        return text

    schema: JsonSchema = {"type": "string", "maxLength": most, "description": words}
    if not lines:
        schema["minLength"] = 1
    if reserved:
        schema["pattern"] = f"^[^{reserved}]+$"
    return Reads(read, schema)


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

Name = Annotated[str, _text("a name", 80)]
"""A name: one line of printable text."""

JoinedName = Annotated[str, _text("a name", 80, RESERVED)]
"""The name of a string, controller, port, chain, task or hazard: other names are built from it."""

Reference = Annotated[str, _text("a name", 200)]
"""A text that names a board, a port or a file."""

Reason = Annotated[str, _text("a reason", 300)]
"""Why something is so: one line of printable text."""

Note = Annotated[str, _text("a text", 2000, lines=True)]
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
    tuple[JoinedName, ...],
    BeforeValidator(
        _ports,
        json_schema_input_type=Annotated[int, Field(ge=1, le=MOST_PORTS)]
        | Annotated[list[JoinedName], Field(min_length=1, max_length=MOST_PORTS)],
    ),
]
"""The ports of a controller, by name."""

MOST_NAMES = 20


def _names(value: Any) -> Any:
    """Let a single name stand for a list of one."""
    if isinstance(value, str):
        return [value]
    if not isinstance(value, (list, tuple)) or not 1 <= len(value) <= MOST_NAMES:
        raise refusal("one name or several are wanted here", "a name, or a list of names, such as [a, b]")
    return value


Names = Annotated[
    tuple[Name, ...],
    BeforeValidator(
        _names,
        json_schema_input_type=Name | Annotated[list[Name], Field(min_length=1, max_length=MOST_NAMES)],
    ),
]
"""One name or several."""

ZERO = Span(0, 0, 0)
"""A quantity that is absent: nothing is added to a sum."""
