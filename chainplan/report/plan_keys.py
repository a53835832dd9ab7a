"""Every key a plan or a study can have, from the file's own schema: what it takes, what counts without it."""

from __future__ import annotations

from collections.abc import Iterator
from inspect import cleandoc
from typing import Any, Literal, NamedTuple, get_args, get_origin

from pydantic import BaseModel, BeforeValidator

from chainplan.plan.fields import Reads
from chainplan.plan.key_meanings import key_meanings
from chainplan.plan.model_words import SchemaSlot, expected_words, slot_at
from chainplan.plan.problems import KeyPath
from chainplan.quantity import DIMENSIONS, Span, format_span


class PlanKey(NamedTuple):
    """A key of a part. `left_out` is empty where nothing in words stands for it."""

    name: str
    meaning: str
    takes: str
    left_out: str


class PartKeys(NamedTuple):
    """A part of a file: the places it can stand at, what it is, and its keys."""

    places: tuple[str, ...]
    meaning: str
    keys: tuple[PlanKey, ...]


def file_parts(schema: type[BaseModel], whole: str) -> tuple[PartKeys, ...]:
    """Return a whole file, part by part, each kind of part once; the first is the file itself, `whole`."""
    return _File(schema, whole).parts()


class _File:
    """A file's schema, walked from its top."""

    def __init__(self, schema: type[BaseModel], whole: str) -> None:
        self._schema, self._whole = schema, whole

    def parts(self) -> tuple[PartKeys, ...]:
        places: dict[type[BaseModel], list[KeyPath]] = {}
        waiting: list[KeyPath] = [()]
        while waiting:
            path = waiting.pop(0)
            kind = self._slot(path).type
            known = kind in places
            places.setdefault(kind, []).append(path)
            if not known:
                inner = [
                    self._innermost((*path, info.alias or name)) for name, info in kind.model_fields.items()
                ]
                waiting += [each for each in inner if _is_part(self._slot(each))]
        order = sorted(places.items(), key=lambda item: self._position(item[1][0]))
        return tuple(self._part(kind, paths) for kind, paths in order)

    def _position(self, path: KeyPath) -> tuple[int, ...]:
        """Return where a path stands in the order of the plan's sections and their keys."""
        found = []
        kind: Any = self._schema
        for depth, step in enumerate(path, start=1):
            if _is_model(kind) and str(step) in kind.model_fields:
                found.append(list(kind.model_fields).index(str(step)))
            kind = self._slot(path[:depth]).type
        return tuple(found)

    def _part(self, kind: type[BaseModel], paths: list[KeyPath]) -> PartKeys:
        meaning = " ".join(cleandoc(kind.__doc__ or "").replace("``", "`").split())
        keys = tuple(self._keys(kind, paths[0]))
        return PartKeys(tuple(map(self._written, paths)), meaning, keys)

    def _keys(self, kind: type[BaseModel], path: KeyPath) -> Iterator[PlanKey]:
        meanings = key_meanings(kind)
        for name, info in kind.model_fields.items():
            here = (*path, info.alias or name)
            left_out = "required" if info.is_required() else self._default(info.default, here)
            yield PlanKey(info.alias or name, meanings.get(name, ""), self._takes(here), left_out)

    def _takes(self, path: KeyPath) -> str:
        """Return what a key takes: lists and mappings by what is in them, parts by where they stand."""
        slot = self._slot(path)
        kind = slot.type
        read_otherwise = any(isinstance(each, (BeforeValidator, Reads)) for each in slot.extras)
        if get_origin(kind) is tuple and not read_otherwise:
            return f"a list, each item {self._takes((*path, 0))}"
        if get_origin(kind) in (dict, list):
            around = (
                "a list, each item"
                if get_origin(kind) is list
                else f"a mapping by {_keyed_by(kind)}, each value"
            )
            return f"{around} {self._takes(self._inside(path))}"
        if _is_part(self._slot(path)):
            return "a mapping of its own"
        if get_origin(kind) is Literal:
            return " | ".join(map(str, get_args(kind)))
        return expected_words(path, self._schema) or "a value"

    def _default(self, default: Any, path: KeyPath) -> str:
        """Return a default as a user would write it; empty where none can be written."""
        if isinstance(default, Span):
            words = expected_words(self._innermost(path), self._schema).partition(" such as")[0]
            dimension = next((each for each in DIMENSIONS if each.name == words), None)
            return format_span(default, dimension) if dimension else ""
        if default is None or isinstance(default, (BaseModel, dict)):
            return ""
        if isinstance(default, bool):
            return "yes" if default else "no"
        if isinstance(default, (list, tuple)):
            return f"[{', '.join(map(str, default))}]" if default else ""
        return f"{default:g}" if isinstance(default, float) else str(default)

    def _written(self, path: KeyPath) -> str:
        """Return a path with NAME for names of the user and NUMBER for positions."""
        steps: list[str] = []
        for depth, step in enumerate(path):
            around = self._slot(path[:depth]).type if depth else self._schema
            if isinstance(step, int) and get_origin(around) is list:
                continue
            steps.append(_keyed_by(around) if get_origin(around) is dict else str(step))
        return ".".join(steps) or self._whole

    def _innermost(self, path: KeyPath) -> KeyPath:
        while get_origin(self._slot(path).type) in (dict, list):
            path = self._inside(path)
        return path

    def _inside(self, path: KeyPath) -> KeyPath:
        return (*path, "x" if get_origin(self._slot(path).type) is dict else 0)

    def _slot(self, path: KeyPath) -> SchemaSlot:
        slot = slot_at(path, self._schema)
        assert slot is not None, path  # only paths of the schema are walked
        return slot


def _keyed_by(kind: Any) -> str:
    key = get_args(kind)[0]
    return "NAME" if (get_args(key) or (key,))[0] is str else "NUMBER"


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _is_part(slot: SchemaSlot) -> bool:
    return _is_model(slot.type)
