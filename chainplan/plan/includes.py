"""A plan's own file and the libraries of types it includes, laid together; knows which key stands where."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from chainplan.plan.csv_files import read_table, tables_in, unusable
from chainplan.plan.model import LIBRARY_SECTIONS, Plan
from chainplan.plan.problems import KeyPath, Place, PlanError, Problem, dotted, nearest, shown
from chainplan.plan.source import Source, read_named

MOST_INCLUDES = 100
"""Files one plan may include, all levels together."""


_KNOWN_BY = (*LIBRARY_SECTIONS, "include", "chainplan")
"""Top keys of the files that a plan includes, or that somebody takes for one of them."""


class Setting(NamedTuple):
    """A value that was set from outside the files: its path as written, the value, where its key stands.

    `text` is the value as it was given; `before` is what the files say there, as a few words.
    """

    path: KeyPath
    value: Source
    key_place: Place
    text: str
    before: str


@dataclass
class Sources:
    """The plan's own file, the files it includes, and what was set from outside instead of what they say.

    `data` is all of them together, with keys as they were written (a name may be a whole number there).
    """

    main: Source
    data: dict[str | int, Any] = field(default_factory=dict)
    owners: dict[tuple[str, str | int], Source] = field(default_factory=dict)
    settings: list[Setting] = field(default_factory=list)
    included: list[Source] = field(default_factory=list)
    """Every file that was included, directly or by another one, and every CSV file."""
    tables: list[Setting] = field(default_factory=list)
    """Lists that stand in CSV files."""

    def __post_init__(self) -> None:
        self.data = self.data or self.main.data

    def place(self, path: KeyPath) -> Place:
        """Return where a value stands."""
        written = self.as_written(path)
        setting = self._setting(written)
        if setting is not None:
            return setting.value.place(written[len(setting.path) :])
        return self._made(written) or self._owner(written).place(written)

    def key_place(self, path: KeyPath) -> Place:
        """Return where a key stands."""
        written = self.as_written(path)
        setting = self._setting(written)
        if setting is not None:
            inner = written[len(setting.path) :]
            return setting.value.key_place(inner) if inner else setting.key_place
        return self._made(written) or self._owner(written).key_place(written)

    def value(self, path: KeyPath) -> Any:
        """Return the value at a path as it was read; None where there is none."""
        value: Any = self.data
        for step in self.as_written(path):
            value = _child(value, step)
        return value

    def files(self) -> tuple[str, ...]:
        """Return the names of all files, the plan's own first."""
        return tuple(dict.fromkeys((self.main.file, *(source.file for source in self.included))))

    def as_written(self, path: KeyPath) -> KeyPath:
        """Return a path with its keys as the file has them: the port `1` may be a number there, or a text."""
        value: Any = self.data
        steps: list[str | int] = []
        for step in path:
            key = step
            if isinstance(value, dict) and step not in value:
                key = next((other for other in _other_forms(step) if other in value), step)
            steps.append(key)
            value = _child(value, key)
        return tuple(steps)

    def set(self, setting: Setting) -> None:
        """Remember a value that was set; it takes the place of all that was set inside it before."""
        depth = len(setting.path)
        self.settings = [each for each in self.settings if each.path[:depth] != setting.path]
        self.settings.append(setting)

    def _setting(self, path: KeyPath) -> Setting | None:
        """Return the innermost setting that a path lies in."""
        all_set = (*self.settings, *self.tables)
        around = (each for each in all_set if path[: len(each.path)] == each.path)
        return max(around, key=lambda setting: len(setting.path), default=None)

    def _made(self, path: KeyPath) -> Place | None:
        """Return the key of the first setting inside a path that no file has."""
        inside = (each.key_place for each in self.settings if each.path[: len(path)] == path)
        return None if self._owner(path).has(path) else next(inside, None)

    def _owner(self, path: KeyPath) -> Source:
        return self.owners.get((str(path[0]), path[1]), self.main) if len(path) > 1 else self.main


def _other_forms(key: str | int) -> Iterator[str | int]:
    if isinstance(key, int):
        yield str(key)
    elif key.removeprefix("-").isdecimal() and key.isascii() and len(key) < 40:
        yield int(key)


def has_child(value: Any, key: str | int) -> bool:
    """Tell whether a value of a plan file is a mapping with this key or a list with this item."""
    if isinstance(value, dict):
        return key in value
    return isinstance(value, list) and isinstance(key, int) and 0 <= key < len(value)


def _child(value: Any, key: str | int) -> Any:
    return value[key] if has_child(value, key) else None


class Combined(NamedTuple):
    """A plan's data with all it includes; `complete` is false where an included file could not be used."""

    sources: Sources
    problems: list[Problem]
    complete: bool


class _Waiting(NamedTuple):
    """A file whose includes are still to be read; `trail` holds the real names of the files that led here."""

    source: Source
    folder: Path
    trail: tuple[str, ...]


