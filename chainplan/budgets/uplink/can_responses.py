"""Worst-case response times on CAN and CAN FD.

After R. I. Davis, A. Burns, R. J. Bril and J. J. Lukkien, "Controller Area Network (CAN) schedulability
analysis: refuted, revisited and revised", Real-Time Systems 35 (2007): messages queue at their release, the
lowest identifier goes first, a frame on the wire is never interrupted, and every instance in the busy period
is looked at, not only the first one. Frames are those of :mod:`chainplan.budgets.uplink.can_frames`.

All times are whole femtoseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from chainplan.budgets.uplink.can_frames import BusMessage, CanBus, frame_time

# Steps of one fixed point, and instances in one busy period, before a message is given up as unbounded. So
# long a busy period means a bus that is loaded to within a tiny fraction of its capacity.
MAX_STEPS = 100_000

# Bits of an error's signalling (Davis et al. 2007, from memory): error flags 6 + 6, delimiter 8, intermission
# 3 and, of an error-passive transmitter, suspended transmission 8.
_SIGNALLING = 31


@dataclass(frozen=True)
class ErrorLoad:
    """Transmission errors to be borne: in any window of t fs at most ``burst + ceil(t/interval)``.

    ``interval`` (fs) ``None`` stands for the burst alone. Each error costs its signalling and a frame once
    more. Raises ``ValueError`` for a negative burst or an interval that is not positive.
    """

    burst: int = 0
    interval: int | None = None

    def __post_init__(self) -> None:
        if self.burst < 0:
            raise ValueError(f"burst must not be negative, not {self.burst}")
        if self.interval is not None and self.interval <= 0:
            raise ValueError(f"error interval must be above zero, not {self.interval}")

    def count(self, window: int) -> int:
        """Return the most errors in a window of ``window`` fs."""
        return self.burst + (0 if self.interval is None else _ceil_div(window, self.interval))


class Interference(NamedTuple):
    """Frames of one higher-priority message that go first: how many, and their time together (fs)."""

    name: str
    frames: int
    time: int


class ResponseTime(NamedTuple):
    """The longest time (fs) from a message's release to the end of its frame, with the terms that make it up.

    ``response = jitter + blocking + interference + instance*frame + errors + frame - instance*period``, where
    ``instance`` counts the worst instance in the busy period from 0, which those before it hold up.
    ``blocking`` is the longest frame of lower priority (``blocked_by``). The frame counts with its interframe
    space, as in the paper. Where no bound exists or none was found ``unbounded`` says why, and ``response``
    and its other terms are ``None`` or empty.
    """

    message: BusMessage
    frame: int
    jitter: int
    blocking: int
    blocked_by: str | None
    response: int | None
    unbounded: str | None = None
    instance: int | None = None
    interference: tuple[Interference, ...] = ()
    errors: int | None = None


def _ceil_div(amount: int, by: int) -> int:
    return -(-amount // by)


def _load(bus: CanBus, messages: Sequence[BusMessage]) -> Fraction:
    return sum((Fraction(frame_time(bus, message), message.period) for message in messages), Fraction(0))


def response_times(
    bus: CanBus, messages: Sequence[BusMessage], errors: ErrorLoad | None = None
) -> tuple[ResponseTime, ...]:
    """Return the worst-case response time of every message, highest priority first.

    Raises ``ValueError`` where two messages share an identifier: they could not be told apart in arbitration.
    """
    ordered = sorted(messages, key=lambda message: message.priority)
    for winner, loser in pairwise(ordered):
        if winner.priority == loser.priority:
            raise ValueError(f"{winner.name} and {loser.name} share identifier {loser.identifier:#x}")
    load = errors or ErrorLoad()
    return tuple(_response_time(_level(bus, ordered, place, load)) for place in range(len(ordered)))


class _Level(NamedTuple):
    """One message with all that can delay it: the constants of its fixed-point equations.

    ``higher`` pairs every message of higher priority with its frame time; ``per_error`` is the time one error
    costs; ``load`` the share of the bus that the message, the higher ones and the errors need. Times in fs.
    """

    bit: int
    message: BusMessage
    frame: int
    higher: tuple[tuple[BusMessage, int], ...]
    blocking: int
    blocked_by: str | None
    errors: ErrorLoad
    per_error: int
    load: Fraction

    def own_instances(self, window: int) -> int:
        """Return the instances of the message itself that can queue in ``window`` fs."""
        return _ceil_div(window + self.message.jitter, self.message.period)

    def interference(self, window: int) -> list[tuple[BusMessage, int, int]]:
        """Return message, frames and their time for each higher message, queued in ``window`` fs."""
        counts = [_ceil_div(window + message.jitter, message.period) for message, _ in self.higher]
        return [(message, n, n * time) for (message, time), n in zip(self.higher, counts, strict=True)]

    def higher_time(self, window: int) -> int:
        return sum(time for _, _, time in self.interference(window))

    def error_time(self, window: int) -> int:
        return self.errors.count(window) * self.per_error


def _level(bus: CanBus, ordered: Sequence[BusMessage], place: int, errors: ErrorLoad) -> _Level:
    message = ordered[place]
    frame = frame_time(bus, message)
    higher = tuple((other, frame_time(bus, other)) for other in ordered[:place])
    longest_lower = max(ordered[place + 1 :], key=lambda other: frame_time(bus, other), default=None)
    # An error costs its signalling and, sent once more, the longest frame that goes before this one or is
    # this one. The frame of lower priority that blocks is not sent again before it.
    resent = max([frame, *(time for _, time in higher)])
    per_error = _SIGNALLING * bus.nominal_bit + resent
    error_share = Fraction(0) if errors.interval is None else Fraction(per_error, errors.interval)
    return _Level(
        bit=bus.nominal_bit,
        message=message,
        frame=frame,
        higher=higher,
        blocking=0 if longest_lower is None else frame_time(bus, longest_lower),
        blocked_by=None if longest_lower is None else longest_lower.name,
        errors=errors,
        per_error=per_error,
        load=_load(bus, ordered[: place + 1]) + error_share,
    )


def _least_fixed_point(demand: Callable[[int], int], start: int) -> int | None:
    # The demand never falls as the window grows, so the windows climb to the least fixed point from any start
    # at or below it.
    window = start
    for _ in range(MAX_STEPS):
        following = demand(window)
        if following == window:
            return window
        window = following
    return None


def _busy_period(level: _Level) -> int | None:
    """Return the longest time (fs) for which this and higher priorities can keep the bus."""

    def demand(window: int) -> int:
        own = level.own_instances(window) * level.frame
        return level.blocking + own + level.higher_time(window) + level.error_time(window)

    return _least_fixed_point(demand, start=level.frame)


def _queueing(level: _Level, instance: int, start: int) -> int | None:
    """Return the time (fs) from the start of the busy period until the instance wins the bus.

    A higher message still wins if it queues within one bit time after the start of the frame (Davis et al.);
    errors may strike until the frame's end.
    """
    before = level.blocking + instance * level.frame

    def demand(window: int) -> int:
        return before + level.higher_time(window + level.bit) + level.error_time(window + level.frame)

    return _least_fixed_point(demand, start)


def _overload(level: _Level) -> str | None:
    """Return why the busy period never ends, or ``None`` where it ends.

    It ends at t = B + sum of ceil((t + J)/T)*C + errors. The right side is at least t*load and what blocking,
    jitter and a burst add: at a load of exactly 1 it ends only if they add nothing.
    """
    if level.load > 1:
        return "this message and those of higher priority need more than the whole bus"
    jitter = level.message.jitter or any(message.jitter for message, _ in level.higher)
    if level.load == 1 and (level.blocking or jitter or level.errors.burst):
        return "this message and those of higher priority leave no time for blocking, jitter or errors"
    return None


def _response_time(level: _Level) -> ResponseTime:
    why = _overload(level)
    if why is None:
        bounded = _bounded(level)
        if bounded is not None:
            return bounded
        why = f"no bound found in {MAX_STEPS} steps: the bus is all but fully loaded"
    return _without_bound(level)._replace(unbounded=why)


def _without_bound(level: _Level) -> ResponseTime:
    """Return what is known of a message before its bound is searched."""
    return ResponseTime(
        message=level.message,
        frame=level.frame,
        jitter=level.message.jitter,
        blocking=level.blocking,
        blocked_by=level.blocked_by,
        response=None,
    )


def _bounded(level: _Level) -> ResponseTime | None:
    busy_period = _busy_period(level)
    if busy_period is None or level.own_instances(busy_period) > MAX_STEPS:
        return None
    instances = level.own_instances(busy_period)
    waits: list[int] = []
    for instance in range(instances):
        # No instance wins the bus before the one ahead of it.
        wait = _queueing(level, instance, start=waits[-1] if waits else level.blocking)
        if wait is None:
            return None
        waits.append(wait)
    worst = max(range(instances), key=lambda instance: waits[instance] - instance * level.message.period)
    return _without_bound(level)._replace(
        response=level.message.jitter + waits[worst] - worst * level.message.period + level.frame,
        instance=worst,
        interference=tuple(
            Interference(message.name, frames, time)
            for message, frames, time in level.interference(waits[worst] + level.bit)
        ),
        errors=level.error_time(waits[worst] + level.frame),
    )
