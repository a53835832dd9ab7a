"""A capture checked against the plan: channels of one file, each followed along the frames of its port."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import BinaryIO, Literal, NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.captures.course import Instrument, plan_course
from chainplan.captures.csv_reader import UNITS, csv_events, csv_resolution, read_columns
from chainplan.captures.follow import Follower
from chainplan.captures.frames import BusyLevels, Counts, Edges, Level
from chainplan.captures.source import CaptureError, CaptureSource, Events, Progress
from chainplan.captures.tally import Measured
from chainplan.captures.threshold import Trace, chains_at, idle_gap, longest_pause, shortest_bit
from chainplan.captures.vcd_reader import Variable, read_header, vcd_events

Form = Literal["vcd", "csv"]


class CaptureChannel(NamedTuple):
    """A signal of the capture, and the port of the plan that it was taken at."""

    signal: str
    scan: ControllerScan
    port: str


class CaptureOptions(NamedTuple):
    """How to read a capture; times in fs, None where the plan or the file says.

    `trace` says whether a signal is high while the wire is busy, or is the line itself. `clock_error` is that
    of the capture's clock (1e-12), `unit` the unit of time of rows.
    """

    trace: Trace = "busy"
    active_low: bool = False
    idle: int | None = None
    glitch: int | None = None
    resolution: int | None = None
    clock_error: int = 0
    unit: str | None = None


class ChannelResult(NamedTuple):
    """What was found on one channel; `first_scan` is the scan of the major cycle in which it begins.

    `ambiguous` counts other places in the major cycle at which it could as well have begun.
    """

    channel: CaptureChannel
    idle: int
    glitch: int
    measured: Measured
    counts: Counts
    first_scan: int
    ambiguous: int
    unclear: bool
    """Whether gaps of the plan can be as short as a pause within a frame, so that frames may run together."""

    @property
    def inside(self) -> bool:
        """Tell whether everything is as planned."""
        return not self.measured.found


class Result(NamedTuple):
    """What was found in a capture: from its first to its last time stamp, fs, by its own clock.

    `ends_within` is the byte at which the file ends in the middle of a line, if it does.
    """

    channels: list[ChannelResult]
    form: Form
    options: CaptureOptions
    resolution: int
    first: int
    last: int
    ends_within: int | None

    @property
    def inside(self) -> bool:
        """Tell whether everything is as planned."""
        return all(channel.inside for channel in self.channels)


def compare_capture(
    stream: BinaryIO,
    channels: Sequence[CaptureChannel],
    options: CaptureOptions,
    form: Form | None = None,
    progress: Progress | None = None,
) -> Result:
    """Read a capture to its end and hold every frame on its channels against the plan.

    Raises :class:`~chainplan.captures.source.CaptureError` for a file that cannot be used and a channel that
    is not in it or does not fit the plan, :class:`~chainplan.captures.course.CourseError` for a port that
    cannot be followed.
    """
    source = CaptureSource(stream, progress)
    source.more()
    form = form or ("vcd" if source.buffer.lstrip()[:1] == b"$" else "csv")
    order, events, resolution = _open(source, form, channels, options)
    resolution = options.resolution if options.resolution is not None else resolution
    listeners = [_Listener(channels[place], options, resolution) for place in order]
    first, last = _listen(events, listeners, options.active_low)
    for listener in listeners:
        listener.recogniser.end(last)
        listener.follower.end()
    results = [listener.result() for listener in listeners]
    by_place = dict(zip(order, results, strict=True))
    return Result(
        [by_place[place] for place in range(len(channels))],
        form,
        options,
        resolution,
        first or 0,
        last,
        source.ends_within,
    )


class _Listener:
    """One channel under way: levels become stretches, stretches are followed along the plan."""

    def __init__(self, channel: CaptureChannel, options: CaptureOptions, resolution: int) -> None:
        self.channel = channel
        chains = chains_at(channel.scan, channel.port)
        pause = longest_pause(chains, options.trace)
        self.idle = (
            idle_gap(channel.scan, channel.port, pause, resolution) if options.idle is None else options.idle
        )
        self.glitch = shortest_bit(chains) - resolution if options.glitch is None else options.glitch
        tail = pause if options.trace == "edges" else 0
        instrument = Instrument(resolution, options.clock_error, tail)
        self.follower = Follower(plan_course(channel.scan, channel.port, instrument, self.idle))
        kind = Edges if options.trace == "edges" else BusyLevels
        self.recogniser = kind(self.idle, self.glitch, self.follower.feed)

    def result(self) -> ChannelResult:
        """Return what was found; CaptureError where the channel fits nowhere in the plan."""
        follower, counts = self.follower, self.recogniser.counts
        if follower.first_scan is None:
            seen = follower.measured.frames
            raise CaptureError(
                f"channel {self.channel.signal}: its frames fit nowhere in what the plan has at port "
                f"{self.channel.port} ({seen} whole frames seen, {counts.glitches} glitches). Another port, "
                "polarity, kind of trace, resolution or idle gap?"
            )
        return ChannelResult(
            self.channel,
            self.idle,
            self.glitch,
            follower.measured,
            counts,
            follower.first_scan,
            follower.ambiguous,
            follower.unclear,
        )


def _listen(
    events: Iterator[Events], listeners: Sequence[_Listener], active_low: bool
) -> tuple[int | None, int]:
    """Hand every level to its channel; return the first and the last time stamp, fs."""
    feeds: list[Callable[[int, Level], None]] = [listener.recogniser.feed for listener in listeners]
    first, last = None, 0
    for levels, until in events:
        if first is None and levels:
            first = levels[0][1]
        for channel, time, level in levels:
            feeds[channel](time, 1 - level if active_low and level is not None else level)
        last = until
    return first, last


def _open(
    source: CaptureSource, form: Form, channels: Sequence[CaptureChannel], options: CaptureOptions
) -> tuple[list[int], Iterator[Events], int]:
    """Return the channels in the order of the events, the events, and the resolution of time, fs."""
    if form == "vcd":
        header = read_header(source)
        codes = [_variable(channel.signal, header.variables).code for channel in channels]
        _no_two_alike(channels, codes)
        return list(range(len(channels))), vcd_events(source, header, codes), header.scale
    columns = read_columns(source)
    unit = options.unit or columns.unit
    if unit is None:
        raise CaptureError(
            f"the first row does not name the unit of time: name it with an option, one of {', '.join(UNITS)}"
        )
    places = [_column(channel.signal, columns.names) for channel in channels]
    _no_two_alike(channels, places)
    order = sorted(range(len(channels)), key=places.__getitem__)
    wanted = [places[place] for place in order]
    return order, csv_events(source, columns, unit, wanted), csv_resolution(source, unit)


_CHOICES, _LETTERS = 2000, 100
"""Names that are looked at for one perhaps meant, and letters of what was asked for: more takes too long."""


def _no_two_alike(channels: Sequence[CaptureChannel], signals: Sequence[object]) -> None:
    for place, signal in enumerate(signals):
        if signal in signals[:place]:
            raise CaptureError(f"channel {channels[place].signal}: the same signal is taken twice")


def _variable(signal: str, variables: Sequence[Variable]) -> Variable:
    """Return the variable of a name: the whole name with its scopes, or its last parts where one has them."""
    wanted = signal.replace("/", ".")
    found = [each for each in variables if each.name == wanted]
    found = found or [each for each in variables if each.name.endswith(f".{wanted}")]
    if len({each.code for each in found}) == 1:
        return found[0]
    if found:
        listed = ", ".join(each.name for each in found[:8])
        raise CaptureError(f"channel {signal}: the file has several: {listed}")
    raise _unknown(signal, [each.name for each in variables])


def _column(signal: str, names: Sequence[str]) -> int:
    if signal in names[1:]:
        return names.index(signal, 1)
    if signal.isascii() and signal.isdigit() and 2 <= int(signal) <= len(names):
        return int(signal) - 1
    raise _unknown(signal, list(names[1:]))


def _unknown(signal: str, names: list[str]) -> CaptureError:
    from difflib import get_close_matches

    looked_at = names[:_CHOICES]
    last = {name.rpartition(".")[2]: name for name in looked_at}
    close = [
        *get_close_matches(signal[:_LETTERS], looked_at, n=1),
        *(last[each] for each in get_close_matches(signal[:_LETTERS], last, n=1)),
    ]
    listed = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
    hint = f"\n   did you mean: {close[0]}" if close else ""
    return CaptureError(f"channel {signal}: the file has no such signal\n   expected: {listed}{hint}")
