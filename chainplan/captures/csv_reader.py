"""Captures as rows of comma-separated values, read piece by piece: a time and one or more levels a row.

The first row may name the columns, with the unit of time in the name: ``time [us]``, ``Time (s)``,
``time_ns``. Parted by comma, semicolon or tab; the decimal sign is a point. A last row without an end is
left out: a capture is often cut off there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from chainplan.captures.frames import Level
from chainplan.captures.source import CaptureError, CaptureSource, Events

UNITS = {"s": 10**15, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 10**3, "fs": 1}
_LONGEST_ROW = 2**16
_LEVELS: dict[bytes, Level] = {b"0": 0, b"1": 1, b"x": None, b"X": None, b"z": 0, b"Z": 0}
_UNIT = re.compile(r"[\s_\[(/,](fs|ps|ns|us|\u00b5s|\u03bcs|ms|s)[\])]?$")
_NUMBER = rb"[ \t]*([+-]?)([0-9]{1,24})(?:\.([0-9]{0,30}))?(?:[eE]([+-]?[0-9]{1,2}))?[ \t]*"


class Columns(NamedTuple):
    """How rows are parted, and what the columns are called: ``1``, ``2``, ... without a header.

    `unit` is the unit of time that the header names, if it does.
    """

    delimiter: bytes
    names: list[str]
    unit: str | None


def read_columns(source: CaptureSource) -> Columns:
    """Read the first row; it is left in place where it holds figures. Raises :class:`CaptureError`."""
    while b"\n" not in source.buffer[:_LONGEST_ROW]:
        if len(source.buffer) > _LONGEST_ROW or not source.more():
            raise source.error("this is no row of values: no line end in sight", 0)
    if source.buffer.startswith(b"\xef\xbb\xbf"):
        source.drop(3)
    line = source.buffer[: source.buffer.index(b"\n")]
    if not line.decode("utf-8", "replace").replace("\t", "").rstrip("\r").isprintable():
        raise source.error("this is neither a value change dump nor rows of values", 0)
    delimiter = next((sign for sign in (b"\t", b";", b",") if sign in line), None)
    if delimiter is None:
        raise source.error("a row is a time and a level, parted by comma, semicolon or tab", 0)
    cells = [cell.strip().strip(b'"').strip().decode("utf-8", "replace") for cell in line.split(delimiter)]
    if re.fullmatch(_NUMBER, cells[0].encode()):
        return Columns(delimiter, [str(number) for number in range(1, len(cells) + 1)], None)
    source.drop(len(line) + 1)
    unit = _UNIT.search(cells[0])
    return Columns(delimiter, cells, unit[1].replace("\u00b5", "u").replace("\u03bc", "u") if unit else None)


def csv_events(source: CaptureSource, columns: Columns, unit: str, wanted: Sequence[int]) -> Iterator[Events]:
    """Yield the levels of the wanted columns (0 is the time), piece by piece; times in fs.

    Raises :class:`CaptureError` for a row that is none, with byte and line.
    """
    row = _row(columns, wanted)
    reading = _CsvReading(UNITS[unit], len(wanted))
    while True:
        text = source.buffer
        place = text.rfind(b"\n") + 1
        events = reading.take(row.findall(text, 0, place))
        if events is None:
            raise _damage(source, row, reading)
        source.drop(place)
        yield events, reading.time or 0
        if len(source.buffer) > _LONGEST_ROW:
            raise source.error(f"this is {_NO_ROW}: {_shown(source.buffer)}", 0)
        if not source.more():
            break
    if source.buffer.strip():
        source.cut_off()


_NO_ROW = "no time with a level (0, 1, x or z)"


class _CsvReading:
    """Where in time the rows have come to, and the levels they left."""

    def __init__(self, scale: int, channels: int) -> None:
        self.time: int | None = None
        self._scale = scale
        self._levels: tuple[bytes, ...] = (b"",) * channels
        self._steps: dict[int, int] = {}
        """By number of decimals, the whole fs in the last of them."""
        for decimals in range(31):
            step, rest = divmod(scale, _power(decimals))
            if not rest:
                self._steps[decimals] = step

    def take(self, rows: Sequence[tuple[bytes, ...]]) -> list[tuple[int, int, Level]] | None:
        """Return the levels that change in rows, or None, and nothing is taken, where one is not in order."""
        events: list[tuple[int, int, Level]] = []
        time, old, steps = self.time, self._levels, self._steps
        for row in rows:
            sign, whole, part, exponent = row[:4]
            if not whole:
                if row[-1]:
                    return None
                continue
            if sign or exponent or len(part) not in steps:
                now = _ticks(sign, whole, part, exponent, self._scale)
            else:
                now = int(whole + part) * steps[len(part)]
            if time is not None and now < time:
                return None
            time = now
            new = row[4:-1]
            if new != old:
                for channel, level in enumerate(new):
                    if level != old[channel]:
                        events.append((channel, now, _LEVELS[level]))
                old = new
        self.time, self._levels = time, old
        return events


def _damage(source: CaptureSource, row: re.Pattern[bytes], reading: _CsvReading) -> CaptureError:
    """Return the error of the first row that is not in order."""
    place = 0
    while (found := row.match(source.buffer, place)) is not None:
        if reading.take([found.groups(b"")]) is None:
            break
        place = found.end()
    if found is None or found.groups()[-1]:
        return source.error(f"this is {_NO_ROW}: {_shown(source.buffer[place:])}", place)
    return source.error("time goes back", place)


def _row(columns: Columns, wanted: Sequence[int]) -> re.Pattern[bytes]:
    """Return the pattern of a row: its time and the levels of the wanted columns. An empty row is one too."""
    quote = b'"?'
    cells = [quote + _NUMBER + quote]
    order = sorted(wanted)
    if order != list(wanted):
        raise ValueError("columns are wanted in their order")
    for column in range(1, order[-1] + 1):
        if column in order:
            cells.append(rb'[ \t]*"?([01xXzZ])(?:\.0*)?"?[ \t]*')
        else:
            cells.append(rb"[^\r\n" + re.escape(columns.delimiter) + rb"]*+")
    rest = rb"[^\r\n]*+" if len(columns.names) > order[-1] + 1 else b""
    return re.compile(b"(?:" + re.escape(columns.delimiter).join(cells) + rest + rb"\r?\n|\r?\n|([^\n]*\n))")


def _ticks(sign: bytes, whole: bytes, part: bytes | None, exponent: bytes | None, scale: int) -> int:
    """Return a time in fs, rounded to the nearest where it is finer."""
    digits = int(whole + (part or b""))
    power: int = int(exponent or 0) - len(part or b"")
    ticks: int
    if power >= 0:
        ticks = digits * _power(power) * scale
    else:
        ticks, rest = divmod(digits * scale, _power(-power))
        ticks += 2 * rest >= _power(-power)
    return -ticks if sign == b"-" else ticks


def _power(exponent: int) -> int:
    return int(10**exponent)


def csv_resolution(source: CaptureSource, unit: str) -> int:
    """Return the finest step of time, fs, that the first rows in the buffer write down."""
    steps = [
        _ticks(b"", b"1", None, str(int(found[4] or 0) - len(found[3] or b"")).encode(), UNITS[unit])
        for found in re.finditer(b'^"?' + _NUMBER, source.buffer, flags=re.MULTILINE)
    ]
    return max(1, min(steps, default=1))


def _shown(rest: bytes) -> str:
    line = rest.split(b"\n", 1)[0][:60].rstrip()
    return "".join(chr(byte) if 31 < byte < 127 else f"\\x{byte:02x}" for byte in line)
