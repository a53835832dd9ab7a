"""The hops of a chain: what lies between two nodes, from the layers that the plan lays over one another."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

from chainplan.chain.network import (
    Hop,
    Separation,
    Wiring,
)
from chainplan.plan.fields import ZERO
from chainplan.plan.layout import ChainPlan
from chainplan.plan.parts import (
    BoardType,
    SegmentSpec,
)
from chainplan.quantity import Span


class Hops:
    """The makes of hop of one chain, each resolved once however many segments share it."""

    def __init__(self, wiring: Wiring, chain: ChainPlan) -> None:
        self.wiring = wiring
        self._chain = chain
        self._usual = usual_hop(wiring, chain)
        self._in_board: dict[int, Hop] = {}
        self._special: dict[tuple[int, bool, Span | None], Hop] = {}

    def to_board(self, number: int, *, last: bool = False) -> Hop:
        """Return the hop to a chain's board (number 1 leaves the head port), or `last`, back to a port."""
        chain = self._chain
        exception = chain.exceptions.get(number)
        outward = chain.hops[:-1] if chain.shape == "ring" else chain.hops
        lengths = chain.hops[-1:] if last else outward[number - 1 : number]
        length = lengths[0] if lengths else None  # a board that a what-if adds has the usual hop
        if number > 1 and not last and exception is None and length is None:
            return self._usual
        key = (0 if number > 1 and exception is None else number, last, length)
        if key not in self._special:
            layers = [chain.segments]
            if number == 1:
                layers.append(chain.head_segment)
            if last:
                layers.append(chain.back_segment)
            if exception is not None:
                layers.append(exception)
            if length is not None:
                layers.append(SegmentSpec(length=length))
            self._special[key] = resolve_hop(self.wiring, *layers)
        return self._special[key]

    def in_board(self, board_type: BoardType) -> Hop:
        """Return the hop between two nodes of one board."""
        key = id(board_type)
        if key not in self._in_board:
            assert board_type.between_nodes is not None  # checked with the plan
            self._in_board[key] = resolve_hop(self.wiring, board_type.between_nodes)
        return self._in_board[key]


def usual_hop(wiring: Wiring, chain: ChainPlan) -> Hop:
    """Return a chain's hop if nothing else is said; where each has a length of its own, with the longest."""
    longest = max(chain.hops, key=lambda length: length.max, default=None)
    own = () if longest is None else (SegmentSpec(length=longest),)
    return resolve_hop(wiring, chain.segments, *own)


def resolve_hop(wiring: Wiring, *layers: SegmentSpec) -> Hop:
    """Lay segment specifications over one another, the later winning key by key, and work the hop out."""
    keys: dict[str, object] = {}
    for layer in layers:
        given = {key: value for key in layer.model_fields_set if (value := getattr(layer, key)) is not None}
        if "barrier" in given:  # one word for both ends replaces what an earlier layer said of either
            keys.pop("near_barrier", None)
            keys.pop("far_barrier", None)
        keys.update(given)
    spec = SegmentSpec.model_construct(**keys)  # type: ignore[arg-type]
    connectors = tuple(spec.connectors or ())
    near, far = (
        wiring.barriers[name] if name else None
        for name in (spec.near_barrier or spec.barrier, spec.far_barrier or spec.barrier)
    )
    assert spec.cable is not None  # checked with the plan
    assert spec.length is not None
    delays = [cable_delay(spec.length, wiring.cable_types[spec.cable].velocity)]
    delays += [wiring.connector_types[name].delay for name in connectors]
    delays += [barrier.delay for barrier in (near, far) if barrier]
    return Hop(
        spec.cable,
        spec.length,
        add_spans(delays),
        connectors,
        near,
        far,
        _separation(
            near.name if near else None,
            far.name if far else None,
            bool(spec.barriers_share),
            spec.insulation,
            spec.creepage,
            spec.clearance,
        ),
    )


_separation = lru_cache(maxsize=1024)(Separation)
"""Separations alike are one: what is worked out of them does not hang on cables."""


def cable_delay(length: Span, velocity: Span) -> Span:
    """Return the one-way delay of a cable, fs: length (nm) over velocity (um/s), rounded outward."""
    scale = 10**12  # nm / (um/s) = 1e-3 s = 1e12 fs
    return Span(
        length.min * scale // velocity.max,
        round(Fraction(length.typical * scale, velocity.typical)),
        -(-length.max * scale // velocity.min),
    )


def add_spans(spans: list[Span]) -> Span:
    """Return the sum of independent quantities, end by end."""
    total = ZERO
    for span in spans:
        total = Span(total.min + span.min, total.typical + span.typical, total.max + span.max)
    return total
