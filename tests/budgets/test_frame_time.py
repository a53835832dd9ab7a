"""Frames and ways by hand: characters, the gaps between them, and what storing relays add each way."""

from __future__ import annotations

import pytest
from standby_packs import evaluation_of, ticks

from chainplan.budgets.scanning.wire import Way, frame_time, way_along, wire_bits
from chainplan.figures.terms import Case

US = ticks("1 us")
FRAMED = {
    "character": {"data": "8 bit", "wire": "11 bit"},
    "preamble": "5 bit",
    "trailer": "3 bit",
    "byte_gap": "2 us .. 4 us",
    "shortest_frame": "24 bit",
    "allowance": "0 % .. 50 %",
}


@pytest.mark.parametrize(
    ("bits", "characters"),
    [(1, 3), (24, 3), (25, 4), (32, 4)],  # 24 bit at least, in whole characters
)
def test_frame(bits: int, characters: int) -> None:
    # 1 Mbit/s: 5 + 11 a character + 3 bit, a gap between two characters and none behind the last
    (chain,) = evaluation_of(protocol=FRAMED).network.chains.values()
    wire = 5 + 11 * characters + 3
    assert wire_bits(chain.protocol, bits) == wire
    assert frame_time(chain.protocol, bits, Case.BEST) == (wire + 2 * (characters - 1)) * US
    assert frame_time(chain.protocol, bits, Case.WORST) == (wire + 4 * (characters - 1)) * US * 3 // 2


@pytest.mark.parametrize(
    ("allowance", "best", "typical", "worst"),
    [
        ("10 %", 10_000, 10_500, 11_000),  # senders may be slower by that, and need not
        (0.1, 10_000, 10_500, 11_000),
        ("0 % .. 10 %", 10_000, 10_500, 11_000),
        ("4 % .. 10 %", 10_400, 10_700, 11_000),  # a range written out stays what it is
        ({"min": "10 %", "max": "10 %"}, 11_000, 11_000, 11_000),
    ],
)
def test_allowance_alone_begins_at_nothing(allowance: object, best: int, typical: int, worst: int) -> None:
    # By hand: 100 bit at 10 Mbit/s are 10 us. LIN 2.2, 2.3.2 eq. 6 to 8: a frame takes its nominal time up to
    # 1.4 times it, so an allowance reaches from 0 to its value.
    wire = {"bit_rate": "10 Mbit/s", "preamble": "20 bit", "allowance": allowance}
    (chain,) = evaluation_of(protocol=wire).network.chains.values()
    times = [frame_time(chain.protocol, 80, case) * 1000 // US for case in Case]
    assert dict(zip(Case, times, strict=True)) == {
        Case.BEST: best,
        Case.TYPICAL: typical,
        Case.WORST: worst,
    }


def test_a_storing_relay_adds_the_frame_each_way() -> None:
    way = Way(out=(10, 20, 30), home=(11, 22, 33), stores=(0, 1, 2), across=40, stores_across=3)
    assert [way.reach(node, 7) for node in range(3)] == [10, 27, 44]
    assert [way.back(node, 7) for node in range(3)] == [11, 29, 47]


def test_ways_of_a_ring() -> None:
    # Four nodes, a kilometre (5 us) before each and one behind the last. The tail's own relay and cable lie
    # only on the way across.
    relay = {"forwarding": {"style": "store-and-forward", "downstream": "1 us", "upstream": "2 us"}}
    chains = {
        "line": {"shape": "ring", "back": "C:2", "segments": {"cable": "cable", "length": "1 km"}},
    }
    (chain,) = evaluation_of(node=relay, chains=chains).network.chains.values()
    way = way_along(chain, Case.WORST)
    assert way.out == tuple((5 * place + place - 1) * US for place in (1, 2, 3, 4))
    assert way.home == tuple((5 * place + 2 * (place - 1)) * US for place in (1, 2, 3, 4))
    assert way.stores == (0, 1, 2, 3)
    assert (way.across, way.stores_across) == ((5 * 5 + 4) * US, 4)


def test_delay_of_a_segment() -> None:
    # 1 to 2 km at 1e8 to 2e8 m/s: 5 us at the least, 20 us at the most, 1.5 km / 1.5e8 m/s typically. Each
    # barrier and each connector adds its own.
    parts = {
        "cable_types": {"cable": {"velocity": "1e8 m/s .. 2e8 m/s"}},
        "barrier_types": {
            "cap": {"kind": "capacitor", "working_voltage": "1 kV", "delay": "1 us .. 3 us"},
        },
        "connector_types": {"plug": {"delay": "500 ns"}},
        "chains": {
            "line": {
                "segments": {
                    "cable": "cable",
                    "length": "1 km .. 2 km",
                    "barrier": "cap",
                    "connectors": ["plug", "plug"],
                }
            }
        },
    }
    (chain,) = evaluation_of(1, **parts).network.chains.values()
    assert chain.segments[0].hop.delay == ((5 + 2 + 1) * US, (10 + 4 + 1) * US, (20 + 6 + 1) * US)


def test_the_last_segment_of_a_ring_has_its_own_length() -> None:
    chains = {
        "line": {
            "shape": "ring",
            "back": "C:2",
            "segments": {"cable": "cable", "length": "1 km"},
            "exceptions": {1: {"length": "2 km"}, 5: {"length": "3 km"}},
        }
    }
    (chain,) = evaluation_of(chains=chains).network.chains.values()
    assert [segment.hop.delay.max // US for segment in chain.segments] == [10, 5, 5, 5, 15]