def with_includes(main: Source, folder: Path) -> Combined:
    """Read what a plan includes, directly and through other files, each file once.

    `folder` is where the plan's own includes are looked for; those of an included file are looked for beside
    that file. What is wrong is collected, not raised.
    """
    data = {
        key: dict(value) if key in LIBRARY_SECTIONS and isinstance(value, dict) else value
        for key, value in main.data.items()
    }
    sources = Sources(main, data)
    problems: list[Problem] = []
    complete = True
    read: set[str] = set()
    waiting = deque([_Waiting(main, folder, (_real(folder / Path(main.file).name),))])
    while waiting:
        source, directory, trail = waiting.popleft()
        for path, name in _names(source, problems, is_main=source is main):
            target = directory / name
            real = _real(target)
            if real in trail:
                problems.append(_self_include(source, path, (*trail, real)))
                continue
            if real in read:
                continue  # two files share a library
            read.add(real)
            if len(read) > MOST_INCLUDES:
                problems.append(_at(source, path, "too many included files", f"at most {MOST_INCLUDES}"))
                return Combined(sources, problems, complete=False)
            try:
                included = read_named(target, "a file with types", _KNOWN_BY)
            except PlanError as error:
                message = "this file cannot be included: see what is wrong with it there"
                problems += [_at(source, path, message, "a file with types"), *error.problems]
                complete = False
                continue
            sources.included.append(included)
            complete &= _lay_in(included, sources, problems)
            waiting.append(_Waiting(included, target.parent, (*trail, real)))
    for path, name, table in tables_in(data):
        if len(sources.tables) >= MOST_INCLUDES:
            problems.append(_at(main, path, "too many CSV files", f"at most {MOST_INCLUDES}"))
            break
        try:
            rows = read_table(folder / name, table)
        except PlanError as error:
            problems += [unusable(path, name, main), *error.problems]
            continue
        put(data, path, rows.data)
        sources.included.append(rows)
        sources.tables.append(Setting(path, rows, main.key_place(path), name, name))
    return Combined(sources, problems, complete)


def put(data: Any, path: KeyPath, value: Any) -> None:
    """Put a value in place, copying what it is put into: the files' own data stay as they were read."""
    *parents, last = path
    for step in parents:
        inner = data[step] if has_child(data, step) else None
        data[step] = inner = list(inner) if isinstance(inner, list) else dict(inner or {})
        data = inner
    data[last] = value


def _real(path: Path) -> str:
    """Return the file's one real name; a loop of links or an impossible name is left to the reading."""
    try:
        return os.path.realpath(path)
    except (OSError, ValueError):
        return str(path)


def _at(source: Source, path: KeyPath, message: str, expected: str) -> Problem:
    value: Any = source.data
    for step in path:
        value = _child(value, step)
    return Problem(message, source.place(path), dotted(path), shown(value), expected)


def _self_include(source: Source, path: KeyPath, trail: tuple[str, ...]) -> Problem:
    ring = trail[trail.index(trail[-1]) :]
    names = " -> ".join(os.path.basename(name) for name in ring)
    return _at(source, path, f"this file includes itself: {names}", "files that do not lead back here")


def _names(source: Source, problems: list[Problem], *, is_main: bool) -> Iterator[tuple[KeyPath, str]]:
    """Yield the names a file includes; a wrong form in the plan itself is reported by its validation."""
    names = source.data.get("include", [])
    wrong: list[KeyPath] = []
    if not isinstance(names, list):
        wrong.append(("include",))
        names = []
    for number, name in enumerate(names):
        if isinstance(name, int) and not isinstance(name, bool):
            yield ("include", number), str(name)
        elif isinstance(name, str) and name.strip():
            yield ("include", number), name
        else:
            wrong.append(("include", number))
    if not is_main:
        problems += [
            _at(source, path, "this is not the name of a file", "include: [FILE, ...]") for path in wrong
        ]


def _lay_in(included: Source, sources: Sources, problems: list[Problem]) -> bool:
    """Lay an included file's types into the plan; return whether all of it could be used."""
    before = len(problems)
    if "chainplan" in included.data:
        message = "this file is a plan of its own: only a file with nothing but types can be included"
        expected = "one or more of " + ", ".join(LIBRARY_SECTIONS)
        problems.append(Problem(message, included.key_place(("chainplan",)), "chainplan", "", expected))
        return False
    for section, entries in included.data.items():
        if section == "include":
            continue
        if section not in LIBRARY_SECTIONS:
            problems.append(_no_library_section(included, section))
        elif not isinstance(entries, dict):
            message = "a section of types is a mapping from names to types"
            problems.append(_at(included, (section,), message, "`NAME: {...}` lines"))
        else:
            _lay_in_section(included, str(section), entries, sources, problems)
    return len(problems) == before


def _no_library_section(included: Source, section: str | int) -> Problem:
    where = " (it belongs in the plan itself)" if section in Plan.model_fields else ""
    return Problem(
        f"an included file holds nothing but types{where}",
        included.key_place((section,)),
        dotted((section,)),
        expected="one of " + ", ".join(LIBRARY_SECTIONS),
        nearest=None if where else nearest(str(section), LIBRARY_SECTIONS),
    )


def _lay_in_section(
    included: Source, section: str, entries: dict[str | int, Any], sources: Sources, problems: list[Problem]
) -> None:
    own = sources.data.setdefault(section, {})
    if not isinstance(own, dict):
        return  # reported by the validation of the plan
    for name, entry in entries.items():
        path: KeyPath = (section, name)
        taken = name if name in own else next((form for form in _other_forms(name) if form in own), None)
        if taken is None:
            own[name] = entry
            sources.owners[(section, name)] = included
            continue
        first = sources.key_place((section, taken))
        message = f"this name is taken: {first.file}:{first.line} defines it too"
        place = included.key_place(path)
        problems.append(Problem(message, place, dotted(path), expected="a name of its own"))
