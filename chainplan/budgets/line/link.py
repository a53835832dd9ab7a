"""The link budget of a segment: what is left of the signal at its far end, above what a receiver needs.

    margin = transmit level - cable - connectors - barriers - mismatch - receiver threshold     (dB)

Every port and node receives and sends anew, so loss counts per segment. The worst case takes the weakest
transmitter, the longest cable at the frequency of the band where its loss is largest, and the deafest
receiver. Loss of a cable in the form of ANSI/TIA-568, mismatch as a bound for every electrical length, of
voltages or of powers: see :mod:`chainplan.budgets.line.twisted_pair`. Connectors and barriers are taken not
to reflect; what they lose by reflection belongs into their loss.

Levels are in udB, frequencies in uHz, lengths in nm, impedances in mohm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property, lru_cache, partial
from math import ceil, floor
from typing import NamedTuple

from chainplan.budgets.line.twisted_pair import (
    CABLE_CLASSES,
    CableClass,
    connector_loss,
    derated,
    mismatch_drop,
    mismatch_loss,
    pair_impedance,
    temperature_factor,
    twisted_permittivity,
    velocity,
    worst_loss,
)
from chainplan.chain.network import Chain, Hop, Network, Segment, Wiring
from chainplan.figures.budget import budget
from chainplan.figures.terms import ByCase, Case, Sum, Term, nonzero
from chainplan.plan.parts import CableType, ConnectorType
from chainplan.plan.wire_parts import Pair, SignalPlan
from chainplan.quantity import FREQUENCY, LEVEL, Span, format_ticks
from chainplan.remembered import remembered

_HUNDRED_METRES = 10**11
_ANY_FREQUENCY = 10**30

FORMULA = "transmit level - cable - connectors - barriers - mismatch - receiver threshold"


@dataclass(frozen=True)
class Link:
    """One segment's link budget: the level left above the receiver's threshold, and the margin wanted.

    The sums are None where something is not in the plan; `reason` then says what. `note` says what was
    taken for granted. `terms` gives what the level is made of in one case.
    """

    segment: Segment
    terms: Callable[[Case], tuple[Term, ...]] | None
    source: str
    wanted: int
    reason: str = ""
    note: str = ""

    @cached_property
    def worst(self) -> Sum | None:
        """Return the level in the worst case."""
        return self._level(Case.WORST)

    @cached_property
    def typical(self) -> Sum | None:
        """Return the level in the typical case."""
        return self._level(Case.TYPICAL)

    def _level(self, case: Case) -> Sum | None:
        if self.terms is None:
            return None
        return Sum(f"link margin of {self.segment.name}", LEVEL, self.terms(case), FORMULA, self.source)

    @property
    def spare(self) -> int | None:
        """Return the worst-case margin beyond the one wanted, udB; None where it is unknown."""
        return None if self.worst is None else self.worst.total - self.wanted


def chain_links(wiring: Wiring, chain: Chain, known: dict[tuple[int, int], Link]) -> tuple[Link, ...] | None:
    """Return a link budget for each make of a chain's segments, that of the first one in the chain.

    None if its protocol describes no signal. `known` keeps the arithmetic from chain to chain of a network.
    """
    signal = chain.protocol.signal
    if signal is None:
        return None
    found: dict[int, Link] = {}
    for segment in chain.segments:
        make = id(segment.hop)
        if make not in found:
            key = make, id(signal)
            if key not in known:
                known[key] = segment_link(wiring, segment, signal)
            found[make] = link_of(segment, known[key])
    return tuple(found.values())


def link_of(segment: Segment, same: Link) -> Link:
    """Return the link budget of a segment, worked out on another one of the same make."""
    return same if segment is same.segment else replace(same, segment=segment)


def segment_link(wiring: Wiring, segment: Segment, signal: SignalPlan) -> Link:
    """Return the link budget of one segment."""
    hop = segment.hop
    cable = wiring.cable_types[hop.cable]
    line = cable_line(cable)
    reason = _unknown(wiring, hop, line, signal)
    wanted = signal.margin.max
    if reason or line is None:
        return Link(segment, None, "", wanted, reason)
    impedance = cable_impedance(cable)
    note = _matched(hop, impedance, signal)
    terms = ByCase(partial(_terms, wiring, hop, line, impedance, signal)).__getitem__
    return Link(segment, terms, line.source, wanted, "", note)


def _terms(
    wiring: Wiring, hop: Hop, line: CableClass, impedance: Span | None, signal: SignalPlan, case: Case
) -> tuple[Term, ...]:
    low, high = signal.lowest.min, signal.highest.max
    transmit = signal.transmit.min if case is Case.WORST else signal.transmit.typical
    barriers = [
        Term(f"{end} barrier {barrier.name}", -barrier.loss[case])
        for end, barrier in (("near", hop.near_barrier), ("far", hop.far_barrier))
        if barrier and barrier.loss
    ]
    connectors: dict[str, int] = {}
    for name in hop.connectors:
        connectors[name] = connectors.get(name, 0) + 1
    return nonzero(
        Term("transmit level", transmit),
        Term(
            f"cable {hop.cable}",
            -_cable_loss(line, low, high, hop.length[case]),
            how=f"{line.name}, {_band(low, high)}",
        ),
        *(
            Term(f"connector {name}", -_connector(wiring.connector_types[name], high, case), times)
            for name, times in connectors.items()
        ),
        *barriers,
        Term("mismatch", -_mismatch(signal, impedance, case)),
        Term("receiver threshold", -signal.threshold[case]),
    )


def _connector(connector: ConnectorType, highest: int, case: Case) -> int:
    if connector.loss is not None:
        return connector.loss[case]
    assert connector.loss_class is not None  # asked only where the loss is known
    return connector_loss(CABLE_CLASSES[connector.loss_class], highest)


def _mismatch(signal: SignalPlan, impedance: Span | None, case: Case) -> int:
    """Return the most that mismatched ends add (udB): bounded where all three impedances are known.

    Of voltages or of powers, as the plan says; where it does not, the larger.
    """
    ends = signal.driver, impedance, signal.receiver
    if case is Case.TYPICAL:
        ends = tuple(Span.exact(each.typical) if each else None for each in ends)  # type: ignore[assignment]
    source, line, load = ends
    if source is None or line is None or load is None:
        return 0
    bounds = {"power": _power_bound, "voltage": _voltage_bound}
    wanted = [signal.levels] if signal.levels else list(bounds)
    return max(bounds[each](source, line, load) for each in wanted)


_power_bound = lru_cache(maxsize=256)(mismatch_loss)
_voltage_bound = lru_cache(maxsize=256)(mismatch_drop)
_cable_loss = remembered(worst_loss)


@lru_cache(maxsize=64)
def _band(lowest: int, highest: int) -> str:
    return f"{format_ticks(lowest, FREQUENCY)} to {format_ticks(highest, FREQUENCY)}"


def _matched(hop: Hop, impedance: Span | None, signal: SignalPlan) -> str:
    known = {
        "driver": signal.driver,
        "receiver": signal.receiver,
        f"cable {hop.cable}": impedance,
    }
    missing = [name for name, span in known.items() if span is None]
    return f"taken as matched: no impedance of {', '.join(missing)} in the plan" if missing else ""


def _unknown(wiring: Wiring, hop: Hop, line: CableClass | None, signal: SignalPlan) -> str:
    """Return what keeps a segment's loss from being known, in words; empty if nothing does."""
    low, high = signal.lowest.min, signal.highest.max
    if line is None:
        return f"cable {hop.cable} has no loss in the plan"
    classes = [line]
    for name in hop.connectors:
        connector = wiring.connector_types[name]
        if connector.loss is None and connector.loss_class is None:
            return f"connector {name} has no loss in the plan"
        if connector.loss is None:
            classes.append(CABLE_CLASSES[connector.loss_class or ""])
    for barrier in (hop.near_barrier, hop.far_barrier):
        if barrier and barrier.loss is None:
            return f"barrier {barrier.name} has no loss in the plan"
    for each in classes:
        if not each.covers(low, high):
            return f"{each.name} is known from {_band(each.lowest, each.highest)} only"
    return ""


