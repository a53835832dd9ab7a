"""Values set from outside the file, for a what-if: ``chains.line.segments.length = 500 mm``.

A setting is written as messages write a key: names joined by dots, items of lists counted from 0 in
brackets, a name that holds such a sign in double quotes. Its value is read as in the file. What is set takes
the place of what the files say, before anything is validated: so it meets every check, and a message about it
shows the setting where it would show a line of the file.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from chainplan.plan.includes import Setting, Sources, put
from chainplan.plan.model_words import known_keys, slot_at
from chainplan.plan.problems import KeyPath, PlanError, Problem, Text, dotted, nearest, place_in_line, shown
from chainplan.plan.source import Source
from chainplan.plan.yaml_nodes import build

FORM = "KEY=VALUE, such as chains.NAME.segments.length=500 mm"
MOST_LETTERS = 10_000
MOST_INDEX_DIGITS = 9


class SettingError(ValueError):
    """A key that cannot be read: what is wrong, and where in the text, from 0."""

    def __init__(self, message: str, column: int) -> None:
        super().__init__(message)
        self.column = column


class Key(NamedTuple):
    """A key as it was read: its path, where each step stands (from, to), and the sign after it."""

    path: KeyPath
    places: tuple[tuple[int, int], ...]
    end: int


def set_values(sources: Sources, settings: Sequence[str], called: str) -> list[Problem]:
    """Set values in a plan that has been read, in order; return what is wrong with the settings themselves.

    `called` is what messages call the place where a setting stands, such as the name of an option.
    """
    problems: list[Problem] = []
    for number, text in enumerate(settings, start=1):
        name = called if len(settings) == 1 else f"{called} ({number})"
        try:
            _set(sources, text, name)
        except PlanError as error:
            problems += error.problems
    return problems


def _set(sources: Sources, text: str, name: str) -> None:
    if len(text) > MOST_LETTERS:
        _fail(name, "", 0, 1, "this setting is too long", f"at most {MOST_LETTERS} characters")
    try:
        key = parse_key(text)
    except SettingError as error:
        _fail(name, text, error.column, 1, str(error), FORM)
    if key.end >= len(text):
        _fail(name, text, len(text), 1, "there is no value", FORM)
    path = resolved(sources, key, text, name)
    value = _value(text, key.end + 1, path, name)
    before = shown(sources.value(path))
    put(sources.data, path, value.data)
    sources.set(
        Setting(
            path,
            value,
            place_in_line(name, 1, 1, text.split("\n", maxsplit=1)[0], key.end),
            text[key.end + 1 :].strip(),
            before,
        )
    )


def parse_key(text: str) -> Key:
    """Read a key up to a ``=`` or the end of the text. Raises :class:`SettingError`."""
    steps: list[str | int] = []
    places: list[tuple[int, int]] = []
    at = 0
    while True:
        at = _past_blanks(text, at)
        step, after = _name(text, at)
        steps.append(step)
        places.append((at, after))
        at = _past_blanks(text, after)
        while at < len(text) and text[at] == "[":
            index, after = _index(text, at)
            steps.append(index)
            places.append((at, after))
            at = _past_blanks(text, after)
        if at < len(text) and text[at] == ".":
            at += 1
            continue
        if at < len(text) and text[at] != "=":
            raise SettingError("a key goes on with a dot, a bracket or =", at)
        return Key(tuple(steps), tuple(places), at)


def _name(text: str, at: int) -> tuple[str, int]:
    if text[at : at + 1] == '"':
        end = text.find('"', at + 1)
        if end < 0:
            raise SettingError("this quote is not closed", at)
        name, after = text[at + 1 : end], end + 1
    else:
        after = min((found for sign in '.[="' if (found := text.find(sign, at)) >= 0), default=len(text))
        name = text[at:after].rstrip()
        after = at + len(name)
    if not name:
        raise SettingError("a name is missing here", min(at, max(len(text) - 1, 0)))
    return name, after


def _index(text: str, at: int) -> tuple[int, int]:
    end = text.find("]", at)
    digits = text[at + 1 : end] if end > 0 else ""
    if not (digits.isascii() and digits.isdigit() and len(digits) <= MOST_INDEX_DIGITS):
        raise SettingError("an item of a list is counted from 0 in brackets, such as [0]", at)
    return int(digits), end + 1


def _past_blanks(text: str, at: int) -> int:
    return len(text) - len(text[at:].lstrip())


def resolved(sources: Sources, key: Key, text: str, name: str, *, suggest: bool = True) -> KeyPath:
    """Return the path as the files write it. Raises PlanError where it leads nowhere in a plan.

    Looking for what was meant takes far longer than the rest: without `suggest` it is not done.
    """
    path = key.path
    if path[0] == "include":
        _fail(
            name,
            text,
            0,
            key.places[0][1],
            "includes are read before anything is set",
            "a key of the plan or its types",
        )
    for end in range(1, len(path) + 1):
        step, parent = path[end - 1], path[: end - 1]
        column, after = key.places[end - 1]
        length = after - column
        choices = list(_choices(sources, parent, last=end == len(path)))
        if choices and str(step) not in choices:
            near = nearest(str(step), choices) if suggest else None
            here = f"in `{dotted(parent)}`" if parent else "in a plan"
            expected = f"one of {', '.join(choices[:12])}{', ...' if len(choices) > 12 else ''}"
            _fail(name, text, column, length, f"there is no `{step}` {here}", expected, near)
        if slot_at(path[:end]) is None and not isinstance(sources.value(parent), dict):
            _fail(name, text, column, length, f"`{dotted(parent)}` holds no keys", "a key of the plan")
    return sources.as_written(path)


def _choices(sources: Sources, parent: KeyPath, *, last: bool) -> Iterator[str]:
    """Yield the keys that can follow; none where any can, such as a new name that comes last."""
    yield from known_keys(parent)
    value = sources.value(parent)
    if isinstance(value, list):
        yield from (str(number) for number in range(len(value)))
    elif isinstance(value, dict) and not last and not known_keys(parent):
        yield from map(str, value)


def _value(text: str, start: int, path: KeyPath, name: str) -> Source:
    """Read the value as a file would, with blanks for the key, so that it stands where messages show it."""
    if not text[start:].strip():
        _fail(name, text, start, 1, "there is no value", f"a value for `{dotted(path)}`")
    whole = Text(name, text)
    root = build(whole, read=" " * start + text[start:])
    return Source(name, root.value, whole, root)


def _fail(
    name: str, text: str, column: int, length: int, message: str, expected: str, near: str | None = None
) -> None:
    line = text.split("\n", maxsplit=1)[0]
    place = place_in_line(name, 1, min(column, len(line)) + 1, line, length)
    raise PlanError([Problem(message, place, expected=expected, nearest=near)])
