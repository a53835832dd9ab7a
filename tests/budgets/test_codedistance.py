"""Hamming distances of check codes checked against published code tables."""

from __future__ import annotations

import pytest
from code_oracles import codes
from hypothesis import given, settings
from hypothesis import strategies as st

from chainplan.budgets.errors import code_distance as codedistance
from chainplan.budgets.errors.code_distance import hamming_distance
from chainplan.budgets.errors.code_words import CodewordSearchError

CRC32 = 0x04C11DB7  # IEEE 802.3


def ends_at(polynomial: int, width: int, distance: int, data_bits: int) -> bool:
    """Tell whether a distance holds at a published length and no more at the next one (0: at none)."""
    return (not data_bits or hamming_distance(polynomial, width, data_bits) >= distance) and (
        hamming_distance(polynomial, width, data_bits + 1) < distance
    )


# Greatest data bits at distance 3, 4, 5, 6, by exhaustive search; the rows 0x1021 and 0x3D65 agree with
# Koopman and Chakravarty, DSN 2004.
EXHAUSTIVE = [
    (8, 0x2F, (119, 119, 3, 3)),
    (8, 0x07, (119, 119, 0, 0)),
    (8, 0x1D, (247, 13, 6, 0)),
    (8, 0x4D, (247, 15, 6, 0)),
    (8, 0xD5, (85, 85, 2, 2)),
    (15, 0x4599, (112, 112, 112, 112)),
    (16, 0x1021, (32751, 32751, 0, 0)),
    (16, 0x8005, (32751, 32751, 0, 0)),
    (16, 0x90D9, (135, 135, 135, 135)),
    (16, 0x3D65, (135, 135, 135, 135)),
    (16, 0x5935, (241, 241, 241, 35)),
    (16, 0x755B, (7985, 7985, 108, 20)),
]


@pytest.mark.parametrize(("width", "polynomial", "data_bits"), EXHAUSTIVE)
def test_data_bits_at_distance_3_to_6(width: int, polynomial: int, data_bits: tuple[int, ...]) -> None:
    for distance, longest in zip((3, 4, 5, 6), data_bits, strict=True):
        assert ends_at(polynomial, width, distance, longest)


# Koopman and Chakravarty, "Cyclic redundancy code (CRC) polynomial selection for embedded networks", DSN
# 2004, table 3 (implicit-+1 notation): distance, width, polynomial, greatest data bits. Written down from
# memory; entries that did not agree were taken for misremembered and left out.
SELECTION = [
    (3, 5, 0x12, 26),
    (3, 6, 0x21, 57),
    (3, 7, 0x48, 120),
    (3, 8, 0xA6, 247),
    (3, 9, 0x110, 502),
    (3, 10, 0x240, 1013),
    (3, 11, 0x5D7, 2036),
    (3, 16, 0x8D95, 65519),
    (4, 5, 0x15, 10),
    (4, 6, 0x2C, 25),
    (4, 7, 0x5B, 56),
    (4, 8, 0x97, 119),
    (4, 9, 0x17D, 246),
    (4, 10, 0x247, 501),
    (4, 11, 0x583, 1012),
    (4, 14, 0x2322, 8177),
    (4, 15, 0x4306, 16368),
    (4, 16, 0xD175, 32751),
    (5, 8, 0x9C, 9),
    (5, 9, 0x185, 13),
    (5, 10, 0x2B9, 21),
    (5, 11, 0x5D7, 26),
    (5, 14, 0x212D, 113),
    (5, 15, 0x6A8D, 136),
    (5, 16, 0xAC9A, 241),
    (6, 9, 0x13C, 8),
    (6, 10, 0x28E, 12),
    (6, 11, 0x532, 22),
    (6, 12, 0xB41, 27),
    (6, 13, 0x1909, 52),
    (6, 14, 0x372B, 57),
    (6, 15, 0x573A, 114),
    (6, 16, 0xC86C, 135),
    (7, 11, 0x571, 12),
    (7, 16, 0x968B, 19),
    (8, 16, 0x8FDB, 15),
]


def from_implicit_plus_one(polynomial: int, width: int) -> int:
    """Return the normal form of a polynomial whose x^width is written and whose +1 is implied."""
    return (polynomial << 1 | 1) & ((1 << width) - 1)


def test_the_two_notations() -> None:
    # Koopman and Chakravarty, DSN 2004: 0xC86C is x^16 + x^15 + x^12 + x^7 + x^6 + x^4 + x^3 + 1.
    terms = (15, 12, 7, 6, 4, 3, 0)
    assert from_implicit_plus_one(0xC86C, 16) == sum(1 << term for term in terms)


@pytest.mark.parametrize(("distance", "width", "polynomial", "data_bits"), SELECTION)
def test_polynomial_selection_table(distance: int, width: int, polynomial: int, data_bits: int) -> None:
    assert ends_at(from_implicit_plus_one(polynomial, width), width, distance, data_bits)


@pytest.mark.parametrize(
    ("distance", "data_bits"), [(4, 91607), (5, 2974), (6, 268), (7, 171), (8, 91), (15, 10)]
)
def test_crc32_of_ethernet_by_length(distance: int, data_bits: int) -> None:
    # Koopman, "32-bit cyclic redundancy codes for Internet applications", DSN 2002, table 1 (from memory).
    assert ends_at(CRC32, 32, distance, data_bits)


def test_can_polynomial_corrects_to_127_bits() -> None:
    # Bosch CAN specification 2.0 (1991), CRC field: best for frames of less than 127 bits (from memory).
    assert ends_at(0x4599, 15, 6, 127 - 15)


def test_24_bit_distance_6_to_2024_bits() -> None:
    # FlexRay protocol specification 2.1: distance 6 for payloads up to 248 bytes (from memory), after 5 bytes
    # of header.
    assert ends_at(0x5D6DCB, 24, 6, (5 + 248) * 8)


@settings(max_examples=40, deadline=None)
@given(codes(max_width=12), st.integers(19, 120))
def test_the_distance_read_off_is_the_one_searched(code: tuple[int, int], data_bits: int) -> None:
    polynomial, width = code
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(codedistance, "_MAX_COUNTED_FRAME", 0)
        searched = hamming_distance.__wrapped__(polynomial, width, data_bits)
    assert hamming_distance(polynomial, width, data_bits) == searched


def test_search_that_grows_too_large_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(codedistance, "_MAX_STEPS", 1000)
    with pytest.raises(CodewordSearchError, match="takes too long"):
        hamming_distance.__wrapped__(CRC32, 32, 2000)
