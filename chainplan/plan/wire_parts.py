"""What a plan says of the wire itself: a cable's loss and geometry, the signal on it, and its bit errors."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from chainplan.plan.fields import ZERO, Frequency, Length, Level, Part, Resistance

CableClass = Literal["category 5", "category 5e", "category 6", "category 6A"]
"""Classes of ANSI/TIA-568 whose formulas chainplan knows."""

Factor = Annotated[float, Field(ge=1, le=100, strict=True)]
Coefficient = Annotated[float, Field(ge=0, le=1000, strict=True)]
Probability = Annotated[float, Field(ge=0, le=1, strict=True)]
Rate = Annotated[float, Field(gt=0, le=1_000_000_000, strict=True)]


class CableLoss(Part):
    """Loss in dB per 100 m with f in MHz: ``k1*sqrt(f) + k2*f + k3/sqrt(f)``, as ANSI/TIA-568 writes it."""

    k1: Coefficient = 0.0
    """See `loss`."""
    k2: Coefficient = 0.0
    """See `loss`."""
    k3: Coefficient = 0.0
    """See `loss`."""


class Pair(Part):
    """Two round wires: spacing of their centres, diameter of the bare conductor, relative permittivity.

    With `lay` (cable length of one full turn) it is a twisted pair of insulated wires in air and
    `permittivity` that of the insulation; without it, wires in a uniform medium of that permittivity.
    """

    spacing: Length
    """From centre to centre."""
    diameter: Length
    """Of the bare conductor."""
    permittivity: Annotated[float, Field(ge=1, le=100, strict=True)] = 1.0
    """Relative: of the insulation with a `lay`, of the whole medium without."""
    lay: Length | None = None
    """Cable length of one full turn of the pair. Left out: not twisted."""


class SignalPlan(Part):
    """The signal that every port and node sends anew: its band, its level, and what a receiver needs.

    `transmit` and `threshold` are levels against one reference of your choice, in dB; `margin` is wanted
    above the threshold. `driver` and `receiver` are the impedances at the two ends of a segment; without
    them, or without the cable's, the ends are taken to be matched.

    Where ends do not match, a voltage and a power come out differently: `levels` says which the levels are.
    A voltage sent is that into a load like the driver's own impedance.
    """

    lowest: Frequency
    """Lower end of its band."""
    highest: Frequency
    """Upper end of its band."""
    transmit: Level
    """Level sent, against a reference of your choice."""
    threshold: Level
    """Level a receiver needs, against the same reference."""
    margin: Level = ZERO
    """Wanted above the threshold; the link margin's limit."""
    levels: Literal["voltage", "power"] | None = None
    """What the levels are of: `voltage` (into a load like the driver) or `power`. Left out: the worse of
    both.
    """
    driver: Resistance | None = None
    """Impedance of the sending end. Left out: matched."""
    receiver: Resistance | None = None
    """Impedance of the receiving end. Left out: matched."""


class Bursts(Part):
    """A channel that is good or bad at each bit (Gilbert 1960, Elliott 1963), all four per bit.

    A bit is hit with `p_good` or `p_bad`; then the state is left with `leave_good` or `leave_bad`.
    """

    p_good: Probability = 0.0
    """Probability that a bit is hit while good."""
    p_bad: Probability
    """Probability that a bit is hit while bad."""
    leave_good: Probability
    """Probability, per bit, of turning from good to bad."""
    leave_bad: Probability
    """Probability, per bit, of turning from bad to good."""


class BitErrors(Part):
    """How often a bit is hit on one segment: each bit alone, in bursts, or both."""

    independent: Probability | None = None
    """Probability that a bit is hit, each alone. At most 0.5."""
    bursts: Bursts | None = None
    """A channel that is good or bad at each bit, and changes between the two."""