class FastCable(NamedTuple):
    """A cable that the plan takes to be faster than its class guarantees at the signal's lowest frequency.

    `frequency` in uHz, `planned` (at the slowest) and `guaranteed` in um/s.
    """

    name: str
    loss_class: str
    frequency: int
    planned: int
    guaranteed: int


@budget
def fast_cables(network: Network) -> tuple[FastCable, ...]:
    """The cables under a signal that are planned faster than their class's delay formula allows."""
    lowest: dict[str, int] = {}
    for chain in network.chains.values():
        signal = chain.protocol.signal
        for segment in chain.segments if signal else ():
            name = segment.hop.cable
            if signal and network.wiring.cable_types[name].loss_class:
                lowest[name] = min(lowest.get(name, signal.lowest.min), signal.lowest.min)
    found = []
    for name, frequency in lowest.items():
        cable = network.wiring.cable_types[name]
        guaranteed = velocity(CABLE_CLASSES[cable.loss_class or ""], frequency)
        if cable.velocity.min > guaranteed:
            found.append(FastCable(name, cable.loss_class or "", frequency, cable.velocity.min, guaranteed))
    return tuple(found)


@remembered
def cable_line(cable: CableType) -> CableClass | None:
    """Return a cable's loss as a class: a standard's, derated, or one of the plan's own coefficients.

    None where the plan gives no loss. The plan's own have the plan's slowest velocity as their delay, no
    connectors, and are taken to hold at every frequency.
    """
    factor = _exact(cable.loss_factor)
    reasons = ["derated"] if factor > 1 else []
    if cable.loss_class is not None:
        line = CABLE_CLASSES[cable.loss_class]
        if cable.temperature is not None:
            factor *= temperature_factor(cable.temperature.max)
            reasons.append(f"at {cable.temperature.max / 1000:g} degC")
        return derated(line, factor, ", ".join(reasons)) if factor > 1 else line
    if cable.loss is None:
        return None
    line = CableClass(
        name="loss of the plan",
        k1=_exact(cable.loss.k1),
        k2=_exact(cable.loss.k2),
        k3=_exact(cable.loss.k3),
        delay_fixed=Fraction(_HUNDRED_METRES * 10**6, cable.velocity.min),  # nm / (um/s) = 1e6 ns
        delay_root=Fraction(0),
        connector=Fraction(0),
        connector_least=Fraction(0),
        lowest=1,
        highest=_ANY_FREQUENCY,
        source="coefficients of the plan",
    )
    return derated(line, factor, ", ".join(reasons)) if factor > 1 else line


