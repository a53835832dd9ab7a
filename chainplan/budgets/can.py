"""Worst-case frame lengths and response times on CAN and CAN FD.

Frame lengths count every bit from start of frame to the end of the interframe space, with the most stuff bits
that any identifier and any data can cause. Response times follow R. I. Davis, A. Burns, R. J. Bril and
J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: refuted, revisited and revised",
Real-Time Systems 35 (2007): messages queue at their release, the lowest identifier goes first, a frame on the
wire is never interrupted, and every instance in the busy period is looked at, not only the first one.

All times are whole femtoseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

__all__ = [
    "BusMessage",
    "CanBus",
    "ErrorLoad",
    "FrameBits",
    "Interference",
    "ResponseTime",
    "bus_load",
    "classic_frame_bits",
    "fd_frame_bits",
    "frame_bits",
    "frame_time",
    "padded_length",
    "response_times",
]

# Data lengths above 8 bytes that the data length code of CAN FD can say (ISO 11898-1:2015, data length code;
# from memory).
FD_LENGTHS = (12, 16, 20, 24, 32, 48, 64)

# Steps of one fixed point, and instances in one busy period, before a message is given up as unbounded. So
# long a busy period means a bus that is loaded to within a tiny fraction of its capacity.
MAX_STEPS = 100_000


@dataclass(frozen=True)
class CanBus:
    """Bit times of a bus in fs, the longest that the clocks' tolerances allow.

    ``nominal_bit`` is the bit time of the arbitration phase and of classic frames; ``data_bit`` that of the
    data phase of CAN FD frames, or ``None`` where FD frames keep the nominal rate (all do, or none does).
    Raises ``ValueError`` for a bit time that is not positive or a data phase slower than the arbitration
    phase.
    """

    nominal_bit: int
    data_bit: int | None = None

    def __post_init__(self) -> None:
        if self.nominal_bit <= 0:
            raise ValueError(f"nominal bit time must be above zero, not {self.nominal_bit}")
        if self.data_bit is not None and not 0 < self.data_bit <= self.nominal_bit:
            raise ValueError("data bit time must be above zero and not longer than the nominal bit time")


class FrameBits(NamedTuple):
    """The most bits of one frame, interframe space included, in parts that add up.

    ``nominal`` and ``data`` are the frame's own bits in the arbitration and the data phase; ``nominal_stuff``
    and ``data_stuff`` the stuff bits that its content can cause there; ``fixed_stuff`` those of a CAN FD
    frame's CRC field (data phase); ``late`` the bits (arbitration phase) by which a transmitter may find the
    CRC delimiter and the acknowledge slot of an FD frame prolonged.
    """

    nominal: int
    nominal_stuff: int
    data: int = 0
    data_stuff: int = 0
    fixed_stuff: int = 0
    late: int = 0

    @property
    def total(self) -> int:
        """All bits, of either phase."""
        return self.nominal_bits + self.data_bits

    @property
    def nominal_bits(self) -> int:
        """Bits sent at the nominal rate."""
        return self.nominal + self.nominal_stuff + self.late

    @property
    def data_bits(self) -> int:
        """Bits sent at the rate of the data phase."""
        return self.data + self.data_stuff + self.fixed_stuff


def padded_length(data_bytes: int) -> int:
    """Return the bytes of the smallest CAN FD data field that holds ``data_bytes``.

    0 to 8 as they are, then 12, 16, 20, 24, 32, 48 or 64. Raises ``ValueError`` below 0 and above 64.
    """
    if not 0 <= data_bytes <= 64:
        raise ValueError(f"a CAN FD frame carries 0 to 64 bytes, not {data_bytes}")
    if data_bytes <= 8:
        return data_bytes
    return next(length for length in FD_LENGTHS if length >= data_bytes)


@lru_cache(maxsize=64)
def classic_frame_bits(data_bytes: int, extended: bool) -> FrameBits:
    """Return the most bits of a classic CAN data frame.

    ``g + 8*s + 13 + floor((g + 8*s - 1)/4)`` with g = 34 (base) or 54 (extended format), Davis, Burns, Bril
    and Lukkien 2007. g counts the stuffed bits outside the data. Base: start of frame 1, identifier 11, RTR
    1, IDE 1, reserved 1, data length code 4, CRC 15. Extended: start 1, identifier 11 + 18, SRR 1, IDE 1,
    RTR 1, reserved 2, code 4, CRC 15. The 13 are never stuffed: CRC delimiter 1, acknowledge 2, end of frame
    7, intermission 3. The first stuff bit follows five equal bits; it can be the first of the next five, so
    four more bits can bring the next.

    Raises ``ValueError`` unless 0 <= data_bytes <= 8.
    """
    if not 0 <= data_bytes <= 8:
        raise ValueError(f"a classic CAN frame carries 0 to 8 bytes, not {data_bytes}")
    stuffed = (54 if extended else 34) + 8 * data_bytes
    return FrameBits(nominal=stuffed + 13, nominal_stuff=(stuffed - 1) // 4)


@lru_cache(maxsize=512)
def fd_frame_bits(data_bytes: int, extended: bool, switched: bool) -> FrameBits:
    """Return the most bits of a CAN FD frame (ISO 11898-1:2015; field widths from memory), data padded.

    Arbitration phase, 17 bits in base format: start of frame 1, identifier 11, RRS 1, IDE 1, FDF 1, res 1,
    BRS 1; 36 in extended format: start 1, identifier 11, SRR 1, IDE 1, identifier 18, RRS 1, FDF 1, res 1,
    BRS 1. Data phase: ESI 1, data length code 4, data 8*s, stuff count 4, CRC 17 (up to 16 bytes) or 21, CRC
    delimiter 1. Then 12 at the nominal rate: acknowledge 2, end of frame 7, intermission 3. The rate changes
    inside the BRS bit and back inside the CRC delimiter, at their sample points; together the two bits last
    one nominal and one data bit time wherever the sample points are.

    Dynamic stuff bits, from start of frame to the last bit of the data field. FDF is always recessive and
    the res bit behind it dominant, so the run of equal bits starts anew at res, and each side is bounded by
    itself:

    - arbitration: the bits before FDF (14 or 33) take one stuff bit after the fifth and one after every
      further four: floor((14 - 1)/4) = 3 or floor((33 - 1)/4) = 8. FDF does not complete five: the bit
      before it (IDE or RRS) is dominant, or that bit completed five and the stuff bit behind it is the only
      other recessive one.
    - data: a switched frame has a recessive BRS behind the dominant res, so a run starts with BRS and n = 6
      + 8*s bits follow each other; a frame that keeps its rate has a dominant BRS, so it starts with res: n
      = 7 + 8*s. Behind the last bit comes a fixed stuff bit instead: floor((n - 2)/4) = 2*s + 1 in both
      cases.

    Fixed stuff bits: one before the stuff count and one after each fourth bit of stuff count and CRC:
    1 + floor(21/4) = 6 or 1 + floor(25/4) = 7.

    Late bits, 2: when the rate falls back the receivers lag behind by the bus delay, so a transmitter
    accepts a second bit of CRC delimiter and a second bit of acknowledge (from memory).

    ``switched`` says whether the data phase runs at the data rate (BRS recessive); if not, every bit counts
    as nominal. Raises ``ValueError`` unless 0 <= data_bytes <= 64.
    """
    size = padded_length(data_bytes)
    crc = 17 if size <= 16 else 21
    arbitration = 36 if extended else 17
    nominal = arbitration + 12
    nominal_stuff = 8 if extended else 3
    data = 5 + 8 * size + 4 + crc + 1
    data_stuff = 2 * size + 1
    fixed_stuff = 1 + (4 + crc) // 4
    if switched:
        return FrameBits(nominal, nominal_stuff, data, data_stuff, fixed_stuff, late=2)
    return FrameBits(nominal + data + fixed_stuff, nominal_stuff + data_stuff, late=2)


@dataclass(frozen=True)
class BusMessage:
    """A periodic or sporadic message.

    ``identifier`` is its priority (lower wins), of 11 bits, or 29 where ``extended``; ``data_bytes`` its
    payload; ``period`` the shortest time between two releases, ``jitter`` the most by which its queueing may
    lag behind its release, ``deadline`` the longest allowed time from release to the end of the frame, in fs.
    Instances leave in the order of their release. ``flexible`` makes it a CAN FD frame. Raises ``ValueError``
    for a value that is out of range.
    """

    name: str
    identifier: int
    data_bytes: int
    extended: bool
    period: int
    jitter: int
    deadline: int
    flexible: bool = False

    def __post_init__(self) -> None:
        width = 29 if self.extended else 11
        if not 0 <= self.identifier < 2**width:
            raise ValueError(f"{self.name}: identifier {self.identifier:#x} does not fit in {width} bits")
        most = 64 if self.flexible else 8
        if not 0 <= self.data_bytes <= most:
            raise ValueError(f"{self.name}: {self.data_bytes} data bytes, but the frame carries 0 to {most}")
        if self.period <= 0 or self.deadline <= 0 or self.jitter < 0:
            raise ValueError(f"{self.name}: period and deadline must be above zero, jitter not below")

    @property
    def priority(self) -> tuple[int, bool, int]:
        """Sort key of arbitration, the winner first.

        The first 11 identifier bits decide; then RTR (RRS) of a base frame is dominant where SRR of an
        extended one is recessive, so the base frame wins; then the other 18 bits.
        """
        if not self.extended:
            return (self.identifier, False, 0)
        return (self.identifier >> 18, True, self.identifier & 0x3FFFF)


def frame_bits(bus: CanBus, message: BusMessage) -> FrameBits:
    """Return the most bits of one frame of the message on this bus."""
    if message.flexible:
        return fd_frame_bits(message.data_bytes, message.extended, switched=bus.data_bit is not None)
    return classic_frame_bits(message.data_bytes, message.extended)


def frame_time(bus: CanBus, message: BusMessage) -> int:
    """Return the longest time (fs) that one frame of the message keeps the bus, interframe space included."""
    bits = frame_bits(bus, message)
    return bits.nominal_bits * bus.nominal_bit + bits.data_bits * (bus.data_bit or 0)


@dataclass(frozen=True)
class ErrorLoad:
    """Transmission errors to be borne: in any window of t fs at most ``burst + ceil(t/interval)``.

    ``interval`` (fs) ``None`` stands for the burst alone. Each error costs ``overhead_bits`` nominal bit
    times of signalling and a frame once more. 31 bits (Davis et al. 2007, from memory): error flags 6 + 6,
    delimiter 8, intermission 3 and, of an error-passive transmitter, suspended transmission 8. Raises
    ``ValueError`` for a negative count or an interval that is not positive.
    """

    burst: int = 0
    interval: int | None = None
    overhead_bits: int = 31

    def __post_init__(self) -> None:
        if self.burst < 0 or self.overhead_bits < 0:
            raise ValueError("burst and overhead must not be negative")
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

    ``response = jitter + blocking + interference + earlier + errors + frame - instance*period``, where
    ``instance`` counts the worst instance in the busy period from 0 and ``earlier = instance*frame`` are
    those before it. ``blocking`` is the longest frame of lower priority (``blocked_by``), ``busy_period``
    and ``instances`` what was searched. The frame counts with its interframe space, as in the paper. Where
    no bound exists or none was found ``unbounded`` says why, ``response`` and its other terms are ``None``
    or empty, and the deadline counts as missed.
    """

    message: BusMessage
    frame: int
    jitter: int
    blocking: int
    blocked_by: str | None
    response: int | None
    unbounded: str | None = None
    busy_period: int | None = None
    instances: int | None = None
    instance: int | None = None
    earlier: int | None = None
    interference: tuple[Interference, ...] = ()
    errors: int | None = None

    @property
    def met(self) -> bool:
        """Whether the response is bounded and not later than the deadline."""
        return self.response is not None and self.response <= self.message.deadline

    @property
    def margin(self) -> int | None:
        """Deadline less response (fs), negative where missed; ``None`` where unbounded."""
        return None if self.response is None else self.message.deadline - self.response


