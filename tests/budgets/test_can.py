"""CAN frame lengths and response times against a published example, bit-level frames, a simulated bus."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from fractions import Fraction
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chainplan.budgets.can import (
    BusMessage,
    CanBus,
    ErrorLoad,
    ResponseTime,
    bus_load,
    classic_frame_bits,
    fd_frame_bits,
    frame_bits,
    frame_time,
    padded_length,
    response_times,
)

MS = 10**12  # fs
US = 10**9
BUS_125K = CanBus(8 * US)
ALL_FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)


# A bit-level encoder, written from the frame formats and without the bounds
# ------------------------------------

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
    assert classic_frame_bits(data_bytes, extended).total == bits


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
    assert bound.total == width + bound.nominal_stuff + 13


def test_no_base_frame_without_data_is_longer_than_the_bound() -> None:
    # Every identifier. The fixed bits and the CRC keep real frames below the bound: it is not reached at
    # this size.
    longest = max(_classic(identifier, False, b"") for identifier in range(2048))
    assert 51 <= longest <= classic_frame_bits(0, False).total == 55


PATTERNS = (0x00, 0xFF, 0x0F, 0xF0, 0x1E, 0xE1, 0x3C, 0xC3, 0x78, 0x87)


@given(
    st.integers(0, 2**29 - 1) | st.sampled_from([0, 2**29 - 1, 0x01E1E1E1, 0x1E1E1E1E, 0x00787878]),
    st.booleans(),
    st.lists(st.sampled_from(PATTERNS) | st.integers(0, 255), max_size=8),
)
def test_no_classic_frame_is_longer_than_the_bound(identifier: int, extended: bool, data: list[int]) -> None:
    identifier = identifier if extended else identifier >> 18
    assert _classic(identifier, extended, bytes(data)) <= classic_frame_bits(len(data), extended).total


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
    assert bits.total == 713
    # 16 bytes still carry the shorter CRC, 17 (padded to 20) the longer one: 4 more CRC bits, 1 more fixed
    # stuff bit, and 4 bytes with a stuff bit for every four of their bits.
    step = fd_frame_bits(17, False, switched=True).total - fd_frame_bits(16, False, switched=True).total
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
    classic = _message(7, 1, 10 * MS)
    assert frame_time(BUS_125K, classic) == MS
    flexible = _message(64, 1, 10 * MS, flexible=True)
    # 34 nominal bits at 500 kbit/s and 679 data bits at 2 Mbit/s.
    assert frame_time(CanBus(2 * US, US // 2), flexible) == 34 * 2 * US + 679 * US // 2
    # Without a change of rate every one of the 713 bits is nominal.
    assert frame_time(CanBus(2 * US), flexible) == 713 * 2 * US
    assert frame_bits(CanBus(2 * US), flexible).data_bits == 0


# Response times --------------------------------------------------------------------------------------------


def _message(
    data_bytes: int,
    identifier: int,
    period: int,
    *,
    deadline: int | None = None,
    jitter: int = 0,
    extended: bool = False,
    flexible: bool = False,
) -> BusMessage:
    return BusMessage(
        name=f"message {identifier}",
        identifier=identifier,
        data_bytes=data_bytes,
        extended=extended,
        period=period,
        jitter=jitter,
        deadline=period if deadline is None else deadline,
        flexible=flexible,
    )


def _added_up(result: ResponseTime) -> int:
    assert result.instance is not None
    assert result.earlier is not None
    assert result.errors is not None
    gone_first = sum(other.time for other in result.interference)
    return (
        result.jitter
        + result.blocking
        + gone_first
        + result.earlier
        + result.errors
        + result.frame
        - result.instance * result.message.period
    )


# Davis, Burns, Bril and Lukkien 2007, three-message example (from memory): 7 bytes at 125 kbit/s.
PAPER = (
    _message(7, 1, 5 * MS // 2, deadline=5 * MS // 2),
    _message(7, 2, 7 * MS // 2, deadline=13 * MS // 4),
    _message(7, 3, 7 * MS // 2, deadline=13 * MS // 4),
)


def test_published_example() -> None:
    first, second, third = response_times(BUS_125K, PAPER)
    assert [result.response for result in (first, second, third)] == [2 * MS, 3 * MS, 7 * MS // 2]
    # The third misses at its second instance, in a busy period of 7.0 ms. The first instance alone says 3.0
    # ms.
    assert third.busy_period == 7 * MS
    assert third.instances == 2
    assert third.instance == 1
    assert [result.met for result in (first, second, third)] == [True, True, False]
    assert third.margin == -MS // 4
    assert second.blocked_by == "message 3"
    assert third.blocked_by is None


def test_the_terms_add_up() -> None:
    for result in response_times(BUS_125K, PAPER, ErrorLoad(burst=0, interval=500 * MS)):
        if result.response is not None:
            assert _added_up(result) == result.response


def test_a_lone_message_waits_for_nothing() -> None:
    (only,) = response_times(BUS_125K, [_message(7, 1, 10 * MS)])
    assert only.response == MS
    assert (only.blocking, only.interference, only.instances) == (0, (), 1)


def test_jitter_adds_to_the_response_and_to_the_interference() -> None:
    # By hand: the higher message, 4 ms period and 3 ms jitter, queues twice within 1 ms; C = 1 ms each.
    high = _message(7, 1, 4 * MS, jitter=3 * MS)
    low = _message(7, 2, 20 * MS, jitter=MS // 2)
    first, second = response_times(BUS_125K, [low, high])
    assert first.message is high
    # Blocked 1 ms, own frame 1 ms, jitter 3 ms; the next instance may queue 1 ms after: 1 + 2 - 4 + 3 + 1 =
    # 3 ms.
    assert first.response == 5 * MS
    # w = ceil((w + 3)/4): 1 ms -> ceil((1 + 3 + bit)/4) = 2 frames, so 2 ms; own frame 1 ms, jitter 0.5 ms.
    assert second.response == 7 * MS // 2
    assert second.interference[0].frames == 2


def test_jitter_lengthens_the_busy_period() -> None:
    # The published example with 1 ms of jitter on the third message. By hand, in ms: the busy period climbs
    # 1, 3, 5, 6, 7, 8, 10, 11, 13, 14, 15, 16, 17, 18, 20 = ceil(20/2.5) + ceil(20/3.5) + ceil(21/3.5), six
    # instances; the second queues 6 and is the worst: 1 + 6 - 3.5 + 1 = 4.5.
    shaken = (*PAPER[:2], _message(7, 3, 7 * MS // 2, jitter=MS))
    third = response_times(BUS_125K, shaken)[2]
    assert (third.busy_period, third.instances) == (20 * MS, 6)
    assert (third.instance, third.response) == (1, 9 * MS // 2)
    assert _added_up(third) == third.response


def test_bus_load() -> None:
    # 1/2.5 + 2/3.5 = 34/35 of the bus.
    assert bus_load(BUS_125K, PAPER) == -(-34 * 10**12 // 35)
    assert bus_load(BUS_125K, []) == 0


def test_overload_has_no_bound() -> None:
    # Three frames of 1 ms every 2.5 ms: 120 % of the bus. The two of higher priority still have bounds.
    results = response_times(BUS_125K, [_message(7, n, 5 * MS // 2) for n in (1, 2, 3)])
    assert [result.response is None for result in results] == [False, False, True]
    assert results[2].unbounded is not None
    assert not results[2].met
    assert results[2].margin is None
    assert results[2].frame == MS


def test_a_full_bus_has_a_bound_only_if_nothing_blocks() -> None:
    # Two frames of 1 ms every 2 ms: exactly the whole bus.
    both = [_message(7, 1, 2 * MS), _message(7, 2, 2 * MS)]
    assert [result.response for result in response_times(BUS_125K, both)] == [2 * MS, 2 * MS]
    shaken = [both[0], _message(7, 2, 2 * MS, jitter=1)]
    assert response_times(BUS_125K, shaken)[1].response is None
    assert response_times(BUS_125K, both, ErrorLoad(burst=1))[1].response is None


def test_an_almost_full_bus_ends_without_a_bound_instead_of_running_on() -> None:
    # Load 1 - 5e-13 with blocking: a busy period of about 1e12 frames, which is not walked through.
    crowded = [_message(7, 1, 2 * MS), _message(7, 2, 2 * MS + 2), _message(7, 3, 10**6 * MS)]
    result = response_times(BUS_125K, crowded)[1]
    assert result.response is None
    assert result.unbounded is not None
    assert "steps" in result.unbounded


def test_errors_cost_their_signalling_and_a_frame_each() -> None:
    # One message of 1 ms; two errors cost 2 * (31 * 8 us + 1 ms).
    (result,) = response_times(BUS_125K, [_message(7, 1, 100 * MS)], ErrorLoad(burst=2))
    assert result.errors == 2 * (31 * 8 * US + MS)
    assert result.response == 3 * MS + 62 * 8 * US
    # One error per 10 ms in a window of 1 ms + 1.248 ms is one error.
    (result,) = response_times(BUS_125K, [_message(7, 1, 100 * MS)], ErrorLoad(interval=10 * MS))
    assert result.response == 2 * MS + 31 * 8 * US
    # More errors than the bus can make good: no bound.
    (result,) = response_times(BUS_125K, [_message(7, 1, 100 * MS)], ErrorLoad(interval=MS))
    assert result.response is None


def test_errors_that_strike_while_it_waits_for_errors_count_too() -> None:
    # C = 1 ms, blocked for 1 ms; an error every 2 ms costs 31 * 8 us + 1 ms = 1.248 ms. Errors may strike
    # until the frame's end, w + C: w = 1 + n * 1.248 with n = ceil((w + 1)/2), the least n with
    # 2 + 1.248 n <= 2 n: 3.
    both = [_message(7, 1, 100 * MS), _message(7, 2, 100 * MS)]
    result = response_times(BUS_125K, both, ErrorLoad(interval=2 * MS))[0]
    assert result.errors == 3 * (31 * 8 * US + MS)
    assert result.response == 2 * MS + result.errors


def test_a_full_bus_says_what_it_leaves_no_time_for() -> None:
    shaken = [_message(7, 1, 2 * MS), _message(7, 2, 2 * MS, jitter=1)]
    why = response_times(BUS_125K, shaken)[1].unbounded
    assert why is not None
    assert why.endswith("leave no time for blocking, jitter or errors")


def test_an_error_may_cost_the_longest_frame_that_goes_first() -> None:
    # High: 1 ms. Low: 55 bits, 0.44 ms. The worst error strikes the end of the longer frame, which is sent
    # again.
    high, low = _message(7, 1, 100 * MS), _message(0, 2, 100 * MS)
    result = response_times(BUS_125K, [high, low], ErrorLoad(burst=1))[1]
    assert result.response == 2 * MS + 31 * 8 * US + 55 * 8 * US
    seen = _simulate(BUS_125K, [high, low], [[(0, 0)], [(0, 0)]], error_times=[MS - 1])
    assert seen[1] == result.response - 1


def test_priority_follows_arbitration() -> None:
    # The same 11 leading bits: the base frame's RTR bit is dominant where the extended frame's SRR is
    # recessive.
    base = _message(1, 0x123, 100 * MS)
    extended = _message(1, 0x123 << 18, 100 * MS, extended=True)
    above = _message(1, 0x122 << 18 | 0x3FFFF, 100 * MS, extended=True)
    ordered = [result.message for result in response_times(BUS_125K, [extended, base, above])]
    assert ordered == [above, base, extended]


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="share identifier"):
        response_times(BUS_125K, [_message(1, 5, MS), _message(2, 5, MS)])
    with pytest.raises(ValueError, match="11 bits"):
        _message(1, 2048, MS)
    with pytest.raises(ValueError, match="29 bits"):
        _message(1, 2**29, MS, extended=True)
    with pytest.raises(ValueError, match="0 to 8"):
        _message(9, 1, MS)
    with pytest.raises(ValueError, match="0 to 64"):
        _message(65, 1, MS, flexible=True)
    with pytest.raises(ValueError, match="period"):
        _message(1, 1, 0)
    with pytest.raises(ValueError, match="nominal"):
        CanBus(0)
    with pytest.raises(ValueError, match="data bit"):
        CanBus(US, 2 * US)
    with pytest.raises(ValueError, match="0 to 8"):
        classic_frame_bits(9, False)
    with pytest.raises(ValueError, match="burst"):
        ErrorLoad(burst=-1)
    with pytest.raises(ValueError, match="interval"):
        ErrorLoad(interval=0)


# A simulated bus -------------------------------------------------------------------------------------------


def _simulate(
    bus: CanBus,
    messages: Sequence[BusMessage],
    queued: Sequence[Sequence[tuple[int, int]]],
    error_times: Sequence[int] = (),
) -> list[int]:
    """Play a bus and return the longest response of each message.

    ``queued`` holds (queueing time, release time) of every instance of every message. Whoever has queued
    within one bit time after a start of frame takes part in that arbitration. A frame hit by an error is
    broken off there and sent again after 31 bit times of error signalling. An event loop, written without
    the bounds.
    """
    errors = sorted(error_times)
    arrivals = sorted(
        (queue, messages[index].priority, release, index)
        for index, instances in enumerate(queued)
        for queue, release in instances
    )
    waiting: list[tuple[tuple[int, bool, int], int, int]] = []
    longest = [0] * len(messages)
    now = 0
    while arrivals or waiting:
        if not waiting:
            now = max(now, arrivals[0][0])
        while arrivals and arrivals[0][0] < now + bus.nominal_bit:
            _, priority, release, index = arrivals.pop(0)
            heapq.heappush(waiting, (priority, release, index))
        priority, release, index = heapq.heappop(waiting)
        end = now + frame_time(bus, messages[index])
        while errors and errors[0] < now:
            errors.pop(0)
        if errors and errors[0] < end:
            now = errors.pop(0) + 31 * bus.nominal_bit
            heapq.heappush(waiting, (priority, release, index))
            continue
        now = end
        longest[index] = max(longest[index], end - release)
    return longest


SIM_BUS = CanBus(8 * US, 2 * US)


@st.composite
def message_sets(draw: st.DrawFn) -> list[BusMessage]:
    """Two to five messages of one bus, loaded anywhere from lightly to beyond its capacity."""
    count = draw(st.integers(2, 5))
    found = []
    for identifier in range(count):
        flexible = draw(st.booleans())
        period = draw(st.integers(5, 60)) * MS // 4
        jitter = draw(st.sampled_from([0, 0, 1, MS // 3, 2 * MS]))
        size = draw(st.integers(0, 8)) if not flexible else draw(st.sampled_from(ALL_FD_LENGTHS))
        found.append(_message(size, identifier, period, jitter=jitter, flexible=flexible))
    return found


def _check_against(results: Sequence[ResponseTime], longest: Sequence[int]) -> None:
    for result, seen in zip(results, longest, strict=True):
        if result.response is not None:
            assert seen <= result.response, result.message.name


@settings(max_examples=60, deadline=None)
@given(message_sets(), st.data())
def test_no_simulated_response_exceeds_the_bound(messages: list[BusMessage], data: st.DataObject) -> None:
    queued = []
    for message in messages:
        offset = data.draw(st.integers(0, message.period - 1))
        shifts = data.draw(st.lists(st.integers(0, message.jitter), min_size=1, max_size=5))
        # Instances of one message queue in the order of their release.
        times = sorted(
            (offset + n * message.period + shifts[n % len(shifts)], offset + n * message.period)
            for n in range(25)
        )
        queued.append(list(zip(sorted(q for q, _ in times), sorted(r for _, r in times), strict=True)))
    _check_against(response_times(SIM_BUS, messages), _simulate(SIM_BUS, messages, queued))


def _critical(messages: Sequence[BusMessage], index: int, instances: int) -> list[list[tuple[int, int]]]:
    """Return the critical instant of a message.

    It and all higher ones queue together, the first after its whole jitter and the next as early as they may;
    the longest lower frame has just started.
    """
    start = 1000 * MS
    queued: list[list[tuple[int, int]]] = []
    lower = [(frame_time(SIM_BUS, m), place) for place, m in enumerate(messages) if place > index]
    blocker = max(lower)[1] if lower else None
    for place, message in enumerate(messages):
        if place <= index:
            releases = [start - message.jitter + n * message.period for n in range(instances)]
            queued.append([(max(start, release), release) for release in releases])
        elif place == blocker:
            # One bit time earlier, so that the others are just too late for its arbitration.
            queued.append([(start - SIM_BUS.nominal_bit, start - SIM_BUS.nominal_bit)])
        else:
            queued.append([])
    return queued


@settings(max_examples=60, deadline=None)
@given(message_sets())
def test_the_critical_instant_comes_within_one_bit_time_of_the_bound(messages: list[BusMessage]) -> None:
    results = response_times(SIM_BUS, messages)
    for index, result in enumerate(results):
        if result.response is None or result.instances is None or result.instances > 40:
            continue
        longest = _simulate(SIM_BUS, messages, _critical(messages, index, 60))
        assert longest[index] <= result.response
        # The blocking frame must start a bit time before the instant, so a bit time of blocking is not
        # suffered; a higher message may fall into that bit time and into the one after the arbitration.
        higher = sum(frame_time(SIM_BUS, m) for m in messages[:index])
        assert longest[index] >= result.response - SIM_BUS.nominal_bit - higher


def test_the_published_example_is_reached_in_simulation() -> None:
    # Nothing blocks the third message: its critical instant gives exactly the published 3.5 ms.
    queued = [[(n * m.period, n * m.period) for n in range(20)] for m in PAPER]
    assert _simulate(BUS_125K, PAPER, queued)[2] == 7 * MS // 2


@settings(max_examples=60, deadline=None)
@given(message_sets(), st.integers(20, 80), st.integers(0, 2), st.data())
def test_no_simulated_response_with_errors_exceeds_the_bound(
    messages: list[BusMessage], interval: int, burst: int, data: st.DataObject
) -> None:
    load = ErrorLoad(burst=burst, interval=interval * MS)
    strike = 1000 * MS + data.draw(st.integers(0, 5 * MS))
    # `burst` errors close together, and one every interval: what the load allows in any window.
    regular = [strike + n * load.interval for n in range(40) if load.interval is not None]
    together = [strike + MS // 2 * (n + 1) for n in range(burst)]
    results = response_times(SIM_BUS, messages, load)
    for index, result in enumerate(results):
        if result.response is not None:
            longest = _simulate(SIM_BUS, messages, _critical(messages, index, 30), [*regular, *together])
            assert longest[index] <= result.response


def test_load_is_the_exact_sum() -> None:
    messages = [_message(n, n, (n + 3) * MS) for n in range(9)]
    exact = sum(Fraction(frame_time(BUS_125K, m), m.period) for m in messages)
    assert bus_load(BUS_125K, messages) - 1 < exact * 10**12 <= bus_load(BUS_125K, messages)
