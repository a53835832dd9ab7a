"""Where chassis stands in a string that only its leakage ties to it.

Chassis stands above HV- by the conductance-weighted mean of the poles, c = S * G+ / (G+ + G-): Kirchhoff's
current law at chassis. Strings that float need not be equally charged and their cells need not be equal, so
every cell counts from empty to full, whichever is worse. Where the plan gives no leakage, or one that reaches
0 ohm, chassis may stand anywhere from HV- to HV+. Voltages are whole uV, rounded outward.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import NamedTuple

from chainplan.chain.network import CellString
from chainplan.quantity import Span

Share = tuple[Fraction, Fraction] | None


class Floating(NamedTuple):
    """The potentials to chassis of a string with leakage alone.

    ``share`` is the least and the greatest c / S, the place of chassis between HV- (0) and HV+ (1).
    """

    full: tuple[int, ...]
    empty: tuple[int, ...]
    share: tuple[Fraction, Fraction]
    determined: bool

    def lowest(self, cell: int) -> int:
        """Return the lowest potential of a tap, rounded down: cells below it empty, above it full."""
        below, above = self.empty[cell], self.full[-1] - self.full[cell]
        share = self.share[1]
        return below - -(-share.numerator * (below + above) // share.denominator)

    def highest(self, cell: int) -> int:
        """Return the highest potential of a tap, rounded up: cells below it full, above it empty."""
        below, above = self.full[cell], self.empty[-1] - self.empty[cell]
        share = self.share[0]
        return below - share.numerator * (below + above) // share.denominator


def floating_strings(strings: dict[str, CellString], shares: dict[str, Share]) -> dict[str, Floating]:
    """Return how strings float, each with its share (None: undetermined)."""
    anywhere = Fraction(0), Fraction(1)
    return {
        name: Floating(string.taps, string.empty, share or anywhere, share is not None)
        for name, share in shares.items()
        for string in [strings[name]]
    }


def chassis_share(leakages: Iterable[tuple[Span, Span] | None]) -> Share:
    """Return the least and greatest c / S = G+ / (G+ + G-) of strings in parallel; None if undetermined.

    Kirchhoff's current law at chassis; a leakage is the span of R+ and that of R-, mohm. A string without
    leakage in the plan may have any, and a resistance that reaches 0 ohm is an earth fault: both leave the
    place of chassis open.
    """
    least_plus = greatest_plus = least_minus = greatest_minus = Fraction(0)
    for leakage in leakages:
        if leakage is None or leakage[0].min <= 0 or leakage[1].min <= 0:
            return None
        plus, minus = leakage
        least_plus += Fraction(1, plus.max)
        greatest_plus += Fraction(1, plus.min)
        least_minus += Fraction(1, minus.max)
        greatest_minus += Fraction(1, minus.min)
    return least_plus / (least_plus + greatest_minus), greatest_plus / (greatest_plus + least_minus)
