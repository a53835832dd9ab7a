"""Waveforms as a value change dump, the form every waveform viewer reads (IEEE 1364-2005, clause 18).

A writer of our own: it is short, and the scopes and variables of a plan with thousands of nodes are written
without a library's objects for each. Nothing of the day or the machine is written: the same plan gives the
same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from chainplan.exports.names import Names, comment, identifier
from chainplan.exports.waveform import Path, Waveform

_UNITS = ("fs", "ps", "ns", "us", "ms", "s")
_COUNTER_BITS = 32


def vcd_text(waveform: Waveform, title: str, tool: str, remarks: Sequence[str]) -> str:
    """Return a waveform as text; `remarks` become its comments.

    The time scale is the coarsest one (1, 10 or 100 of a unit) in which every instant is a whole number, so
    no instant is rounded.
    """
    scale = coarsest_scale(waveform.step)
    codes = {path: code(number) for number, path in enumerate((*waveform.counters, *waveform.signals))}
    lines = [
        f"$version {comment(tool)} $end",
        *(f"$comment {comment(remark)} $end" for remark in remarks),
        f"$timescale {scale_text(scale)} $end",
        f"$scope module {Names().unique(identifier(title))} $end",
        *_declarations(waveform, codes),
        "$upscope $end",
        "$enddefinitions $end",
        *_changes(waveform, codes, scale),
    ]
    return "\n".join(lines) + "\n"


def coarsest_scale(step: int) -> int:
    """Return the greatest power of ten (fs) that divides `step`, at most 100 s."""
    scale = 1
    while step % (scale * 10) == 0 and scale < 10**17:
        scale *= 10
    return scale


def scale_text(scale: int) -> str:
    """Return a time scale in the words of 18.2.3.8: 1, 10 or 100, and a unit."""
    unit, rest = divmod(len(str(scale)) - 1, 3)
    if unit >= len(_UNITS):  # 1000 s are no unit
        unit, rest = len(_UNITS) - 1, 2
    return f"{10**rest} {_UNITS[unit]}"


def code(number: int) -> str:
    """Return an identifier code: digits of base 94 from the printable characters ! to ~ (18.2.1)."""
    text = ""
    while True:
        number, digit = divmod(number, 94)
        text += chr(33 + digit)
        if not number:
            return text
        number -= 1


def _declarations(waveform: Waveform, codes: dict[Path, str]) -> Iterator[str]:
    """Yield scopes and variables. Signals of one scope stand together, in the order of the plan."""
    counters = set(waveform.counters)
    tree: dict[str, object] = {}
    for path in (*waveform.counters, *waveform.signals):
        scope = tree
        for name in path[:-1]:
            inner = scope.setdefault(name, {})
            assert isinstance(inner, dict)
            scope = inner
        scope[path[-1]] = path
    yield from _scope(tree, codes, counters)


def _scope(tree: dict[str, object], codes: dict[Path, str], counters: set[Path]) -> Iterator[str]:
    names = Names()
    for name, inner in tree.items():
        own = names.unique(identifier(name))
        if isinstance(inner, dict):
            yield f"$scope module {own} $end"
            yield from _scope(inner, codes, counters)
            yield "$upscope $end"
        else:
            assert isinstance(inner, tuple)
            size = _COUNTER_BITS if inner in counters else 1
            yield f"$var wire {size} {codes[inner]} {own}{f' [{size - 1}:0]' if size > 1 else ''} $end"


def _changes(waveform: Waveform, codes: dict[Path, str], scale: int) -> Iterator[str]:
    """Yield the value changes in the order of time, every signal's first value at 0."""
    at: dict[int, list[str]] = {0: []}
    for begin in waveform.begins:
        at.setdefault(begin.start // scale, []).append(f"b{begin.number:b} {codes[begin.signal]}")
    spans: dict[Path, list[tuple[int, int]]] = {path: [] for path in waveform.signals}
    for busy in waveform.busy:
        spans[busy.signal].append((busy.start, busy.end))
    first = []
    for path in waveform.signals:
        levels = _levels(spans[path])
        if not levels or levels[0][0]:
            first.append(f"0{codes[path]}")
        for time, level in levels:
            at.setdefault(time // scale, []).append(f"{level}{codes[path]}")
    yield "#0"
    yield "$dumpvars"
    yield from first
    yield from at.pop(0)
    yield "$end"
    at.setdefault(waveform.end // scale, [])
    for time in sorted(at):
        yield f"#{time}"
        yield from at[time]


def _levels(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the changes (time, level) of a signal that is high in any of the spans; empty ones add none."""
    changes: list[tuple[int, int]] = []
    high_until = -1
    for start, end in sorted(spans):
        if start == end:
            continue
        if start > high_until:
            if high_until >= 0:
                changes.append((high_until, 0))
            changes.append((start, 1))
        high_until = max(high_until, end)
    if high_until >= 0:
        changes.append((high_until, 0))
    return changes
