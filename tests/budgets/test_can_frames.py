"""CAN frame lengths against published lengths, bit-level frames and an exhaustive search."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product

import pytest
from can_messages import ALL_FD_LENGTHS, BUS_125K, MS, US, can_message
from hypothesis import given
from hypothesis import strategies as st

from chainplan.budgets.uplink.can_frames import (
    CanBus,
    classic_frame_bits,
    fd_frame_bits,
    frame_bits,
    frame_time,
    padded_length,
)

# A bit-level encoder, written from the frame formats and without the bounds --------------------------------

Bits = list[int]


def _binary(value: int, width: int) -> Bits:
    return [value >> place & 1 for place in reversed(range(width))]


def _stuff(bits: Iterable[int], after_the_last: bool) -> Bits:
    """Insert a complement after five equal bits; stuff bits count themselves (ISO 11898-1, bit stuffing)."""
    out: Bits = []
    run = 0
    bits = list(bits)
    for place, bit in enumerate(bits):
        run = run + 1 if out and out[-1] == bit else 1
        out.append(bit)
        if run == 5 and (after_the_last or place < len(bits) - 1):
            out.append(1 - bit)
            run = 1
    return out


def _crc15(bits: Iterable[int]) -> int:
    """CRC of classic CAN: polynomial 0x4599, start value 0."""
    register = 0
    for bit in bits:
        top = bit ^ register >> 14
        register = register << 1 & 0x7FFF
        if top:
            register ^= 0x4599
    return register


def _classic(identifier: int, extended: bool, data: bytes) -> int:
    """Return the number of bits of a classic data frame, interframe space included."""
    if extended:
        head = [0, *_binary(identifier >> 18, 11), 1, 1, *_binary(identifier & 0x3FFFF, 18), 0, 0, 0]
    else:
        head = [0, *_binary(identifier, 11), 0, 0, 0]
    bits = [*head, *_binary(len(data), 4), *(bit for byte in data for bit in _binary(byte, 8))]
    stuffed = _stuff([*bits, *_binary(_crc15(bits), 15)], after_the_last=True)
    crc_delimiter, acknowledge, end_of_frame, intermission = 1, 2, 7, 3
    return len(stuffed) + crc_delimiter + acknowledge + end_of_frame + intermission


def _flexible(identifier: int, extended: bool, data: bytes, switched: bool, passive: bool) -> tuple[int, int]:
    """Return the bits of a CAN FD frame before the data phase's first bit (ESI) and after it.

    The second count ends with the CRC delimiter; the 12 nominal bits behind it are in the first.
    """
    if extended:
        head = [0, *_binary(identifier >> 18, 11), 1, 1, *_binary(identifier & 0x3FFFF, 18), 0]
    else:
        head = [0, *_binary(identifier, 11), 0, 0]
    head += [1, 0, int(switched)]  # FDF, res, BRS
    tail = [int(passive), *_binary(ALL_FD_LENGTHS.index(len(data)), 4)]
    tail += [bit for byte in data for bit in _binary(byte, 8)]
    before = len(_stuff(head, after_the_last=True))
    dynamic = len(_stuff([*head, *tail], after_the_last=False)) - before
    crc_field = 4 + (17 if len(data) <= 16 else 21)  # stuff count, then CRC
    fixed = 1 + sum(1 for place in range(1, crc_field + 1) if place % 4 == 0)
    return before + 12, dynamic + fixed + crc_field + 1


def _most_stuff_bits(pattern: str, after_the_last: bool) -> int:
    """Return the most stuff bits over all bit strings that fit the pattern of 0, 1 and x (either).

    An exhaustive search: what stuffing does next depends only on the last bit and the length of its run, so
    of all strings that end alike the one with the most stuff bits so far is kept.
    """
    most: dict[tuple[int, int], int] = {(-1, 0): 0}
    for place, symbol in enumerate(pattern):
        following: dict[tuple[int, int], int] = {}
        for ((last, length), count), bit in product(most.items(), (0, 1)):
            if symbol not in ("x", str(bit)):
                continue
            run = length + 1 if bit == last else 1
            stuffed = run == 5 and (after_the_last or place < len(pattern) - 1)
            state = (1 - bit, 1) if stuffed else (bit, run)
            following[state] = max(following.get(state, 0), count + stuffed)
        most = following
    return max(most.values())


def _head(extended: bool) -> str:
    """Return start of frame to the last bit before the reserved bit or FDF, identifier bits free."""
    return "0" + "x" * 11 + ("11" + "x" * 18 + "0" if extended else "00")


@given(st.text("01x", min_size=5, max_size=10), st.booleans())
def test_the_exhaustive_search_finds_what_trying_every_string_finds(
    pattern: str, after_the_last: bool
) -> None:
    choices = [(0, 1) if symbol == "x" else (int(symbol),) for symbol in pattern]
    tried = max(len(_stuff(bits, after_the_last)) for bits in product(*choices)) - len(pattern)
    assert _most_stuff_bits(pattern, after_the_last) == tried


def test_the_encoders_crc() -> None:
    # CRC-15/CAN, check value 0x059E for "123456789" (catalogue of parametrised CRC algorithms; from memory).
    assert _crc15(bit for byte in b"123456789" for bit in _binary(byte, 8)) == 0x059E


def test_the_encoders_stuffing() -> None:
    # Five dominant bits, the stuff bit, four recessive ones that it completes to five, the next stuff bit.
    assert _stuff([0, 0, 0, 0, 0, 1, 1, 1, 1], after_the_last=True) == [0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 0]
    assert _stuff([0, 0, 0, 0, 0], after_the_last=False) == [0, 0, 0, 0, 0]


# Classic frames --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data_bytes", "extended", "bits"),
    # Davis, Burns, Bril and Lukkien 2007: 55 + 10*s and 80 + 10*s bits (from memory).
    [(8, False, 135), (8, True, 160), (1, False, 65), (7, False, 125), (0, False, 55), (0, True, 80)],
)
def test_published_worst_case_lengths(data_bytes: int, extended: bool, bits: int) -> None:
    assert sum(classic_frame_bits(data_bytes, extended)) == bits


@pytest.mark.parametrize("width", range(5, 15))
def test_the_stuffing_term_is_reached_by_some_bits_and_passed_by_none(width: int) -> None:
    # Every string of `width` bits that starts with the dominant start-of-frame bit.
    most = (
        max(len(_stuff((0, *rest), after_the_last=True)) for rest in product((0, 1), repeat=width - 1))
        - width
    )
    assert most == (width - 1) // 4


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("data_bytes", range(9))
def test_the_stuffing_term_of_every_size_is_reached_by_the_worst_string(
    data_bytes: int, extended: bool
) -> None:
    # The worst string: five dominant bits, then four recessive, four dominant and so on.
    width = (54 if extended else 34) + 8 * data_bytes
    worst = [0, *((place // 4) % 2 for place in range(width - 1))]
    bound = classic_frame_bits(data_bytes, extended)
    assert len(_stuff(worst, after_the_last=True)) - width == bound.nominal_stuff
    assert sum(bound) == width + bound.nominal_stuff + 13


def test_no_base_frame_without_data_is_longer_than_the_bound() -> None:
    # Every identifier. The fixed bits and the CRC keep real frames below the bound: it is not reached at
    # this size.
    longest = max(_classic(identifier, False, b"") for identifier in range(2048))
    assert 51 <= longest <= sum(classic_frame_bits(0, False)) == 55


PATTERNS = (0x00, 0xFF, 0x0F, 0xF0, 0x1E, 0xE1, 0x3C, 0xC3, 0x78, 0x87)


@given(
    st.integers(0, 2**29 - 1) | st.sampled_from([0, 2**29 - 1, 0x01E1E1E1, 0x1E1E1E1E, 0x00787878]),
    st.booleans(),
    st.lists(st.sampled_from(PATTERNS) | st.integers(0, 255), max_size=8),
)
def test_no_classic_frame_is_longer_than_the_bound(identifier: int, extended: bool, data: list[int]) -> None:
    identifier = identifier if extended else identifier >> 18
    assert _classic(identifier, extended, bytes(data)) <= sum(classic_frame_bits(len(data), extended))


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("data_bytes", range(9))
def test_the_classic_bound_is_at_most_two_bits_above_the_worst_frame(data_bytes: int, extended: bool) -> None:
    # Every identifier, all data and any CRC. The reserved bits and the length code keep it off the bound.
    reserved = "00" if extended else "0"
    stuffed = _head(extended) + reserved + format(data_bytes, "04b") + "x" * (8 * data_bytes + 15)
    spare = classic_frame_bits(data_bytes, extended).nominal_stuff - _most_stuff_bits(stuffed, True)
    assert 0 <= spare <= 2
    if (data_bytes, extended) == (1, False):
        assert spare == 0  # the code 0001 lies right: the published formula is exact here


# CAN FD frames ---------------------------------------------------------------------------------------------


def test_padded_lengths() -> None:
    # ISO 11898-1:2015, data length code of CAN FD (from memory).
    assert [padded_length(n) for n in (0, 8, 9, 12, 13, 17, 21, 25, 33, 49, 64)] == [
        0, 8, 12, 12, 16, 20, 24, 32, 48, 64, 64,
    ]  # fmt: skip
    with pytest.raises(ValueError, match="0 to 64"):
        padded_length(65)
    with pytest.raises(ValueError, match="0 to 64"):
        fd_frame_bits(-1, False, switched=True)


def test_fd_frame_counted_by_hand() -> None:
    # 64 bytes, base format: 17 + 12 nominal bits, 3 stuff bits, 2 late; ESI 1, DLC 4, data 512, stuff count
    # 4, CRC 21, delimiter 1; 7 fixed stuff bits; 129 stuff bits.
    bits = fd_frame_bits(64, False, switched=True)
    assert (bits.nominal, bits.nominal_stuff, bits.late) == (29, 3, 2)
    assert (bits.data, bits.data_stuff, bits.fixed_stuff) == (543, 129, 7)
    assert sum(bits) == 713
    # 16 bytes still carry the shorter CRC, 17 (padded to 20) the longer one: 4 more CRC bits, 1 more fixed
    # stuff bit, and 4 bytes with a stuff bit for every four of their bits.
    step = sum(fd_frame_bits(17, False, switched=True)) - sum(fd_frame_bits(16, False, switched=True))
    assert step == 4 + 1 + 32 + 8


def _fd_parts(size: int, extended: bool, switched: bool) -> tuple[int, int]:
    bits = fd_frame_bits(size, extended, switched)
    if switched:
        return bits.nominal_bits - bits.late, bits.data_bits
    return bits.nominal_bits - bits.late, 0


@pytest.mark.parametrize("switched", [True, False])
def test_every_empty_base_fd_frame(switched: bool) -> None:
    # All identifiers, both states of ESI: the nominal part of the bound is reached.
    found = [
        _flexible(identifier, False, b"", switched, esi)
        for identifier in range(2048)
        for esi in (False, True)
    ]
    nominal, data = _fd_parts(0, False, switched)
    if switched:
        assert max(before for before, _ in found) == nominal
        # Start pattern and data length code 0000 break the run: the data part stays one bit below its bound.
        assert max(after for _, after in found) == data - 1
    else:
        assert max(before + after for before, after in found) == nominal


def _spare_bits(size: int, extended: bool, switched: bool) -> int:
    """Return by how many stuff bits the bound exceeds the worst of all frames of this kind."""
    head = _head(extended) + "10" + str(int(switched))  # FDF, res, BRS
    tail = "x" + format(ALL_FD_LENGTHS.index(size), "04b") + "x" * (8 * size)  # ESI, code, data
    bits = fd_frame_bits(size, extended, switched)
    return bits.nominal_stuff + bits.data_stuff - _most_stuff_bits(head + tail, after_the_last=False)


@pytest.mark.parametrize("switched", [True, False])
@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("size", ALL_FD_LENGTHS)
def test_the_fd_bound_is_at_most_three_bits_above_the_worst_frame(
    size: int, extended: bool, switched: bool
) -> None:
    # Every identifier, both states of ESI, all data. The length code is a fixed pattern that may break a run;
    # recessive SRR and IDE cost an extended frame one more.
    assert 0 <= _spare_bits(size, extended, switched) <= (3 if extended else 2)


@pytest.mark.parametrize(
    ("size", "switched"),
    [
        (48, True),  # recessive BRS, ESI and code 1110 make five equal bits
        (0, False),  # dominant res, BRS, ESI and code 00xx do
        (3, False),  # the same, and the last two bits of 0011 begin the next run
    ],
)
def test_the_fd_bound_is_reached(size: int, switched: bool) -> None:
    assert _spare_bits(size, extended=False, switched=switched) == 0


def test_a_frame_of_48_bytes_that_reaches_the_bound() -> None:
    # The same as a frame on the wire. Identifier: 0000 1111 000 behind the dominant start bit, then RRS.
    # Data: 3 dominant bits complete the run begun by the last bit of code 1110, then fours in turn.
    bits = [0, 0, 0, *((1 + place // 4) % 2 for place in range(8 * 48 - 3))]
    data = int("".join(map(str, bits)), 2).to_bytes(48, "big")
    assert _flexible(0b00001111000, False, data, True, True) == _fd_parts(48, False, switched=True)


@given(
    st.integers(0, 2**29 - 1) | st.sampled_from([0, 2**29 - 1, 0x01E1E1E1, 0x1E1E1E1E, 0x00787878]),
    st.booleans(),
    st.sampled_from(ALL_FD_LENGTHS),
    st.lists(st.sampled_from(PATTERNS) | st.integers(0, 255), min_size=1, max_size=6),
    st.booleans(),
    st.booleans(),
)
def test_no_fd_frame_is_longer_than_the_bound(
    identifier: int, extended: bool, size: int, pattern: list[int], switched: bool, passive: bool
) -> None:
    identifier = identifier if extended else identifier >> 18
    data = bytes((pattern * 64)[:size])
    before, after = _flexible(identifier, extended, data, switched, passive)
    nominal, other = _fd_parts(size, extended, switched)
    if switched:
        assert before <= nominal
        assert after <= other
    else:
        assert before + after <= nominal


def test_frame_times() -> None:
    # 125 bits at 125 kbit/s: 1.0 ms (the paper's example).
    classic = can_message(7, 1, 10 * MS)
    assert frame_time(BUS_125K, classic) == MS
    flexible = can_message(64, 1, 10 * MS, flexible=True)
    # 34 nominal bits at 500 kbit/s and 679 data bits at 2 Mbit/s.
    assert frame_time(CanBus(2 * US, US // 2), flexible) == 34 * 2 * US + 679 * US // 2
    # Without a change of rate every one of the 713 bits is nominal.
    assert frame_time(CanBus(2 * US), flexible) == 713 * 2 * US
    assert frame_bits(CanBus(2 * US), flexible).data_bits == 0


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="11 bits"):
        can_message(1, 2048, MS)
    with pytest.raises(ValueError, match="29 bits"):
        can_message(1, 2**29, MS, extended=True)
    with pytest.raises(ValueError, match="0 to 8"):
        can_message(9, 1, MS)
    with pytest.raises(ValueError, match="0 to 64"):
        can_message(65, 1, MS, flexible=True)
    with pytest.raises(ValueError, match="period"):
        can_message(1, 1, 0)
    with pytest.raises(ValueError, match="nominal"):
        CanBus(0)
    with pytest.raises(ValueError, match="data bit"):
        CanBus(US, 2 * US)
    with pytest.raises(ValueError, match="0 to 8"):
        classic_frame_bits(9, False)