def _exact(number: float) -> Fraction:
    """Return the decimal that was written, not the binary number next to it."""
    return Fraction(repr(float(number)))


@remembered
def cable_impedance(cable: CableType) -> Span | None:
    """Return a cable's characteristic impedance (mohm): given, or from its geometry; None if neither is."""
    if cable.impedance is not None or cable.pair is None:
        return cable.impedance
    return pair_span(cable.pair)


def pair_span(pair: Pair) -> Span:
    """Return the impedance of a pair (mohm), outward over the tolerances of its geometry.

    The two-wire line of :func:`pair_impedance`, twisted or not: what raises the impedance and what lowers it
    are each taken at their own unfavourable end, so the true span lies within this one.
    """
    spacing, diameter = pair.spacing, pair.diameter
    least = most = usual = pair.permittivity
    if pair.lay is not None:
        least = twisted_permittivity(spacing.min, pair.lay.max, pair.permittivity)
        most = twisted_permittivity(spacing.max, pair.lay.min, pair.permittivity)
        usual = twisted_permittivity(spacing.typical, pair.lay.typical, pair.permittivity)
    return Span(
        floor(1000 * pair_impedance(spacing.min, diameter.max, most)),
        round(1000 * pair_impedance(spacing.typical, diameter.typical, usual)),
        ceil(1000 * pair_impedance(spacing.max, diameter.min, least)),
    )
