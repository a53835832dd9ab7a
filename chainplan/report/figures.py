"""Figures for a reader: bounds rounded to the unfavourable side, signs, shares, and text safe to print.

A worst case is rounded up, a limit and a margin down, so that no printed figure looks better than the exact
one. Nothing here knows a screen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from chainplan.figures.figure import Figure, Status
from chainplan.plan.problems import escape
from chainplan.quantity import BITS, RATIO, Dimension, format_ticks
from chainplan.report.ranges import in_ranges

Rounding = Literal["nearest", "down", "up"]

_BYTES = replace(
    BITS,
    units={"byte": Fraction(8), "kB": Fraction(8_000), "MB": Fraction(8_000_000), "GB": Fraction(8 * 10**9)},
    display=("byte", "kB", "MB", "GB"),
    base="byte",
)
"""Amounts of data as a reader counts them: in bytes, kB = 1000 byte."""

PLAIN_LETTERS = str.maketrans(
    {"±": "+/-", "·": "-", "×": "x", "–": "-", "—": "-", "…": "...", "≤": "<=", "≥": ">=", "°": "deg "}
    | {"µ": "u", "μ": "u", "\u03a9": "ohm", "\u2126": "ohm", "✓": "+", "✗": "!"}
)
"""What stands for a sign where the stream's encoding has none for it."""

_PROBE = "─━│█▌░≤≥✓✗"
"""Signs that a report draws with."""


@dataclass(frozen=True, slots=True)
class Look:
    """What the reader's screen can show: its width in columns, and whether it has more than ASCII signs."""

    width: int = 80
    encoding: str = "utf-8"

    @property
    def unicode(self) -> bool:
        """Tell whether the encoding carries block and box signs."""
        try:
            _PROBE.encode(self.encoding)
        except (UnicodeEncodeError, LookupError):
            return False
        return True

    def text(self, text: str) -> str:
        """Return a text safe for the screen: control characters escaped, signs replaced that it lacks."""
        return encodable(escape(text), self.encoding)

    def status(self, status: Status) -> str:
        """Return a verdict's sign and word."""
        return self.text(STATUS_WORDS[status])


SENSE_SIGNS = {"at most": "≤", "below": "<", "at least": "≥"}
STATUS_WORDS: dict[Status, str] = {"met": "✓ met", "missed": "✗ MISSED", "not checked": "? not checked"}


def encodable(text: str, encoding: str) -> str:
    """Return a text with what the encoding cannot carry replaced by a plain sign or an escape."""
    try:
        text.encode(encoding)
    except LookupError:
        encoding = "ascii"
    except UnicodeEncodeError:
        pass
    else:
        return text
    return text.translate(PLAIN_LETTERS).encode(encoding, "backslashreplace").decode(encoding)


def amount(ticks: int | Fraction, dimension: Dimension, rounding: Rounding = "nearest") -> str:
    """Return a figure with its unit; amounts of data in bytes, rates with a power of ten."""
    text = format_ticks(ticks, _BYTES if dimension.name == BITS.name else dimension, rounding=rounding)
    return text.replace(" e-", "e-")


def byte_number(bits: int | Fraction) -> str:
    """Return an amount of data in bytes without its unit, rounded up to three decimals."""
    whole, thousandths = divmod(math.ceil(Fraction(bits) * 125), 1000)
    return f"{whole}.{thousandths:03}".rstrip("0").rstrip(".")


def percent(share: Fraction, rounding: Rounding = "nearest") -> str:
    """Return a share (1 = all) in percent."""
    return format_ticks(share * RATIO.units[""], RATIO, 3, rounding)


def worst(verdict: Figure) -> str:
    """Return the worst case of a verdict, rounded to the unfavourable side."""
    if verdict.value is None:
        return "no bound" if verdict.boundless else "unknown"
    return amount(verdict.value, verdict.dimension, "down" if verdict.sense == "at least" else "up")


def typical(verdict: Figure) -> str:
    """Return the typical figure of a verdict, if it has one."""
    return "-" if verdict.typical is None else amount(verdict.typical, verdict.dimension)


def limit(verdict: Figure, *, words: bool = False) -> str:
    """Return the limit with its sense as a sign or in words, rounded towards the strict side."""
    if verdict.limit is None:
        return "unknown"
    rounding: Rounding = "up" if verdict.sense == "at least" else "down"
    sense = verdict.sense if words else SENSE_SIGNS[verdict.sense]
    return f"{sense} {amount(verdict.limit, verdict.dimension, rounding)}"


def margin(verdict: Figure) -> str:
    """Return the signed margin, rounded to the unfavourable side; of a ratio in percentage points."""
    text = signed_amount(verdict.margin, verdict.dimension)
    return text.replace("%", "points") if verdict.dimension.name == RATIO.name else text


