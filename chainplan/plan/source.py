"""Reads a plan file to plain data, and remembers where each key and value stands.

What can be wrong with a file before its content matters is settled here: missing, too large, not text.
What is read as which value is settled in :mod:`chainplan.plan.yaml_nodes`.
"""

from __future__ import annotations

import codecs
import os
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, NoReturn

from chainplan.plan.problems import (
    LINE_END,
    KeyPath,
    Place,
    PlanError,
    Problem,
    Text,
    nearest,
    place_in_line,
    whole_file,
)
from chainplan.plan.yaml_nodes import Unsound, YamlNode, build

MAX_BYTES = 10_000_000

_SIZE = f"at most {MAX_BYTES} bytes"
_UTF8 = "a text file saved as UTF-8"


@dataclass
class Source:
    """The data of a plan file and the places of its keys and values.

    ``data`` holds only dict (keys: str or int), list, str, int, float, bool and None. A value that was
    written once and used through an alias is a separate copy at each use.
    """

    file: str
    data: dict[str | int, Any]
    _text: Text = field(repr=False, compare=False)
    _root: YamlNode = field(repr=False, compare=False)
    unsound: tuple[Unsound, ...] = ()
    """Problems of single values, where reading went on in spite of them."""

    def place(self, path: KeyPath) -> Place:
        """Return the place of the value at ``path``, or of its nearest parent that exists, shown by its key.

        A value that was left empty stands where its key ends.
        """
        key, node, found = self._walk(path)
        return self._place(node if found or key is None else key)

    def key_place(self, path: KeyPath) -> Place:
        """Return the place of the key at ``path`` (in a list, of the item), or of its nearest parent's."""
        key, node, _ = self._walk(path)
        return self._place(node if key is None else key)

    def has(self, path: KeyPath) -> bool:
        """Tell whether the file has a value at ``path``."""
        return self._walk(path)[2]

    def _walk(self, path: KeyPath) -> tuple[YamlNode | None, YamlNode, bool]:
        """Return the last key and value that exist along ``path``, and whether that is the whole path."""
        key: YamlNode | None = None
        node = self._root
        for step in path:
            if node.children is None or step not in node.children:
                return key, node, False
            key, node = node.children[step]
        return key, node, True

    def _place(self, node: YamlNode) -> Place:
        return self._text.place(node.start, node.end)


def read_source(path: Path | str, shown_name: str | None = None, *, go_on: bool = False) -> Source:
    """Read the plan file at ``path``; messages call it ``shown_name`` where that is given.

    With `go_on`, what is wrong with single values is kept and not raised. Raises PlanError with everything
    that keeps the file from being read as plain data.
    """
    name = os.fspath(path)
    file = name if shown_name is None else shown_name
    return parse_source(_decode(_read_bytes(name, file), file), file, go_on=go_on)


def read_text(path: Path) -> str:
    """Return the text of a file that a plan names. Raises PlanError like :func:`read_source`."""
    file = os.fspath(path)
    return _decode(_read_bytes(file, file), file)


def read_named(path: Path | str, kind: str, keys: Sequence[str]) -> Source:
    """Read a file that another file names, as one of a kind that is known by its top keys.

    Of any other file no line is shown: who wrote its name into a plan need not be who may read it. Raises
    PlanError like :func:`read_source`.
    """
    file = os.fspath(path)
    data = _read_bytes(file, file)
    try:
        source = parse_source(_decode(data, file), file)
    except PlanError as error:
        shows_nothing = all(each.place is None or each.place.line == 0 for each in error.problems)
        begins = "|".join(map(re.escape, keys)).encode()
        if shows_nothing or re.search(rb"^(?:%b)[ \t]*:" % begins, data, re.MULTILINE):
            raise
    else:
        if not source.data or any(key in keys or nearest(str(key), keys) for key in source.data):
            return source
    message = f"this is not {kind}; what it holds is not shown"
    raise PlanError([Problem(message, whole_file(file), expected=f"`{keys[0]}:` or the like at the top")])


def parse_source(text: str, file: str, *, go_on: bool = False) -> Source:
    """Read a plan from ``text``; messages call it ``file``. Raises PlanError like :func:`read_source`."""
    text = text.removeprefix("\ufeff")
    if len(text) > MAX_BYTES:
        _fail(file, "the file is too large", expected=_SIZE)
    source = Text(file, text)
    unsound: list[Unsound] = []
    root = build(source, unsound=unsound if go_on else None)
    return Source(file, root.value, source, root, tuple(unsound))


def _fail(file: str, message: str, expected: str = "", near: str | None = None) -> NoReturn:
    raise PlanError([Problem(message, whole_file(file), expected=expected, nearest=near)])


def _read_bytes(name: str, file: str) -> bytes:
    # Without O_NONBLOCK, opening a named pipe would wait for somebody to write to it.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        _check_kind(os.stat(name), file)  # before opening: opening a device can already set it going
        with open(os.open(name, flags), "rb") as stream:
            _check_kind(os.fstat(stream.fileno()), file)  # the name may stand for another file by now
            data = stream.read(MAX_BYTES + 1) or b""  # None of a file of proc(5) that has nothing to say yet
    except FileNotFoundError:
        _fail_missing(name, file)
    except OSError as error:
        _fail(file, f"the file cannot be read: {error.strerror}")
    except ValueError:  # a NUL character in the name, or one that the file system cannot express
        _fail(file, "this cannot be the name of a file")
    if len(data) > MAX_BYTES:
        _fail(file, "the file is too large", expected=_SIZE)
    return data


def _check_kind(status: os.stat_result, file: str) -> None:
    if stat.S_ISDIR(status.st_mode):
        _fail(file, "this is a directory", expected="a plan file")
    if not stat.S_ISREG(status.st_mode):
        _fail(file, "this is not a regular file but a pipe, a socket or a device", expected="a plan file")
    if status.st_size > MAX_BYTES:
        _fail(file, f"the file is too large: {status.st_size} bytes", expected=_SIZE)


def _fail_missing(name: str, file: str) -> NoReturn:
    directory, word = os.path.split(name)
    try:
        with os.scandir(directory or ".") as entries:
            names = [entry.name for entry in islice(entries, 5_000) if not os.path.isdir(entry)]
    except OSError:
        _fail(file, "there is no such file, nor the directory it would be in")
    if word in names:
        _fail(file, "this is a link to a file that does not exist")
    _fail(file, "there is no such file", near=nearest(word, names))


def _decode(data: bytes, file: str) -> str:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_BE)):
        _fail(file, "the file is written in UTF-16 or UTF-32", expected=_UTF8)
    if (zero := data.find(0)) >= 0:
        _fail(file, f"this is not a text file: it holds a zero byte at offset {zero}", expected=_UTF8)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        start = error.start
    above = LINE_END.split(data[:start].decode("utf-8").removeprefix("\ufeff"))
    rest = LINE_END.split(data[start:].decode("utf-8", "replace"), maxsplit=1)[0]
    place = place_in_line(file, len(above), len(above[-1]) + 1, above[-1] + rest, 1)
    message = f"byte 0x{data[start]:02X} at offset {start} of the file is not UTF-8"
    raise PlanError([Problem(message, place, expected=_UTF8)]) from None
