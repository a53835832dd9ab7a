"""What is wrong with a plan, where it stands in the file, and how that is written as plain text.

Every reader of the plan collects :class:`Problem` values and raises them together in one :class:`PlanError`,
so that a user sees all of them at once. Problems hold the text exactly as the user wrote it; only
:func:`render` makes it safe for a terminal (control characters and direction marks are escaped there).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cached_property
from itertools import islice
from typing import Literal, NamedTuple

KeyPath = tuple[str | int, ...]
"""The way from the top of the plan to a value: keys of mappings, and items of lists counted from zero."""

Mark = tuple[int, int]
"""A spot in a text: line and column, both from zero."""

LINE_END = re.compile("\r\n|\r|\n")
"""A line ends at these and at nothing else (YAML 1.2.2, 5.4)."""

_LINE_CAP = 200  # characters of an offending line that are shown
_LEAD = 80  # of those, characters before the caret where the line has to be cut in front
_TAB = 4  # columns of a tab in shown lines
_VALUE_CAP = 80
# difflib takes time quadratic in a word's length and linear in the choices.
_WORD_CAP = 80
_CHOICES_CAP = 2_000


class Place(NamedTuple):
    """A stretch of one line of a file.

    ``line`` and ``column`` count from 1, in characters of the file as an editor counts them; line 0 means
    the file as a whole. ``text`` is the line as shown: tabs expanded, cut to about 200 characters around the
    stretch. ``length`` is the number of characters of ``text`` to underline and ``caret`` the number of those
    in front of them (None: ``column - 1``, right where the line was neither cut nor had tabs).
    """

    file: str
    line: int
    column: int
    text: str
    length: int
    caret: int | None = None


class Problem(NamedTuple):
    """One thing wrong with a plan.

    ``key`` is the dotted path (``chains.upper.order[2]``, empty: the whole plan), ``value`` what was found
    there as :func:`shown` writes it, ``expected`` what would have been accepted, ``nearest`` what was perhaps
    meant, ``meaning`` what the key stands for, where its user may not have known.
    """

    message: str
    place: Place | None = None
    key: str = ""
    value: str = ""
    expected: str = ""
    nearest: str | None = None
    severity: Literal["error", "warning"] = "error"
    meaning: str = ""


class PlanError(Exception):
    """A plan that cannot be used; ``problems`` holds everything found wrong with it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        return render_all(self.problems)


def whole_file(file: str) -> Place:
    """Return the place of a problem that concerns the file as a whole."""
    return Place(file, 0, 0, "", 0)


def place_in_line(file: str, line: int, column: int, line_text: str, length: int) -> Place:
    """Return the place of ``length`` characters at ``column`` (from 1) of the raw ``line_text``."""
    before = max(0, column - 1)
    first = max(0, before - _LINE_CAP)
    last = before + _LINE_CAP
    head = line_text[first:before].expandtabs(_TAB)
    marked = line_text[first : min(before + max(1, length), last)].expandtabs(_TAB)
    text = line_text[first:last].expandtabs(_TAB)
    caret, length = len(head), max(1, len(marked) - len(head))
    cut_front, cut_back = first > 0, last < len(line_text)
    if len(text) > _LINE_CAP:
        drop = max(0, caret - _LEAD) if caret > _LINE_CAP - _LEAD else 0
        cut_front, cut_back = cut_front or drop > 0, cut_back or len(text) - drop > _LINE_CAP
        text, caret = text[drop : drop + _LINE_CAP], caret - drop
    if cut_front:
        text, caret = "…" + text, caret + 1
    if cut_back:
        text += "…"
    return Place(file, line, column, text, max(1, min(length, len(text) - caret)), caret)


class Text:
    """The text of a file, able to say where a stretch of it stands."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.text = text

    @cached_property
    def lines(self) -> list[str]:
        """The lines without their ends."""
        return LINE_END.split(self.text)

    def place(self, start: Mark, end: Mark) -> Place:
        """Return the place between two marks (line and column from zero), of several lines the first."""
        line, column = start
        if line >= len(self.lines):  # the parser counts one line more where the last one has no end
            line, column = len(self.lines) - 1, len(self.lines[-1])
        text = self.lines[line]
        stop = end[1] if end[0] == line else len(text.rstrip())
        return place_in_line(self.file, line + 1, column + 1, text, stop - column)


def dotted(path: KeyPath) -> str:
    """Return a path as ``chains.upper.order[2]``; keys that are not plain words are quoted, long ones cut."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            text += ("." if text else "") + _key_word(step)
    return text


def _key_word(key: str) -> str:
    plain = bool(key) and all(letter.isalnum() or letter in "_-" for letter in key)
    return _cut(key) if plain else f'"{_cut(key)}"'


