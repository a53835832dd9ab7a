"""What crosses a host bus: the time of an exchange's request and answer on it, for each kind of bridge.

A bridge of whole frames sends when the request is in it, and hands an answer over when it has all of it. A
streaming bridge passes bits on as they come: a request or an answer then takes as long as the slower of bus
and wire, and the bus is held for the whole exchange.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from chainplan.budgets.scanning.exchange import Exchange, Style
from chainplan.budgets.scanning.ports import HostPorts, Legs
from chainplan.budgets.scanning.wire import bit_time_of, frame_time, frame_times
from chainplan.chain.network import Chain, ScanSettings
from chainplan.figures.terms import Case
from chainplan.plan.layout import HostBus
from chainplan.plan.parts import Protocol


class Bits(NamedTuple):
    """What of an exchange crosses the bus and when it is on the wire: content in bits, frames in fs."""

    style: Style
    request: int
    answers: int
    """Of all answers together."""
    request_frame: int
    """The time of the frame that carries the request."""
    answer_frames: int
    """The times of all frames that carry answers; of a summation frame, its own."""
    gap: int
    """The pause that the port keeps after it."""


def bits_of(protocol: Protocol, exchange: Exchange, case: Case) -> Bits:
    """Return what of an exchange crosses the bus, and how long that is on the wire."""
    answers = sum(exchange.answers)
    if exchange.style == "summation":
        whole = frame_time(protocol, exchange.request + answers, case)
        return Bits(exchange.style, exchange.request, answers, whole, whole, protocol.frame_gap[case])
    request = frame_time(protocol, exchange.request, case)
    frames = sum(frame_times(protocol, exchange.answers, case))
    return Bits(exchange.style, exchange.request, answers, request, frames, protocol.frame_gap[case])


def sent_over_bus(bus: HostBus, style: Style, request: int, answers: int) -> int:
    """Return the bits that the host sends: in a summation frame the nodes' blocks go out with the request."""
    return request if style != "summation" or bus.fills_blocks else request + answers


def legs_of(bus: HostBus | None, bits: Bits, wire: int, case: Case, *, shared: bool) -> Legs:
    """Return the parts of an exchange that takes `wire` fs on the wire, its gap included.

    `shared` says whether other ports may hold the bus when it is wanted.
    """
    if bus is None:
        return Legs(0, wire, 0, 0)
    tau, latency = bit_time_of(bus.bit_rate)[case], bus.latency[case]
    sent = sent_over_bus(bus, bits.style, bits.request, bits.answers) * tau
    received = bits.answers * tau
    back = latency if bits.answers else 0
    if bus.bridge == "whole frames":
        rest = bits.gap if bits.answers else 0  # answers are fetched from the last bit on
        return Legs(latency + sent, wire - rest, back + received, latency + sent, rest)
    longer = max(sent - bits.request_frame, 0)
    if bits.style == "summation":  # bits go out and come back at once, or they would not stream
        more = max(received - max(bits.request_frame, sent), 0)
    else:
        more = max(received - bits.answer_frames, 0)
    first = latency + longer
    if shared and (case is not Case.BEST or bus.arbitration != "any"):
        return Legs(first + wire + more + back, 0, 0, first)
    return Legs(first, wire + more, back, first)


def host_of(
    settings: ScanSettings, chains: tuple[Chain, ...], case: Case, broken: Collection[str] = ()
) -> HostPorts:
    """Return what the ports of these chains share, a ring's back port among them: it counts after a break.

    What is left of a broken ring is sent from both ports, and comes home where it was sent.
    """
    buses: dict[str, tuple[str, ...]] = {}
    for chain in chains:
        head, back = (() if port is None else _bus(settings, port) for port in (chain.head, chain.back))
        # read across: out by the head's bus, home by the back's
        across = chain.plan.read_from == "across" and chain.name not in broken
        own = (*buses.get(chain.head, ()), *head, *(back if across else ()))  # another may go across
        buses[chain.head] = tuple(dict.fromkeys(own))
        if chain.back is not None:
            buses.setdefault(chain.back, back)
    bus, one_core = settings.host_bus, settings.set_up_by == "one core"
    order = "any" if bus is None or any(len(names) > 1 for names in buses.values()) else bus.arbitration
    return HostPorts(settings.set_up[case], one_core, buses, order)


def _bus(settings: ScanSettings, port: str) -> tuple[str, ...]:
    name = settings.bus_name(port)
    return () if name is None else (name,)