def _ceil_div(amount: int, by: int) -> int:
    return -(-amount // by)


def _load(bus: CanBus, messages: Sequence[BusMessage]) -> Fraction:
    return sum((Fraction(frame_time(bus, message), message.period) for message in messages), Fraction(0))


def bus_load(bus: CanBus, messages: Sequence[BusMessage]) -> int:
    """Return the share of time (ratio in 1e-12, rounded up) that the messages keep the bus, sum of C/T."""
    load = _load(bus, messages) * 10**12
    return _ceil_div(load.numerator, load.denominator)


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
    per_error = errors.overhead_bits * bus.nominal_bit + resent
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
    return ResponseTime(
        message=level.message,
        frame=level.frame,
        jitter=level.message.jitter,
        blocking=level.blocking,
        blocked_by=level.blocked_by,
        response=None,
        unbounded=why,
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
    return ResponseTime(
        message=level.message,
        frame=level.frame,
        jitter=level.message.jitter,
        blocking=level.blocking,
        blocked_by=level.blocked_by,
        response=level.message.jitter + waits[worst] - worst * level.message.period + level.frame,
        busy_period=busy_period,
        instances=instances,
        instance=worst,
        earlier=worst * level.frame,
        interference=tuple(
            Interference(message.name, frames, time)
            for message, frames, time in level.interference(waits[worst] + level.bit)
        ),
        errors=level.error_time(waits[worst] + level.frame),
    )
