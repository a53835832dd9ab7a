"""A capture beside the plan, for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.text import Text

from chainplan.captures.ranges import Range
from chainplan.cautions import CAUTIONS
from chainplan.quantity import RATIO, TIME, format_ticks
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Lines, Paragraph, ReportPart, Table
from chainplan.report.figures import amount, plural
from chainplan.report.sections.common import View, status_text, two_lines
from chainplan.report.terminal import text_of, view_of

if TYPE_CHECKING:
    from rich.console import Console

    from chainplan.captures.compare import ChannelResult, Result
    from chainplan.captures.tally import CaptureRow, Deviation
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan

_DIGITS = 6
"""Significant digits of measured times: bounds may lie a thousandth apart."""


def captured_text(
    console: Console, loaded: LoadedPlan, evaluation: Evaluation, name: str, result: Result, most: int
) -> str:
    """Return the report of a capture: what was measured, its range, and up to `most` findings a channel."""
    view = view_of(console, loaded, evaluation)
    return text_of(console, view.look, _parts(view, name, result, most))


def _parts(view: View, name: str, result: Result, most: int) -> Iterator[ReportPart]:
    found = sum(channel.measured.found for channel in result.channels)
    yield Heading("Capture", f"{name} against {view.evaluation.plan.title}")
    verdict = "Everything is inside the plan." if result.inside else f"{plural(found, 'finding')} OUTSIDE."
    yield Text(view.look.text(verdict), style="bold" if result.inside else "")
    yield Lines(list(_instrument(result)))
    for channel in result.channels:
        yield Heading("Channel", f"{channel.channel.signal} at port {channel.channel.port}")
        yield Bullets(list(_remarks(channel)))
        yield Text()
        yield Table(_columns(view), [_row(view, row) for row in channel.measured.rows])
        yield from _findings(view, channel, result.resolution, most)
    yield Text()
    yield Paragraph(
        "Every frame and gap is checked against its own range out of the plan's tolerances, the step of the "
        "time stamps and the error of the clock added; shown is the widest range. It may be measured "
        "anywhere on the segment at the port. Retries are not in the ranges: a read that is "
        "repeated shows as extra frames.",
    )
    yield Heading("Cautions")
    yield Bullets(CAUTIONS)


def _instrument(result: Result) -> Iterator[str]:
    span = f"{stamp(result.first, result.resolution)} to {stamp(result.last, result.resolution)}"
    yield f"Time stamps: {span}, in steps of {format_ticks(result.resolution, TIME)}"
    options = result.options
    if options.clock_error:
        yield f"Clock of the capture: within {format_ticks(options.clock_error, RATIO, rounding='up')}"
    if result.ends_within is not None:
        yield f"The file ends in the middle of a line: it is left out, from byte {result.ends_within} on."


def _remarks(channel: ChannelResult) -> Iterator[str]:
    measured, counts = channel.measured, channel.counts
    begins = f"begins in scan {channel.first_scan} of the major cycle"
    if channel.ambiguous:
        begins += f", or in one of {channel.ambiguous} others that look alike"
    yield f"{plural(measured.frames, 'frame')}; the capture {begins}"
    yield (
        f"frames are parted by more than {format_ticks(channel.idle, TIME, _DIGITS)}; pulses below "
        f"{format_ticks(channel.glitch, TIME)} are glitches ({counts.glitches} left out)"
    )
    if channel.unclear:
        yield (
            "some gaps of the plan can be as short as a pause within a frame: frames may run together there, "
            "and what is said of them may be wrong; a shorter --idle parts them"
        )
    if counts.cut_off:
        yield f"{plural(counts.cut_off, 'frame')} cut off at the ends of the capture, not judged"
    if counts.unknown:
        yield (
            f"{plural(counts.unknown, 'unknown level')}; {plural(measured.not_judged, 'frame')} not judged "
            "for that"
        )
    for count, what in (
        (measured.missing, "missing"),
        (measured.extra, "extra, or with no place in the plan"),
    ):
        if count:
            yield f"{plural(count, 'frame')} {what}"
    if measured.breaks:
        yield f"{plural(measured.breaks, 'time')} the capture left the course of the plan"


def _columns(view: View) -> list[Column]:
    wide = ("times", "least", "largest", "from", "up to", "outside")
    titles = wide if view.wide else ("measured", "allowed", "outside")
    return [Column("verdict"), Column("quantity"), *(Column(title, figures=True) for title in titles)]


def _row(view: View, row: CaptureRow) -> list[Cell]:
    name = two_lines(view, row.quantity, row.subject)
    status = status_text(view, "missed" if row.outside else "met")
    least, largest, low, high = _time(row.least), _time(row.largest), *_ends(row.allowed)
    if view.wide:
        return [status, name, str(row.times), least, largest, low, high, str(row.outside)]
    outside = two_lines(view, str(row.outside), f"of {row.times}")
    return [status, name, two_lines(view, least, largest), two_lines(view, low, high), outside]


def _time(ticks: int) -> str:
    return format_ticks(ticks, TIME, _DIGITS)


def _ends(allowed: Range) -> tuple[str, str]:
    """Return the ends of a range, rounded inward: no printed range is wider than the exact one."""
    return format_ticks(allowed.min, TIME, _DIGITS, "up"), format_ticks(allowed.max, TIME, _DIGITS, "down")


def _findings(view: View, channel: ChannelResult, resolution: int, most: int) -> Iterator[ReportPart]:
    measured = channel.measured
    if not measured.found:
        return
    shown = measured.findings[:most]
    yield Text()
    columns = [Column("time stamp", figures=True), Column("scan", figures=True), Column("outside the plan")]
    yield Table(columns, [_finding(view, finding, resolution) for finding in shown])
    if measured.found > len(shown):
        yield Paragraph(f"Not shown: {measured.found - len(shown)} of {plural(measured.found, 'finding')}.")


def _finding(view: View, finding: Deviation, resolution: int) -> list[Cell]:
    scan = "-" if finding.scan is None else str(finding.scan)
    return [
        stamp(finding.time, resolution),
        scan,
        two_lines(view, finding.what, _by_how_much(finding)),
    ]


def _by_how_much(finding: Deviation) -> str:
    time, allowed = finding.measured, finding.allowed
    if time is None:
        return ""
    if allowed is None:
        return f"{_time(time)} long"
    over = time > allowed.max
    beyond = time - allowed.max if over else allowed.min - time
    low, high = _ends(allowed)
    return f"{_time(time)}, {amount(beyond, TIME, 'up')} {'over' if over else 'under'} {low} to {high}"


def stamp(time: int, resolution: int) -> str:
    """Return a time stamp in seconds, with the digits that the capture has."""
    digits = max(0, 15 - (len(str(resolution)) - 1))
    whole, part = divmod(abs(time), 10**15)
    text = f"{whole}.{part:015}"[: -(15 - digits) or None].rstrip(".")
    return f"{'-' if time < 0 else ''}{text} s"