def margin_share(verdict: Figure) -> str:
    """Return the signed margin in percent of the limit, rounded to the unfavourable side."""
    share = verdict.margin_share
    if share is None:
        return "-"
    if share == 0:
        return "equality is a miss" if verdict.status == "missed" else "equality is met"
    if 0 < share < Fraction(1, 1000):
        return "+<0.1 %"
    return signed(f"{_tenths(share)} %", share)


def used(verdict: Figure) -> Fraction | None:
    """Return how much of what there is a target takes: worst case of limit, or required of provided.

    1 is the limit, more is a miss. None where it is not known, or where yes or no is all there is to say.
    """
    value, limit = verdict.value, verdict.limit
    if value is None or limit is None or verdict.kind.yes_no:
        return None
    taken, there = _taken_of(verdict, value, limit)
    return Fraction(taken, there) if there > 0 else None


def used_of(verdict: Figure) -> str:
    """Return both figures of :func:`used` in one unit, rounded to the bad side: ``27 of 99.9 ms``."""
    if verdict.value is None or verdict.limit is None:
        return worst(verdict)
    taken, available = _taken_of(verdict, verdict.value, verdict.limit)
    there = amount(available, verdict.dimension, "down")
    unit = there.rpartition(" ")[2] if " " in there else ""
    scaled = verdict.dimension
    if taken * 1000 > available > 0 and unit in scaled.units:
        scaled = replace(scaled, display=(unit,), base=unit)
    return f"{amount(taken, scaled, 'up').removesuffix(f' {unit}')} of {there}"


def _taken_of(verdict: Figure, value: int, limit: int) -> tuple[int, int]:
    """Return what is taken and what there is: worst case and limit, or what is required and provided."""
    return (limit, value) if verdict.sense == "at least" else (value, limit)


def spare(verdict: Figure) -> str:
    """Return what is left of what there is, in whole percent rounded down; empty where it is not known."""
    share = used(verdict)
    if share is None:
        return ""
    return "<1 %" if 0 < 1 - share < Fraction(1, 100) else f"{math.floor((1 - share) * 100)} %"


def _tenths(share: Fraction) -> str:
    """Return a share in percent with one decimal, rounded down."""
    tenths = math.floor(share * 1000)
    whole, tenth = divmod(abs(tenths), 10)
    return f"{'-' if tenths < 0 else ''}{whole}" + (f".{tenth}" if tenth else "")


def held_against(verdict: Figure) -> str:
    """Return a target beside its worst case, in words."""
    parts = [f"worst case {worst(verdict)}", f"limit {limit(verdict, words=True)}"]
    if verdict.margin is not None:
        parts.append(f"margin {margin(verdict)} ({margin_share(verdict)})")
    return f"{verdict.target}, {verdict.subject}: {', '.join(parts)}"


DANGER = ("isolation", "fault handling", "single faults", "monitoring", "start-up", "scan", "errors")
"""Sections whose misses endanger first, in this order; then the others."""


def by_danger(verdict: Figure) -> tuple[int, Fraction]:
    """Sort key of misses: what endangers first, then the least margin."""
    section = verdict.kind.section
    return DANGER.index(section) if section in DANGER else len(DANGER), tightness(verdict)


def tightness(verdict: Figure) -> Fraction:
    """Sort key of verdicts: the margin as a share of the limit, 0 where there is none."""
    share = verdict.margin_share
    return Fraction(0) if share is None else share


def signed(text: str, value: int | Fraction) -> str:
    """Put a plus sign before a positive figure, so that the sign is always said."""
    return f"+{text}" if value > 0 else text


def plural(number: int, thing: str) -> str:
    """Return a count with its noun: ``1 board``, ``3 boards``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


SHORT = 6
"""Names that a list writes out one by one."""


def listed(names: Sequence[str], most: int = SHORT) -> str:
    """Return names as a list; in a long one those that only count on are ranges, what is left is counted."""
    if len(names) <= min(most, SHORT):
        return ", ".join(names)
    ranges = in_ranges(names)
    left = sum(each.size for each in ranges[most:])
    return ", ".join(each.text for each in ranges[:most]) + (f" and {left} more" if left else "")


def runs_of(numbers: Sequence[int], most: int = 8) -> str:
    """Return rising numbers as a short list, runs written ``1..4``; what is left out is counted."""
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1] = runs[-1][0], number
        else:
            runs.append((number, number))
    texts = [str(first) if first == last else f"{first}..{last}" for first, last in runs[:most]]
    left = sum(last - first + 1 for first, last in runs[most:])
    return ", ".join(texts) + (f" and {left} more" if left else "")


def signed_amount(ticks: int | None, dimension: Dimension) -> str:
    """Return a margin with its sign, rounded down; exactly zero is said so, unknown is a dash."""
    if ticks is None:
        return "-"
    return signed(amount(ticks, dimension, "down"), ticks) if ticks else "0 exactly"
