"""Worst-case frame lengths on CAN and CAN FD.

Lengths count every bit from start of frame to the end of the interframe space, with the most stuff bits that
any identifier and any data can cause. All times are whole femtoseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

# Data lengths above 8 bytes that the data length code of CAN FD can say (ISO 11898-1:2015, data length code;
# from memory).
FD_LENGTHS = (12, 16, 20, 24, 32, 48, 64)


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
