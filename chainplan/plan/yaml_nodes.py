"""YAML text to a tree of values that know where they stand, by the core schema of YAML 1.2.2, chapter 10.3.

Not by the rules of YAML 1.1 that most readers apply: ``no``, ``on``, ``12:30`` and ``2026-01-15`` are
texts, ``010`` is ten and ``1e3`` is a thousand.

The tree is built from the parser's stream of events, never by recursion, so that a hostile file meets a
limit and not the end of the stack. Tags, merge keys, several documents in a file and keys given twice are
refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any, NamedTuple, NoReturn

import yaml

from chainplan.plan.problems import (
    KeyPath,
    Mark,
    PlanError,
    Problem,
    Text,
    dotted,
    nearest,
    shown,
    whole_file,
)
from chainplan.plan.yaml_scalars import UnreadableError, resolved

MAX_NODES = 200_000  # keys and values with every alias written out: ten times a plan of 1 000 boards
MAX_DEPTH = 40
MAX_PROBLEMS = 200  # reading stops there

# PyYAML's C parser where it was built with it, the same events from its Python parser elsewhere.
_PARSER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

# YAML 1.2.2, 5.1: printable characters only. Left out too are the byte order mark inside the text and U+0085,
# U+2028, U+2029: this parser would end a line there, as YAML 1.1 does, and an editor would not.
_FORBIDDEN = re.compile("[^\t\n\r -~\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")
_SURROGATE = re.compile("[\ud800-\udfff]")

_NEAR = 100  # characters around a mark that are searched
_COPY_MARK = re.compile(r"""[^\s,\[\]{}"']*\{n(?:\+[0-9]+)?\}[^\s,\[\]{}"']*""")
_NESTED = (f"lists and mappings are nested more than {MAX_DEPTH} deep", "a flatter plan")
_TAGS = ("tags (`!name`) are not used in a plan", "the plain value")
_MISFIT = "this does not fit the lines above it"
_ESCAPE = (
    "an unknown or unfinished escape in a text in double quotes",
    "single quotes, or `\\\\` for a backslash",
)

# What the parser says (in its C or Python form) -> what the writer of a plan is told, and what is expected.
_SYNTAX = {
    "',' or ']'": ("a list in `[ ]` is not closed, or a comma is missing", "`,` or `]`"),
    "',' or '}'": ("a mapping in `{ }` is not closed, or a comma is missing", "`,` or `}`"),
    "unexpected end of stream": ("a text in quotes is not closed", "a closing quote"),
    "mapping values are not": (
        "a `:` cannot stand here",
        "one `key: value` a line; a `: ` in a text in quotes",
    ),
    "expected ':'": ("this is no `key: value` line", "`key: value`, indented like its neighbours"),
    "expected key": (_MISFIT, "`key: value`, indented like its neighbours"),
    "expected '-'": (_MISFIT, "`- `, indented like the first item of the list"),
    "<block end>": (_MISFIT, "the same kind of line with the same indentation"),
    "sequence entries are not": ("a list item cannot stand here", "`- ` at the start of a line of its own"),
    "cannot start any token": ("this character cannot begin a value", "quotes around the value"),
    "node content": ("a value is missing, or cannot begin like this", "a value, or quotes around it"),
    "alphabetic or numeric": ("`*` or `&` stands without a name", "quotes around the value"),
    "escape": _ESCAPE,
    "hexdecimal": _ESCAPE,
    "<document start>": ("text after the end of the plan", "one plan in one file"),
    "tag": _TAGS,
    "incompatible YAML": ("the file asks for another version of YAML", "`%YAML 1.2`, or no such line"),
    "nesting depth": _NESTED,
}


@dataclass(slots=True)
class YamlNode:
    """A value and where it stands.

    ``children`` holds, by key of a mapping or index of a list, the nodes of key (None in a list) and value.
    ``size`` counts the node and all nodes in it, ``height`` the levels below it, with aliases written out.
    """

    value: Any
    start: Mark
    end: Mark
    children: Mapping[str | int, tuple[YamlNode | None, YamlNode]] | None = None
    size: int = 1
    height: int = 0
    is_plain: bool = False
    is_open: bool = False


@dataclass(slots=True)
class _Frame:
    """A list or mapping being read; ``key`` waits for its value, which is kept only if the key is sound."""

    node: YamlNode
    children: dict[str | int, tuple[YamlNode | None, YamlNode]]
    is_list: bool
    is_flow: bool
    key: YamlNode | None = None
    keep: bool = True


class Unsound(NamedTuple):
    """A problem of a value that did not keep the rest of the file from being read, and its path."""

    path: KeyPath
    problem: Problem


def build(text: Text, read: str | None = None, unsound: list[Unsound] | None = None) -> YamlNode:
    """Return the top mapping of a plan; raises PlanError with all problems that were found.

    With `read`, a text of the same lines, any one value that stands there; messages still show `text`.
    `unsound` takes the problems with which the rest can still be used, so that they do not raise.
    """
    _check_characters(text)
    builder = _Builder(text)
    try:
        for event in _events(text.text if read is None else read):
            builder.take(event)
    except yaml.YAMLError as error:
        builder.add(_syntax_problem(error, text, builder.unclosed()))
        raise PlanError(builder.problems) from None
    root = builder.root
    if root is None:
        message = (
            "the file is empty, or has only comments"
            if read is None
            else "there is no value, or only a comment"
        )
        raise PlanError(
            [Problem(message, whole_file(text.file), expected="a plan" if read is None else "a value")]
        )
    if read is None and not isinstance(root.value, dict):
        builder.report(root, "a plan is a mapping", "`key: value` lines at the top", shown(root.value))
    if builder.problems and (unsound is None or not isinstance(root.value, dict)):
        raise PlanError(builder.problems)
    if unsound is not None:
        unsound += builder.unsound
    return root


def _check_characters(text: Text) -> None:
    """Refuse what no YAML file may hold, and ``%TAG`` lines: many of them cost the parser quadratic time."""
    problems: list[Problem] = []
    if _FORBIDDEN.search(text.text):
        for line, match in islice(_matches(_FORBIDDEN, text), MAX_PROBLEMS):
            message = f"the character U+{ord(match.group()):04X} cannot stand in a plan"
            place = text.place((line, match.start()), (line, match.end()))
            problems.append(Problem(message, place, expected="printable characters and tabs"))
    if "%TAG" in text.text:
        for line, match in islice(_matches(re.compile("^%TAG"), text), MAX_PROBLEMS):
            place = text.place((line, 0), (line, match.end()))
            problems.append(Problem(_TAGS[0], place, expected=_TAGS[1]))
    if problems:
        raise PlanError(problems)


def _matches(pattern: re.Pattern[str], text: Text) -> Iterator[tuple[int, re.Match[str]]]:
    return ((number, match) for number, line in enumerate(text.lines) for match in pattern.finditer(line))


def _events(text: str) -> Iterator[yaml.Event]:
    try:
        yield from yaml.parse(text, Loader=_PARSER)
    except (ValueError, OverflowError):  # the Python parser, of "\UFFFFFFFF"
        raise yaml.YAMLError("an escape in a text in double quotes names no character") from None


class _Builder:
    """Builds the tree from parser events and collects problems on the way."""

    def __init__(self, text: Text) -> None:
        self.text = text
        self.problems: list[Problem] = []
        self.unsound: list[Unsound] = []
        self.root: YamlNode | None = None
        self._stack: list[_Frame] = []
        self._anchors: dict[str, YamlNode] = {}
        self._nodes = 0

    def take(self, event: yaml.Event) -> None:
        """Add what one event says to the tree; raises PlanError where going on is hopeless."""
        if isinstance(event, yaml.ScalarEvent):
            self._attach(self._scalar(event))
        elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            self._open(event)
        elif isinstance(event, yaml.CollectionEndEvent):
            self._close(event)
        elif isinstance(event, yaml.AliasEvent):
            self._attach(self._alias(event))
        elif isinstance(event, yaml.DocumentStartEvent) and self.root is not None:
            self._give_up(event, "a second document begins here", "one plan in one file")

    def add(self, problem: Problem) -> None:
        """Add a problem; raises PlanError once there are too many to go on."""
        self.problems.append(problem)
        if len(self.problems) >= MAX_PROBLEMS:
            raise PlanError(self.problems)

    def unclosed(self) -> YamlNode | None:
        """Return the innermost list or mapping in brackets that has not been closed."""
        return next((frame.node for frame in reversed(self._stack) if frame.is_flow), None)

    def report(
        self, node: YamlNode, message: str, expected: str, value: str = "", near: str | None = None
    ) -> None:
        """Add a problem of ``node``, which stands at the path that is being read."""
        place, path = self.text.place(node.start, node.end), self._path()
        problem = Problem(message, place, dotted(path), value, expected, near)
        self.unsound.append(Unsound(path, problem))
        self.add(problem)

    def _give_up(self, event: yaml.Event, message: str, expected: str) -> NoReturn:
        self.report(YamlNode(None, *_marks(event)), message, expected)
        raise PlanError(self.problems)

    def _path(self) -> KeyPath:
        """Return the path of the value that is being read; for a key, that of its mapping."""
        steps: list[str | int] = []
        for frame in self._stack:
            if frame.is_list:
                steps.append(len(frame.children))
            elif frame.key is not None:
                key = frame.key.value
                steps.append(key if isinstance(key, (str, int)) else shown(key))
        return tuple(steps)

    def _count(self, event: yaml.Event, nodes: int) -> None:
        self._nodes += nodes
        if self._nodes > MAX_NODES:
            self._give_up(event, f"more than {MAX_NODES} values", "fewer, counting those of every alias")

    def _check_depth(self, event: yaml.Event, height: int) -> None:
        if len(self._stack) + height > MAX_DEPTH:
            self._give_up(event, *_NESTED)

    def _scalar(self, event: yaml.ScalarEvent) -> YamlNode:
        self._count(event, 1)
        start, end = _marks(event)
        if event.style in ("|", ">"):
            end = (start[0], start[1] + 1)  # the indicator, not a comment behind it
        key = self._stack[-1].key if self._stack else None
        if start == end and key is not None:
            start = end = key.end  # the parser puts a missing value wherever the next thing begins
        node = YamlNode(event.value, start, end, is_plain=event.style in (None, ""))
        if event.tag is not None:
            self.report(node, *_TAGS)
        elif node.is_plain:
            try:
                node.value = resolved(event.value)
            except UnreadableError as error:
                self.report(node, *error.args)
        elif _SURROGATE.search(event.value):  # the Python parser lets such escapes pass
            self.report(node, *_ESCAPE)
        if event.anchor is not None:
            self._anchors[event.anchor] = node
        return node

    def _alias(self, event: yaml.AliasEvent) -> YamlNode:
        start, end = _marks(event)
        name = event.anchor or ""
        node = YamlNode(f"*{name}", start, end)
        target = self._anchors.get(name)
        if target is None:
            message = f"no `&{shown(name)}` stands above this alias"
            self.report(node, message, "a name given before", near=nearest(name, self._anchors))
            return node
        if target.is_open:
            self.report(node, "this alias stands for the value it stands in", "an alias of another value")
            return node
        self._count(event, target.size)
        self._check_depth(event, target.height)
        return YamlNode(_copy(target.value), start, end, target.children, target.size, target.height)

    def _open(self, event: yaml.MappingStartEvent | yaml.SequenceStartEvent) -> None:
        self._count(event, 1)
        self._check_depth(event, 1)
        start, _ = _marks(event)
        is_list = isinstance(event, yaml.SequenceStartEvent)
        children: dict[str | int, tuple[YamlNode | None, YamlNode]] = {}
        # Of a block list the first dash is shown, of a block mapping its first key (see _take_key).
        end = (start[0], start[1] + 1)
        node = YamlNode([] if is_list else {}, start, end, children, is_open=True)
        if event.tag is not None:
            self.report(node, *_TAGS)
        if event.anchor is not None:
            self._anchors[event.anchor] = node
        self._stack.append(_Frame(node, children, is_list, bool(event.flow_style)))

    def _close(self, event: yaml.CollectionEndEvent) -> None:
        frame = self._stack.pop()
        frame.node.is_open = False
        if frame.is_flow:
            _, frame.node.end = _marks(event)
        self._attach(frame.node)

    def _attach(self, node: YamlNode) -> None:
        """Put a finished node where it belongs: the top, a list, or a mapping as key or value."""
        if not self._stack:
            self.root = node
            return
        frame = self._stack[-1]
        if frame.is_list:
            frame.children[len(frame.children)] = (None, node)
            frame.node.value.append(node.value)
        elif frame.key is None:
            self._take_key(frame, node)
        else:
            if frame.keep:
                frame.children[frame.key.value] = (frame.key, node)
                frame.node.value[frame.key.value] = node.value
            frame.key = None
        frame.node.size += node.size
        frame.node.height = max(frame.node.height, node.height + 1)

    def _take_key(self, frame: _Frame, key: YamlNode) -> None:
        if frame.node.size == 1 and not frame.is_flow:
            frame.node.end = key.end
        value = key.value
        frame.keep = False
        if isinstance(value, bool) or not isinstance(value, (str, int)):
            self.report(key, "a key must be a text or a whole number", "a text in quotes", shown(value))
        elif key.is_plain and value == "<<":
            self.report(key, "merge keys (`<<`) are not part of YAML 1.2", "all keys written out")
        elif value in frame.children:
            first = frame.children[value][0] or key
            frame.key = key  # so that the problem is reported under this key
            self.report(key, f"this key is given twice, first in line {first.start[0] + 1}", "each key once")
        else:
            frame.keep = True
        frame.key = key


def _marks(event: yaml.Event) -> tuple[Mark, Mark]:
    start: Any = event.start_mark  # always set by the parsers
    end: Any = event.end_mark
    return (start.line, start.column), (end.line, end.column)


def _copy(value: Any) -> Any:
    """Copy what an alias stands for; MAX_DEPTH bounds the recursion."""
    if isinstance(value, dict):
        return {key: _copy(item) for key, item in value.items()}
    return [_copy(item) for item in value] if isinstance(value, list) else value


def _bare_copy_mark(text: Text, mark: Mark) -> re.Match[str] | None:
    """Return the text without quotes at a mark that holds `{n}`, whose brackets the parser stumbles over."""
    line, column = mark
    if line >= len(text.lines):
        return None
    found = _COPY_MARK.finditer(text.lines[line], max(0, column - _NEAR), column + _NEAR)
    return next((match for match in found if match.start() <= column <= match.end()), None)


def _syntax_problem(error: yaml.YAMLError, text: Text, unclosed: YamlNode | None) -> Problem:
    """Say what the parser could not read and where to look, in the words of someone who writes a plan.

    ``unclosed`` is the list or mapping in brackets that the parser was in.
    """
    said = getattr(error, "problem", None) or str(error)
    mark, context = getattr(error, "problem_mark", None), getattr(error, "context_mark", None)
    if mark is None:
        return Problem(f"not YAML: {said}", whole_file(text.file))
    rest = text.text[mark.index :]
    start = (mark.line, mark.column)
    phrases = (words for phrase, words in _SYNTAX.items() if phrase in said)
    message, expected = next(phrases, (f"not YAML: {said}", ""))
    # What ends too early is noticed at the end of the file, a line without `:` in the next line: look back.
    if "tab character" in said or ("cannot start any token" in said and rest.startswith("\t")):
        is_indent = not text.lines[mark.line][: mark.column].strip()
        message, expected = (
            f"a tab {'is used for indentation' if is_indent else 'cannot stand here'}",
            "spaces",
        )
    elif (bare := _bare_copy_mark(text, start)) is not None:
        start = (mark.line, bare.start())
        message, expected = "a text with `{n}` needs quotes here", f'"{bare.group()}"'
    elif unclosed is not None and not rest.strip() and "end of stream" not in said:
        message, expected = _SYNTAX["',' or ']'" if isinstance(unclosed.value, list) else "',' or '}'"]
        start = unclosed.start
    elif context is not None and ("expected ':'" in said or not rest.strip()):
        start = (context.line, context.column)
    elif rest.startswith(("]", "}")) and "',' or" not in said:
        message, expected = f"this `{rest[0]}` closes nothing", "quotes around it if it is part of a text"
    elif context is not None and context.line != mark.line:
        message += f" (see also line {context.line + 1})"
    return Problem(message, text.place(start, (start[0], start[1] + 1)), expected=expected)
