"""Checks of what a plan says of the wire: a cable's loss and geometry, the signal, bit errors."""

from __future__ import annotations

from collections.abc import Iterator

from chainplan.plan.findings import Finding, Wrong, above_zero
from chainplan.plan.model import Plan
from chainplan.plan.parts import CableType
from chainplan.plan.problems import KeyPath
from chainplan.plan.wire_parts import BitErrors, Pair, SignalPlan
from chainplan.quantity import Span

WARMEST = 60_000
"""Temperature in mdegC up to which the factor on a class's loss is known (ANSI/TIA/EIA-568-B.2)."""

SHORTEST_LAY = 334
"""Least lay in hundredths of the spacing: below it the formula for twisted pairs has no meaning.

The share of insulation in the field, 0.25 + 0.0004*theta**2 with theta the pitch angle in degrees, reaches 1
at 43.3 degrees, where the lay is pi/tan(theta) = 3.3336 times the spacing.
"""


def check_wire(plan: Plan, wrong: Wrong) -> Iterator[Finding]:
    """Yield what is wrong with cables, connectors, signals, answer windows and bit errors."""
    for name, cable in plan.cable_types.items():
        path: KeyPath = ("cable_types", name)
        yield from above_zero(cable.impedance, (*path, "impedance"), "an impedance")
        if not wrong.within(*path):
            yield from _cable(cable, path)
    for name, connector in plan.connector_types.items():
        path = ("connector_types", name)
        if connector.loss is not None and connector.loss_class is not None:
            yield _two_ways((*path, "loss_class"), "`loss` or `loss_class`")
        yield from _no_gain(connector.loss, (*path, "loss"))
    for name, barrier in plan.barrier_types.items():
        yield from _no_gain(barrier.loss, ("barrier_types", name, "loss"))
    for name, protocol in plan.protocols.items():
        path = ("protocols", name)
        yield from above_zero(protocol.answer_window, (*path, "answer_window"), "an answer window")
        if protocol.signal is not None and not wrong.within(*path, "signal"):
            yield from _signal(protocol.signal, (*path, "signal"))
        yield from _bit_errors(wrong, protocol.bit_errors, (*path, "bit_errors"))
    for name, chain in plan.chains.items():
        yield from _bit_errors(wrong, chain.bit_errors, ("chains", name, "bit_errors"))


def _two_ways(path: KeyPath, expected: str) -> Finding:
    return Finding("this is said in two ways", path, None, expected, at_key=True)


def _no_gain(loss: Span | None, path: KeyPath) -> Iterator[Finding]:
    if loss is not None and loss.min < 0:
        yield Finding("a loss below zero would be a gain", path, None, "0 dB or more")


def _cable(cable: CableType, path: KeyPath) -> Iterator[Finding]:
    if cable.loss is not None and cable.loss_class is not None:
        yield _two_ways((*path, "loss_class"), "`loss` or `loss_class`")
    if cable.loss is not None and not any((cable.loss.k1, cable.loss.k2, cable.loss.k3)):
        yield Finding(
            "this cable would have no loss at all", (*path, "loss"), None, "a k1, k2 or k3 above zero"
        )
    if cable.temperature is not None and cable.loss_class is None:
        message = "a temperature counts only for the loss of a class"
        yield Finding(
            message, (*path, "temperature"), None, "`loss_class`, or `loss_factor` alone", at_key=True
        )
    elif cable.temperature is not None and cable.temperature.max > WARMEST:
        message = "the loss of a class is known up to 60 degC"
        yield Finding(message, (*path, "temperature"), None, "a `loss_factor` of the cable's maker instead")
    if cable.loss_factor > 1 and cable.loss is None and cable.loss_class is None:
        message = "there is no loss for this factor to multiply"
        yield Finding(message, (*path, "loss_factor"), None, "`loss_class` or `loss` beside it", at_key=True)
    if cable.pair is not None:
        if cable.impedance is not None:
            yield _two_ways((*path, "pair"), "`impedance` or `pair`")
        yield from _pair(cable.pair, (*path, "pair"))


def _pair(pair: Pair, path: KeyPath) -> Iterator[Finding]:
    yield from above_zero(pair.diameter, (*path, "diameter"), "a diameter")
    if pair.diameter.min > 0 and pair.spacing.min <= pair.diameter.max:
        message = "the wires touch: spacing counts from centre to centre"
        yield Finding(message, (*path, "spacing"), None, "more than the diameter")
    if pair.lay is not None and pair.lay.min * 100 < pair.spacing.max * SHORTEST_LAY:
        message = "no pair is twisted this tightly"
        yield Finding(message, (*path, "lay"), None, "at least 3.34 times the spacing, such as 20 mm")


def _signal(signal: SignalPlan, path: KeyPath) -> Iterator[Finding]:
    yield from above_zero(signal.lowest, (*path, "lowest"), "a frequency")
    if signal.highest.max < signal.lowest.min:
        message = "the highest frequency is below the lowest"
        yield Finding(message, (*path, "highest"), None, "at least the lowest frequency")
    if signal.threshold.max > signal.transmit.min:
        message = "a receiver would need more than is sent"
        yield Finding(
            message, (*path, "threshold"), None, "a level below `transmit`, both against one reference"
        )
    if signal.margin.min < 0:
        yield Finding(
            "a margin below zero asks for less than nothing", (*path, "margin"), None, "0 dB or more"
        )
    yield from above_zero(signal.driver, (*path, "driver"), "an impedance")
    yield from above_zero(signal.receiver, (*path, "receiver"), "an impedance")


def _bit_errors(wrong: Wrong, errors: BitErrors | None, path: KeyPath) -> Iterator[Finding]:
    if errors is None or wrong.within(*path):
        return
    if errors.independent is None and errors.bursts is None:
        yield Finding("no bit error is described", path, None, "{independent: 1e-7}", at_key=True)
    if errors.independent is not None and errors.independent > 0.5:
        message = "a bit that is wrong more often than right is inverted, not disturbed"
        yield Finding(message, (*path, "independent"), errors.independent, "at most 0.5, such as 1e-7")
    bursts = errors.bursts
    if bursts is not None and bursts.leave_good + bursts.leave_bad == 0:
        message = "a channel that leaves neither state has no steady state"
        yield Finding(message, (*path, "bursts"), None, "a leave_good or leave_bad above zero", at_key=True)
