"""Parameters as the run needs them: each choice as the settings it makes, in the notation of ``--with``."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from fractions import Fraction
from typing import Any, NamedTuple

from chainplan.plan.problems import KeyPath
from chainplan.plan.quantity_text import parse_quantity
from chainplan.plan.settings import Key, parse_key
from chainplan.plan.yaml_scalars import resolves_to_itself
from chainplan.quantity import QuantityError
from chainplan.study.ranges import ParameterRange, dimension_at, number_and_unit

Pick = int | str
"""What a candidate has of a parameter: the number of a choice, or a number drawn from its range."""

Candidate = tuple[Pick, ...]
"""One pick for every parameter, in their order."""


class SetValue(NamedTuple):
    """One key and the value it is set to; `place` is where the study file has the value, if it does."""

    key: Key
    key_text: str
    value: Any
    place: KeyPath

    @property
    def text(self) -> str:
        """Return the setting as ``--with`` takes it."""
        return f"{self.key_text}={flow_text(self.value)}"


class Choice(NamedTuple):
    """One value of a parameter: its name, what it sets, and its number where values are figures."""

    label: str
    sets: tuple[SetValue, ...]
    number: float | None = None


class Listed(NamedTuple):
    """A parameter with its choices one by one; `unit` is that of their numbers."""

    name: str
    choices: tuple[Choice, ...]
    unit: str = ""

    @property
    def is_number(self) -> bool:
        """Tell whether every choice has a number."""
        return all(choice.number is not None for choice in self.choices)

    def choice(self, pick: Pick) -> Choice:
        """Return the choice that a candidate has picked."""
        return self.choices[int(pick)]

    def pick(self, share: Fraction) -> Pick:
        """Return the pick a share (0 up to, not including, 1) of the way through the choices."""
        return int(share * len(self.choices))


class Drawn(NamedTuple):
    """A parameter whose numbers are drawn from a range."""

    name: str
    key: Key
    key_text: str
    range: ParameterRange
    place: KeyPath

    @property
    def unit(self) -> str:
        """Return the unit of its numbers."""
        return self.range.unit

    @property
    def is_number(self) -> bool:
        """Tell that every choice has a number."""
        return True

    def choice(self, pick: Pick) -> Choice:
        """Return the choice that a candidate has picked."""
        value = self.range.value(str(pick))
        setting = SetValue(self.key, self.key_text, value, self.place)
        return Choice(str(value), (setting,), float(pick))

    def pick(self, share: Fraction) -> Pick:
        """Return the pick a share (0 to 1) of the way through the range."""
        return self.range.at(share)


Parameter = Listed | Drawn


def listed_values(name: str, key_text: str, values: list[Any], places: list[KeyPath]) -> Listed:
    """Return the parameter of one key with its values."""
    key = parse_key(key_text)
    numbers, unit = _numbers(key.path, values)
    return Listed(
        name,
        tuple(
            Choice(flow_text(value), (SetValue(key, key_text, value, place),), number)
            for value, number, place in zip(values, numbers, places, strict=True)
        ),
        unit,
    )


def settings_of(parameters: tuple[Parameter, ...], candidate: Candidate) -> Iterator[SetValue]:
    """Yield what a candidate sets, in order: a later setting wins over an earlier one."""
    for parameter, pick in zip(parameters, candidate, strict=True):
        yield from parameter.choice(pick).sets


def _numbers(path: KeyPath, values: list[Any]) -> tuple[list[float | None], str]:
    """Return values as numbers of one unit, if they are figures and no two of them the same number."""
    nothing: list[float | None] = [None] * len(values)
    if all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in values):
        return [float(value) for value in values], ""
    dimension = dimension_at(path)
    if dimension is None:
        return nothing, ""
    try:
        typical = [parse_quantity(value, dimension).typical for value in values]
    except QuantityError:
        return nothing, ""
    if len(set(typical)) < len(typical):
        return nothing, ""
    first = str(values[0]).partition("±")[0].partition("+/-")[0].partition("..")[0]
    parts = number_and_unit(first)
    unit = parts[1] if parts and parts[1] in dimension.units else dimension.base
    per_unit = dimension.units[unit]
    return [float(Fraction(ticks) / per_unit) for ticks in typical], unit


_SAFE = re.compile(r"[^\W\d_][\w .±%/+-]*|[0-9][\w .±%/+-]*")
"""A text that YAML reads as itself inside brackets, too, unless it looks like a number."""


def flow_text(value: Any) -> str:
    """Return a value of a plan on one line, as YAML reads it back: the same value to the last digit."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{flow_text(key)}: {flow_text(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(flow_text, value)) + "]"
    if isinstance(value, str):
        plain = _SAFE.fullmatch(value) and value == value.strip() and resolves_to_itself(value)
        return value if plain else json.dumps(value, ensure_ascii=False)
    return json.dumps(value)  # numbers, truth values and nothing, as JSON and YAML both have them
