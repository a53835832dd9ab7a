"""The isolation ladder: each board at its potential, each segment's stress as a share of its rating."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple

from chainplan.printout.ink import FAINT, INK, MISSED
from chainplan.printout.svg import (
    NORMAL,
    SMALL,
    WIDTH,
    Svg,
    axis,
    box,
    drawing,
    fitted,
    label,
    line,
    pattern_fill,
    patterns,
    round_marks,
)
from chainplan.report.blocks import LadderDrawing, rating_text, stress_text
from chainplan.report.figures import STATUS_WORDS
from chainplan.report.ladder import (
    DrawnRung,
    Elision,
    LadderStep,
    kept_rungs,
    left_out_words,
    share_of,
    status_of,
)

LONGEST = 60
"""Rungs of a ladder that is drawn whole."""

ELISION = Elision(ends=6, worst=12)
"""What is kept of a longer one."""

ROWS = 46
"""Rows of one drawing: a page holds no more, and a drawing is not broken over pages."""

TOP, ROW = 100, 38
NAMES = 240
POTENTIALS = (250, 780)
SHARES = (1010, 1330)


class _LadderRow(NamedTuple):
    """A board, a segment, or the words in place of what is left out."""

    rung: DrawnRung | None = None
    step: LadderStep | None = None
    left_out: str = ""


class _Scale(NamedTuple):
    """What the left edge and the right edge of a panel stand for."""

    low: int
    high: int
    left: float
    right: float

    def x(self, value: int) -> float:
        """Return where a value stands."""
        return self.left + (self.right - self.left) * (value - self.low) / (self.high - self.low)


def ladder_svgs(ident: str, drawn: LadderDrawing) -> list[Svg]:
    """Return the ladder, in as many drawings as it takes to fit on pages."""
    rows = list(_rows(drawn))
    parts = [rows[start : start + ROWS] for start in range(0, len(rows), ROWS)]
    return [
        _part(f"{ident}-{number}", drawn, part, f", part {number} of {len(parts)}" if len(parts) > 1 else "")
        for number, part in enumerate(parts, start=1)
    ]


def _rows(drawn: LadderDrawing) -> Iterator[_LadderRow]:
    elision = ELISION if len(drawn.rungs) > LONGEST else None
    before = None
    for index in kept_rungs(drawn.steps, len(drawn.rungs), elision):
        if before == index - 1:
            yield _LadderRow(step=drawn.steps[before])
        elif before is not None:
            yield _LadderRow(left_out=" ".join(left_out_words(drawn.steps[before:index])))
        yield _LadderRow(rung=drawn.rungs[index])
        before = index


def _part(ident: str, drawn: LadderDrawing, rows: list[_LadderRow], part: str) -> Svg:
    potentials = [volt for rung in drawn.rungs for volt in (rung.low, rung.high) if volt is not None]
    volts = _Scale(min([0, *potentials]), max([drawn.string_voltage, *potentials]), *POTENTIALS)
    percents = _Scale(0, 100, *SHARES)
    bottom = TOP + ROW * len(rows)
    body = [
        patterns(ident, ["hatch"]),
        label(POTENTIALS[0], 24, "board: potential above HV-", size=NORMAL, bold=True),
        label(SHARES[0], 24, "segment: stress of rating", size=NORMAL, bold=True),
        *axis(
            [(volts.x(mark), stress_text(mark)) for mark in round_marks(volts.low, volts.high, 7)],
            TOP - 16,
            bottom,
            SHARES[0] - 60,
        ),
        *axis([(percents.x(mark), f"{mark} %") for mark in (0, 50, 100)], TOP - 16, bottom),
        line(percents.x(100), TOP - 16, percents.x(100), bottom, INK, 3),
    ]
    for number, row in enumerate(rows):
        middle = TOP + ROW * number + ROW / 2
        if row.rung is not None:
            body += _board(row.rung, volts, middle)
        elif row.step is not None:
            body += _segment(ident, row.step, percents, middle)
        else:
            body += _left_out(row.left_out, middle)
    title = f"{drawn.chain}: isolation ladder{part}"
    return drawing(ident, bottom + 10, title, _told(rows), body)


def _board(rung: DrawnRung, volts: _Scale, middle: float) -> Iterator[str]:
    yield label(0, middle + 8, fitted(rung.name, NAMES - 6, NORMAL), size=NORMAL, bold=True)
    if rung.low is None or rung.high is None:
        yield label(POTENTIALS[0], middle + 8, "at chassis", fill=FAINT)
        return
    left = volts.x(rung.low)
    yield line(volts.left, middle, volts.right, middle, INK, 1)
    yield box(left, middle - 10, max(volts.x(rung.high) - left, 4), 20, fill=INK)
    yield label(volts.right + 14, middle + 8, _potentials(rung))


def _potentials(rung: DrawnRung) -> str:
    low, high = rung.low or 0, rung.high or 0
    return stress_text(low) if low == high else f"{stress_text(low)} to {stress_text(high)}"


def _segment(ident: str, step: LadderStep, percents: _Scale, middle: float) -> Iterator[str]:
    status = status_of(step)
    missed = status == "missed"
    yield label(30, middle + 8, fitted(step.name, NAMES - 36), fill=FAINT)
    yield line(14, middle - ROW / 2 + 2, 14, middle + ROW / 2 - 2, INK, 3)
    if step.rating is not None:
        share = min(Fraction(100 * step.stress, step.rating), Fraction(106))
        width = max(float(share) / 100 * (percents.right - percents.left), 3)
        fill = pattern_fill(ident, "hatch") if missed else pattern_fill(ident, "grey")
        yield box(percents.left, middle - 12, width, 24, fill=fill, stroke=MISSED if missed else INK)
    held = "no rating" if step.rating is None else f"of {rating_text(step.rating)}"
    figures = ", ".join(part for part in (f"{stress_text(step.stress)} {held}", share_of(step)) if part)
    yield label(SHARES[1] + 36, middle + 8, figures, bold=missed)
    yield label(
        WIDTH, middle + 8, STATUS_WORDS[status], anchor="end", bold=missed, fill=MISSED if missed else INK
    )


def _left_out(text: str, middle: float) -> Iterator[str]:
    yield line(14, middle - ROW / 2 + 2, 14, middle - 5, INK, 3)
    yield line(14, middle + 5, 14, middle + ROW / 2 - 2, INK, 3)
    yield label(30, middle + 8, fitted(text, WIDTH - 30), size=SMALL, fill=INK)


def _told(rows: list[_LadderRow]) -> str:
    """Return in words what the drawing shows."""
    segments = [row.step for row in rows if row.step is not None]
    boards = sum(row.rung is not None for row in rows)
    missed = [step.name for step in segments if status_of(step) == "missed"]
    rated = [step for step in segments if step.rating]
    highest = max(rated, key=lambda step: Fraction(step.stress, step.rating or 1), default=None)
    parts = [f"{boards} boards and ports, {len(segments)} segments between them"]
    if highest is not None and highest.rating is not None:
        parts.append(
            f"the highest stress is {stress_text(highest.stress)} of {rating_text(highest.rating)} at "
            f"{highest.name}"
        )
    parts.append(f"missed: {', '.join(missed)}" if missed else "none missed")
    return "; ".join(parts) + "."