def _cut(text: str) -> str:
    return text if len(text) <= _VALUE_CAP else text[:_VALUE_CAP] + "…"


def shown(value: object) -> str:
    """Return a plan value as a few words: text as it was written, collections by their size."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return f"a mapping of {_count(len(value), 'key')}"
    if isinstance(value, (list, tuple)):
        return f"a list of {_count(len(value), 'item')}"
    return _cut(str(value)) or '""'


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice that ``word`` is most likely a misspelling of, or None; case does not count."""
    if not 0 < len(word) <= _WORD_CAP:
        return None
    looked_at = sorted(islice(choices, _CHOICES_CAP), reverse=True)
    by_fold = {choice.casefold(): choice for choice in looked_at if len(choice) <= _WORD_CAP}
    from difflib import get_close_matches  # only needed once something is wrong

    close = get_close_matches(word.casefold(), by_fold, n=1)
    return by_fold[close[0]] if close else None


def hint(close: str | None) -> str:
    """Return the line below a message that names the nearest choice; empty without one."""
    return f"\n   did you mean: {escape(close)}" if close else ""


def escape(text: str) -> str:
    """Return ``text`` with everything escaped that is not visible as itself.

    That is what could move the cursor, colour or reorder a terminal line: control and format characters, line
    separators, unpaired surrogates, unassigned characters, and blanks other than the space.
    """
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else _escaped(letter) for letter in text)


def _escaped(letter: str) -> str:
    code = ord(letter)
    if code <= 0xFF:
        return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(letter, f"\\x{code:02x}")
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def display_width(text: str) -> int:
    """Return the terminal columns of escaped ``text``: combining marks take none, wide letters two.

    Wide means W or F of Unicode Standard Annex 11; ambiguous letters count as narrow.
    """
    if text.isascii():
        return len(text)
    return sum(_letter_width(letter) for letter in text)


def _letter_width(letter: str) -> int:
    # Medial and final Hangul jamo join the syllable before them though they are letters to Unicode.
    if unicodedata.category(letter) in {"Mn", "Me"} or "\u1160" <= letter <= "\u11ff":
        return 0
    return 2 if unicodedata.east_asian_width(letter) in "WF" else 1


def render(problem: Problem) -> str:
    """Return a problem as a few lines of plain text: place and message, the line, what was expected."""
    subject = f"`{escape(problem.key)}`: " if problem.key else ""
    where = _where(problem.place)
    lines = [f"{where}{problem.severity}: {subject}{escape(problem.message)}"]
    place = problem.place
    if place is not None and place.line > 0:
        lines += _excerpt(place)
    seen = place is not None and problem.value.rstrip("…") in place.text
    if problem.value and not seen:
        lines.append(f"   found: {escape(problem.value)}")
    if problem.meaning:
        lines.append(f"   meaning: {escape(problem.meaning)}")
    if problem.expected:
        lines.append(f"   expected: {escape(problem.expected)}")
    if problem.nearest:
        lines.append(f"   did you mean: {escape(problem.nearest)}")
    return "\n".join(lines)


def _where(place: Place | None) -> str:
    if place is None:
        return ""
    position = f"{place.line}:{place.column}:" if place.line > 0 else ""
    return f"{escape(place.file)}:{position} "


def _excerpt(place: Place) -> list[str]:
    caret = place.column - 1 if place.caret is None else place.caret
    head = escape(place.text[:caret])
    marked = escape(place.text[caret : caret + place.length])
    # A place past the end of its line (a missing value) still gets its caret there.
    blank = " " * (display_width(head) + max(0, caret - len(place.text)))
    number = f"{place.line:5d}"
    gutter = " " * len(number)
    return [
        f"{number} | {escape(place.text)}".rstrip(),
        f"{gutter} | {blank}{'^' * max(1, display_width(marked))}",
    ]


def render_all(problems: Sequence[Problem], limit: int = 50) -> str:
    """Return problems sorted by place, each once, at most ``limit`` of them and the number left out."""
    ordered = sorted(dict.fromkeys(problems), key=_order)
    texts = [render(problem) for problem in ordered[:limit]]
    left = ordered[limit:]
    if left:
        errors = sum(problem.severity == "error" for problem in left)
        kinds = [(errors, "error"), (len(left) - errors, "warning")]
        texts.append(
            "and " + " and ".join(_count(number, f"more {kind}") for number, kind in kinds if number)
        )
    return "\n".join(texts)


def _order(problem: Problem) -> tuple[str, int, int, str, str]:
    place = problem.place or whole_file("")
    return (place.file, place.line, place.column, problem.key, problem.message)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
