"""Value change dumps read piece by piece (IEEE 1364-2005, clause 18): only the signals asked for.

The declarations are read first; then the changes are taken in as they come, in memory that does not grow
with the file. What the standard does not know is an error with its place, but for an end in the middle of
a line: a capture is often cut off there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from chainplan.captures.frames import Level
from chainplan.captures.source import CaptureSource, Events

_UNITS = {b"s": 10**15, b"ms": 10**12, b"us": 10**9, b"ns": 10**6, b"ps": 10**3, b"fs": 1}
# Limits that keep a hostile file from eating time or memory.
_LONGEST_HEADER = 64 * 2**20
_LONGEST_WORD = 2**16
_LONGEST_CODE = 256
_LONGEST_NAME = 500
_DEEPEST_SCOPE = 100
_MOST_DIGITS = 9

_END_OF_HEADER = re.compile(rb"\$enddefinitions\s++\$end(?=\s)")
_KEYWORD = re.compile(rb"\s*+\$([a-z]++)(?=\s)")
_END = re.compile(rb"(?<=\s)\$end(?!\S)")
_TIMESCALE = re.compile(rb"\s*(10{0,2})\s*(s|ms|us|ns|ps|fs)\s*")


class Variable(NamedTuple):
    """A declared variable: its full name with scopes, its code and its width in bits."""

    name: str
    code: bytes
    width: int


class Header(NamedTuple):
    """The declarations: fs per time step, and the variables."""

    scale: int
    variables: list[Variable]


def read_header(source: CaptureSource) -> Header:
    """Read the declarations up to ``$enddefinitions``; raises :class:`CaptureError` with the place."""
    start = 0
    while (end := _END_OF_HEADER.search(source.buffer, start)) is None:
        start = max(source.buffer.rfind(b"$enddefinitions"), len(source.buffer) - len(b"$enddefinitions"), 0)
        if len(source.buffer) > _LONGEST_HEADER or not source.more():
            raise source.error("the declarations do not end: $enddefinitions $end is missing", 0)
    header = _declarations(source, source.buffer[: end.start()])
    source.drop(end.end())
    return header


def _declarations(source: CaptureSource, text: bytes) -> Header:
    scale = None
    scope: list[str] = []
    variables: list[Variable] = []
    place = 0
    # Never one pattern over both ends: from each keyword that is not closed it would look through the rest.
    while (begin := _KEYWORD.match(text, place)) and (end := _END.search(text, begin.end())):
        content = text[begin.end() : end.start()]
        keyword, here, place = begin[1], begin.start(1) - 1, end.end()
        words = content.split()
        if keyword == b"timescale":
            found = _TIMESCALE.fullmatch(content)
            if found is None:
                raise source.error("a time scale is 1, 10 or 100 s, ms, us, ns, ps or fs", here)
            scale = int(found[1]) * _UNITS[found[2]]
        elif keyword == b"scope":
            scope.append(_text(words[1]) if len(words) > 1 else "")
            if len(scope) > _DEEPEST_SCOPE:
                raise source.error(f"scopes are nested more than {_DEEPEST_SCOPE} deep", here)
        elif keyword == b"upscope":
            if not scope:
                raise source.error("$upscope without a scope", here)
            scope.pop()
        elif keyword == b"var":
            variables.append(_variable(source, scope, words, here))
    if text[place:].strip():
        raise source.error("this is no declaration of a value change dump", place + _blanks(text[place:]))
    if scale is None:
        raise source.error("the dump has no $timescale, so its times mean nothing", 0)
    return Header(scale, variables)


def _variable(source: CaptureSource, scope: Sequence[str], words: Sequence[bytes], place: int) -> Variable:
    if len(words) < 4 or not words[1].isdigit() or len(words[1]) > _MOST_DIGITS:
        raise source.error("a variable is declared by type, width, code and name", place)
    if len(words[2]) > _LONGEST_CODE:
        raise source.error(f"this code is longer than {_LONGEST_CODE} characters", place)
    parts = [*scope, "".join(map(_text, words[3:]))]
    if sum(map(len, parts)) > _LONGEST_NAME:
        raise source.error(f"this name, with its scopes, is longer than {_LONGEST_NAME} characters", place)
    return Variable(".".join(parts), words[2], int(words[1]))


def _blanks(text: bytes) -> int:
    return len(text) - len(text.lstrip())


def _text(word: bytes) -> str:
    return word.decode("utf-8", "backslashreplace")


def vcd_events(source: CaptureSource, header: Header, codes: Sequence[bytes]) -> Iterator[Events]:
    """Yield the levels of the variables with these codes, piece by piece; times in fs.

    Raises :class:`CaptureError` for damage, with byte and line.
    """
    channel = {code: number for number, code in enumerate(codes)}
    skip, wanted = _patterns(codes)
    reading = _VcdReading(channel, header.scale)
    while True:
        text = source.buffer
        place = text.rfind(b"\n") + 1
        events = reading.take(wanted.findall(text, 0, place)) if place else None
        # Where no line ends here, or a change goes over the end of what was read, or there is damage:
        word_for_word = events is None
        if events is None:
            place, events = _word_for_word(source, wanted, reading)
        passed = skip.match(text, place)
        assert passed is not None  # it matches nothing, too
        source.drop(passed.end())
        yield events, reading.time or 0
        if word_for_word and _stuck(source.buffer):
            raise source.error(f"this is no value change: {_shown(source.buffer)}", 0)
        more = _past_comment(source) if source.buffer.startswith(b"$comment") else source.more()
        if not more and (word_for_word or not source.buffer.strip()):
            break
    if source.buffer.strip():
        source.cut_off()


def _past_comment(source: CaptureSource) -> bool:
    """Read on until a comment ends, lest each piece of a long one be searched from its beginning again."""
    read, start = source.more(), 0
    while read and _END.search(source.buffer, start) is None:
        if len(source.buffer) > _LONGEST_HEADER:
            raise source.error("this comment does not end: $end is missing", 0)
        start = len(source.buffer) - len(b" $end")
        read = source.more()
    return read


_Found = tuple[bytes, ...]
"""Time step, a level and its code right after it; bits or a level alone, and their code; none of these."""


class _VcdReading:
    """Where in time the changes have come to; `early` are levels before the first time stamp, for later."""

    def __init__(self, channel: dict[bytes, int], scale: int) -> None:
        self._channel, self._scale = channel, scale
        self.time: int | None = None
        self.early: dict[int, Level] = {}

    def take(self, found: Sequence[_Found]) -> list[tuple[int, int, Level]] | None:
        """Return the levels in what was found, or None, and nothing is taken, where it is not in order."""
        events: list[tuple[int, int, Level]] = []
        time, early, channel, scale = self.time, dict(self.early), self._channel, self._scale
        for step, level, code, bits, alone, own_code, other in found:
            if step:
                now = int(step) * scale
                if time is None:
                    events += [(number, now, value) for number, value in early.items()]
                elif now < time:
                    return None
                time = now
                if level:
                    events.append((channel[code], now, 1 if level == b"1" else 0))
            elif own_code:
                value = _level(bits or alone)
                if time is None:
                    early[channel[own_code]] = value
                else:
                    events.append((channel[own_code], time, value))
            elif other:
                return None
        self.time, self.early = time, early
        return events


def _word_for_word(
    source: CaptureSource, wanted: re.Pattern[bytes], reading: _VcdReading
) -> tuple[int, list[tuple[int, int, Level]]]:
    """Take in changes one by one, up to where they end or are damaged; raises for time that goes back."""
    text, place = source.buffer, 0
    events: list[tuple[int, int, Level]] = []
    while (found := wanted.match(text, place)) is not None and found.lastindex and not found[7]:
        taken = reading.take([found.groups(b"")])
        if taken is None:
            raise source.error(f"time goes back to #{int(found[1])}", found.start(1) - 1)
        events += taken
        place = found.end()
    return place, events


def _patterns(codes: Sequence[bytes]) -> tuple[re.Pattern[bytes], re.Pattern[bytes]]:
    """Return what is passed over, in one stroke, and what is looked at after it.

    Words are parted by blanks. Passed over are changes of other variables (scalar, vector, real, string) and
    the words around a dump of all values.
    """
    own = b"|".join(re.escape(code) for code in codes)
    skip = (
        rb"(?:\s++"
        rb"|[01xXzZuUwWlLhH-](?!(?:" + own + rb")\s)[!-~]++(?=\s)"
        rb"|(?:[bB][01xXzZuUwWlLhH-]++|[rR][0-9.+\-eEnaifNAIF]++|[sS][!-~]*+)\s++(?!(?:"
        + own
        + rb")\s)[!-~]++(?=\s)"
        rb"|\$comment\s(?:[^$]++|\$(?!end\s))*+\$end(?=\s)"
        rb"|\$(?:dumpvars|dumpall|dumpon|dumpoff|end)(?=\s))*+"
    )
    wanted = (
        skip + rb"(?:#([0-9]{1,30})(?=\s)(?:\s++([01])(" + own + rb")(?=\s))?"
        rb"|(?:[bB]([01xXzZ]{1,64})\s++|([01xXzZ]))(" + own + rb")(?=\s)"
        rb"|(\S.*+)|\Z)"  # damage takes all the rest with it: looking on from every word would take ages
    )
    return re.compile(skip, re.DOTALL), re.compile(wanted, re.DOTALL)


def _level(bits: bytes) -> Level:
    """Return the level of a value: busy if any bit is set, unknown if one is unknown and none set.

    A released wire (z) is idle.
    """
    if b"1" in bits:
        return 1
    return None if b"x" in bits or b"X" in bits else 0


def _stuck(rest: bytes) -> bool:
    """Tell whether what is left cannot become a change when more is read."""
    if rest.startswith(b"$comment"):
        return False
    words = rest.split(maxsplit=2)
    whole = len(words) - (not rest[-1:].isspace())
    if words and words[0][:1] in b"bBrRsS" and whole < 2:
        return len(rest) > _LONGEST_WORD
    return whole >= 1 or len(rest) > _LONGEST_WORD


def _shown(rest: bytes) -> str:
    word = rest.split(maxsplit=1)[0][:40]
    return "".join(chr(byte) if 32 < byte < 127 else f"\\x{byte:02x}" for byte in word)
