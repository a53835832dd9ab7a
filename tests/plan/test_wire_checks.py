"""What must hold of cables, connectors, signals, answer windows and bit errors in a plan."""

from __future__ import annotations

import math

import pytest
from plan_texts import FULL, changed, load_text, only, problems

from chainplan.budgets.line.twisted_pair import temperature_factor, twisted_permittivity
from chainplan.plan.wire_checks import SHORTEST_LAY, WARMEST

TRACE = "loss_class: category 5, temperature: 55 degC, loss_factor: 1.2"


@pytest.mark.parametrize(
    ("old", "new", "key", "message"),
    [
        (
            "loss: {k1: 2.0, k2: 0.02, k3: 0.05}",
            "loss: {k1: 2.0}\n    loss_class: category 6",
            "cable_types.pair.loss_class",
            "this is said in two ways",
        ),
        (
            "loss: {k1: 2.0, k2: 0.02, k3: 0.05}",
            "loss: {k1: 0}",
            "cable_types.pair.loss",
            "this cable would have no loss at all",
        ),
        (
            TRACE,
            "temperature: 55 degC",
            "cable_types.trace.temperature",
            "a temperature counts only for the loss of a class",
        ),
        (
            TRACE,
            "loss_class: category 5, temperature: 61 degC",
            "cable_types.trace.temperature",
            "the loss of a class is known up to 60 degC",
        ),
        (
            TRACE,
            "loss_factor: 1.2",
            "cable_types.trace.loss_factor",
            "there is no loss for this factor to multiply",
        ),
        (
            "impedance: 120 ohm",
            "impedance: 0 ohm",
            "cable_types.short.impedance",
            "an impedance must be above zero",
        ),
        (
            "impedance: 120 ohm",
            "impedance: 120 ohm, pair: {spacing: 1 mm, diameter: 0.5 mm}",
            "cable_types.short.pair",
            "this is said in two ways",
        ),
        (
            "spacing: 1 mm",
            "spacing: 0.5 mm",
            "cable_types.pair.pair.spacing",
            "the wires touch: spacing counts from centre to centre",
        ),
        ("lay: 20 mm", "lay: 3.3 mm", "cable_types.pair.pair.lay", "no pair is twisted this tightly"),
        (
            "socket: {loss_class: category 5e}",
            "socket: {loss_class: category 5e, loss: 0.1 dB}",
            "connector_types.socket.loss_class",
            "this is said in two ways",
        ),
        ("loss: 0.1 dB", "loss: -0.1 dB", "connector_types.plug.loss", "a loss below zero would be a gain"),
        (
            "loss: 0.5 dB",
            "loss: -0.1 dB .. 0.5 dB",
            "barrier_types.cap.loss",
            "a loss below zero would be a gain",
        ),
        (
            "answer_window: 100 us",
            "answer_window: 0 us",
            "protocols.wire.answer_window",
            "an answer window must be",
        ),
        ("lowest: 1 MHz", "lowest: 0 MHz", "protocols.wire.signal.lowest", "a frequency must be above zero"),
        (
            "highest: 5 MHz",
            "highest: 0.9 MHz",
            "protocols.wire.signal.highest",
            "the highest frequency is below the lowest",
        ),
        (
            "threshold: -20 dB",
            "threshold: 20 dB",
            "protocols.wire.signal.threshold",
            "a receiver would need more than is sent",
        ),
        (
            "margin: 6 dB",
            "margin: -6 dB",
            "protocols.wire.signal.margin",
            "a margin below zero asks for less",
        ),
        (
            "driver: 120 ohm",
            "driver: 0 ohm",
            "protocols.wire.signal.driver",
            "an impedance must be above zero",
        ),
        ("receiver: 120 ohm", "receiver: 0 ohm", "protocols.wire.signal.receiver", "an impedance must be"),
        ("{independent: 0.000001}", "{}", "protocols.wire.bit_errors", "no bit error is described"),
        (
            "{independent: 0.000001}",
            "{independent: 0.51}",
            "protocols.wire.bit_errors.independent",
            "a bit that is wrong more often than right is inverted",
        ),
        (
            "leave_good: 0.001, leave_bad: 0.1",
            "leave_good: 0, leave_bad: 0",
            "chains.ring.bit_errors.bursts",
            "a channel that leaves neither state has no steady state",
        ),
    ],
)
def test_values_that_cannot_be(old: str, new: str, key: str, message: str) -> None:
    problem = only((old, new))
    assert problem.key == key
    assert problem.message.startswith(message)
    assert problem.expected


def test_nothing_is_concluded_from_what_could_not_be_read() -> None:
    found = problems(changed(("highest: 5 MHz", "highest: 5 MB"), ("spacing: 1 mm", "spacing: 1 mV")))
    assert {each.key for each in found} == {"protocols.wire.signal.highest", "cable_types.pair.pair.spacing"}


def test_probabilities_may_have_exponents() -> None:
    plan = load_text(changed(("0.000001", "1e-6"))).plan
    errors = plan.protocols["wire"].bit_errors
    assert errors is not None
    assert errors.independent == 1e-6
    assert load_text(FULL).plan.protocols["wire"].bit_errors == errors


def test_what_the_checks_let_through_the_formulas_take() -> None:
    temperature_factor(WARMEST)
    twisted_permittivity(1.0, SHORTEST_LAY / 100, 2.25)
    with pytest.raises(ValueError, match="60 degC"):
        temperature_factor(WARMEST + 1)
    # the formula's own end: q = 1 at 43.30 degrees
    assert math.pi / math.tan(math.radians(math.sqrt(0.75 / 0.0004))) == pytest.approx(3.3336, abs=1e-4)
