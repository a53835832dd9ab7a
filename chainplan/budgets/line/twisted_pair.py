"""The twisted pair between two boards, seen as a line.

Loss and velocity come from the formulas of the cabling standards; the impedance of a pair that no standard
describes comes from its geometry; mismatch is bounded for every electrical length at once.

Bounds are whole ticks (frequency uHz, length nm, velocity um/s, level udB, resistance mohm) and round
downstream: a loss up, a velocity down. A class formula has the form ``whole + sqrt(square)`` per nanometre
with both parts rational, so its rounding is integer arithmetic, not floating point. Functions that return
``float`` give figures in SI units, not bounds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Context, Decimal
from fractions import Fraction
from itertools import product
from types import MappingProxyType
from typing import NamedTuple

from chainplan.quantity import Span
from chainplan.remembered import remembered

_FREE_SPACE_OHM = 376.730313
"""Impedance of free space, ohm (CODATA); divided by pi it is the 119.92 of handbooks."""

MHZ = 10**12  # ticks (uHz) per megahertz


@dataclass(frozen=True)
class CableClass:
    """A cable class: what its standard allows per 100 m, as coefficients of the standard's formulas.

    Loss in dB per 100 m is ``k1*sqrt(f) + k2*f + k3/sqrt(f)``, delay in ns per 100 m is
    ``delay_fixed + delay_root/sqrt(f)``, loss of one connector in dB is ``connector*sqrt(f)`` and never
    taken below ``connector_least``; f in MHz throughout. ``lowest`` and ``highest`` (uHz) are the ends of the
    band the standard gives the formulas for; ``source`` names it.

    Raises ``ValueError`` for a negative coefficient: the worst frequency of a band might not be at its end.
    """

    name: str
    k1: Fraction
    k2: Fraction
    k3: Fraction
    delay_fixed: Fraction
    delay_root: Fraction
    connector: Fraction
    connector_least: Fraction
    lowest: int
    highest: int
    source: str

    def __post_init__(self) -> None:
        coefficients = (self.k1, self.k2, self.k3, self.delay_fixed, self.delay_root)
        if min(*coefficients, self.connector, self.connector_least) < 0:
            raise ValueError(f"cable class {self.name!r}: a coefficient is negative")
        if self.k1 + self.k2 + self.k3 == 0 or self.delay_fixed + self.delay_root == 0:
            raise ValueError(f"cable class {self.name!r}: a cable has both a loss and a delay")

    def covers(self, lowest: int, highest: int) -> bool:
        """Return whether the band (uHz) lies inside the one that the standard gives the formulas for."""
        return self.lowest <= lowest <= highest <= self.highest


def _tia_568(
    name: str, loss_terms: tuple[str, str, str], connector: str, highest_mhz: int, source: str
) -> CableClass:
    # All balanced classes of ANSI/TIA-568 share the delay formula 534 + 36/sqrt(f) ns per 100 m and the
    # least connector loss of 0.1 dB.
    k1, k2, k3 = (Fraction(term) for term in loss_terms)
    return CableClass(
        name=name,
        k1=k1,
        k2=k2,
        k3=k3,
        delay_fixed=Fraction(534),
        delay_root=Fraction(36),
        connector=Fraction(connector),
        connector_least=Fraction("0.1"),
        lowest=MHZ,
        highest=highest_mhz * MHZ,
        source=source,
    )


# Solid conductors at 20 degC. Categories 5 and 5e share their loss formula.
CABLE_CLASSES: Mapping[str, CableClass] = MappingProxyType(
    {
        cable.name: cable
        for cable in (
            _tia_568(
                "category 5", ("1.967", "0.023", "0.050"), "0.04", 100, "ANSI/TIA/EIA-568-A, from memory"
            ),
            _tia_568(
                "category 5e", ("1.967", "0.023", "0.050"), "0.04", 100, "ANSI/TIA/EIA-568-B.2, from memory"
            ),
            _tia_568(
                "category 6", ("1.808", "0.017", "0.2"), "0.02", 250, "ANSI/TIA/EIA-568-B.2-1, from memory"
            ),
            _tia_568(
                "category 6A", ("1.82", "0.0091", "0.25"), "0.02", 500, "ANSI/TIA-568-B.2-10, from memory"
            ),
        )
    }
)


# Rounding of whole + sqrt(square) --------------------------------------------------------------------------


def _ceil_root(square: Fraction) -> int:
    # The square root of x is at most a whole n exactly when ceil(x) <= n*n.
    up = math.ceil(square)
    return math.isqrt(up - 1) + 1 if up > 0 else 0


class _RootSum(NamedTuple):
    """The positive number ``whole + sqrt(square)``, both parts rational and not negative."""

    whole: Fraction
    square: Fraction

    def ceil_times(self, count: int) -> int:
        """Return the smallest integer not below ``count`` times the number."""
        p, q = (self.whole * count).as_integer_ratio()
        # (p + x)/q rounded up is (p + ceil(x))/q rounded up, because p and q are whole.
        root = _ceil_root(self.square * (count * q) ** 2)
        return -(-(p + root) // q)


@remembered
def _loss_per_nm(cable: CableClass, frequency: int) -> _RootSum:
    # udB per nm. 1 dB per 100 m is 1e6 udB per 1e11 nm; sqrt(f in MHz) is sqrt(frequency)/1e6,
    # so k1*sqrt(f) + k3/sqrt(f) = sqrt(frequency) * (k1 + k3*1e12/frequency) / 1e6.
    _require_positive(frequency, "frequency")
    root_factor = (cable.k1 + cable.k3 * MHZ / frequency) / 10**11
    return _RootSum(cable.k2 * frequency / 10**17, root_factor**2 * frequency)


def _delay_per_nm(cable: CableClass, frequency: int) -> _RootSum:
    # fs per nm. 1 ns per 100 m is 1e6 fs per 1e11 nm; 1/sqrt(f in MHz) is 1e6/sqrt(frequency).
    _require_positive(frequency, "frequency")
    return _RootSum(cable.delay_fixed / 10**5, (cable.delay_root * 10) ** 2 / frequency)


def _require_positive(value: float, what: str) -> None:
    if not value > 0:
        raise ValueError(f"{what} must be above zero, not {value}")


def _require_length(value: int) -> None:
    if value < 0:
        raise ValueError(f"length must not be negative, not {value}")


# Cable classes ---------------------------------------------------------------------------------------------


def loss(cable: CableClass, frequency: int, length: int) -> int:
    """Return the insertion loss (udB, rounded up) of ``length`` nm of cable at ``frequency`` uHz.

    ``(k1*sqrt(f) + k2*f + k3/sqrt(f)) * length``, the form of ANSI/TIA-568 and IEEE 802.3. Outside the band
    of the class (:meth:`CableClass.covers`) it is an extrapolation. Raises ``ValueError`` for a frequency
    that is not positive or a negative length.
    """
    _require_length(length)
    return _loss_per_nm(cable, frequency).ceil_times(length)


def worst_loss(cable: CableClass, lowest: int, highest: int, length: int) -> int:
    """Return the largest insertion loss (udB, rounded up) in the band ``lowest`` to ``highest`` (uHz).

    With x = sqrt(f) the loss is k1*x + k2*x*x + k3/x, convex for coefficients that are not negative, so its
    largest value in a band is at one of the two ends. Raises ``ValueError`` as :func:`loss` does.
    """
    return max(loss(cable, lowest, length), loss(cable, highest, length))


def connector_loss(cable: CableClass, frequency: int) -> int:
    """Return the loss (udB, rounded up) of one connector at ``frequency`` uHz.

    ``connector*sqrt(f)`` dB with f in MHz, at least 0.1 dB (ANSI/TIA-568 connecting hardware). It grows with
    frequency: for a band ask at its upper end. Raises ``ValueError`` for a frequency that is not positive.
    """
    _require_positive(frequency, "frequency")
    # c*sqrt(frequency)/1e6 dB is c*sqrt(frequency) udB.
    return max(math.ceil(cable.connector_least * 10**6), _ceil_root(cable.connector**2 * frequency))


def velocity(cable: CableClass, frequency: int) -> int:
    """Return the slowest velocity (um/s, rounded down) that the class allows at ``frequency`` uHz.

    100 m in ``534 + 36/sqrt(f)`` ns in ANSI/TIA-568. It grows with frequency: for a band, ask at its lower
    end. Raises ``ValueError`` for a frequency that is not positive.
    """
    # 1 nm per d fs is 1e12/d um per second; over so long a way the fs that its delay is rounded up by is lost
    # in the um/s, and where it is not, it makes the velocity slower.
    way = 10**22
    return way * 10**12 // _delay_per_nm(cable, frequency).ceil_times(way)


def derated(cable: CableClass, loss_factor: Fraction, reason: str) -> CableClass:
    """Return the class with its cable loss (not its connectors) multiplied by ``loss_factor``.

    For stranded conductors, temperature or a maker's own figure. ``reason`` is added to name and source so
    that a report shows it. Raises ``ValueError`` for a factor below 1: derating never improves a cable.
    """
    if loss_factor < 1:
        raise ValueError(f"loss factor must be at least 1, not {loss_factor}")
    return replace(
        cable,
        name=f"{cable.name}, {reason}",
        k1=cable.k1 * loss_factor,
        k2=cable.k2 * loss_factor,
        k3=cable.k3 * loss_factor,
        source=f"{cable.source}; loss x {float(loss_factor):g} ({reason})",
    )


def temperature_factor(temperature: int) -> Fraction:
    """Return the factor on the loss of unscreened cable at ``temperature`` mdegC.

    1 up to 20 degC, then 0.4 % per K up to 40 degC and 0.6 % per K up to 60 degC (ANSI/TIA/EIA-568-B.2, from
    memory). Raises ``ValueError`` above 60 degC, where that standard gives no figure.
    """
    if temperature > 60_000:
        raise ValueError("no loss factor is known above 60 degC: use the cable maker's figure")
    warm = min(max(temperature - 20_000, 0), 20_000)
    hot = max(temperature - 40_000, 0)
    return 1 + Fraction(4 * warm + 6 * hot, 10**6)


# Geometry --------------------------------------------------------------------------------------------------


def pair_impedance(spacing: float, diameter: float, permittivity: float) -> float:
    """Return the characteristic impedance (ohm) of two round wires in a uniform medium.

    ``(eta0/pi)/sqrt(er) * acosh(spacing/diameter)``, the exact lossless two-wire line (eta0/pi = 119.92 ohm).
    ``spacing`` is between centres, in the unit of ``diameter``; ``permittivity`` the effective relative one.
    Raises ``ValueError`` unless spacing > diameter > 0 and permittivity >= 1.
    """
    _require_positive(diameter, "diameter")
    _require_permittivity(permittivity)
    if not spacing > diameter:
        raise ValueError(
            "the wires touch: spacing between centres must be larger than the conductor diameter"
        )
    return _FREE_SPACE_OHM / math.pi / math.sqrt(permittivity) * math.acosh(spacing / diameter)


def _require_permittivity(value: float) -> None:
    if not value >= 1:
        raise ValueError(f"relative permittivity must be at least 1, not {value}")


def twisted_permittivity(spacing: float, lay: float, permittivity: float) -> float:
    """Return the effective relative permittivity of a twisted pair of insulated wires in air.

    ``1 + q*(er - 1)`` with ``q = 0.25 + 0.0004*theta**2``, theta the pitch angle in degrees (P. Lefferson,
    "Twisted magnet wire transmission line", IEEE Trans. Parts, Hybrids, Packaging PHP-7, 1971). ``spacing``
    between wire centres and ``lay`` (cable length of one full turn) in the same unit; ``permittivity`` of the
    insulation. Raises ``ValueError`` for a lay so short that q would exceed 1, which is outside the fit.
    """
    _require_positive(spacing, "spacing")
    _require_positive(lay, "lay")
    _require_permittivity(permittivity)
    pitch = math.degrees(math.atan(math.pi * spacing / lay))
    share = 0.25 + 0.0004 * pitch**2
    if share > 1:
        raise ValueError("lay too short: the formula for a twisted pair does not reach that pitch angle")
    return 1 + share * (permittivity - 1)


# Mismatch --------------------------------------------------------------------------------------------------


def mismatch_loss(source: Span, line: Span, load: Span) -> int:
    """Return the most a mismatched line adds to its matched loss (udB, rounded up), whatever its length.

    Source, line and load are real impedances as spans in mohm; the unfavourable ends are taken. The loss is
    the transducer loss: power available from the source over power into the load.

    For a lossless line of phase phi it is ``(cos^2 * (Zs + Zl)^2 + sin^2 * (Z0 + Zs*Zl/Z0)^2) / (4*Zs*Zl)``
    (ABCD matrix of a line; Pozar, Microwave Engineering, chapter 4), so over all lengths the larger of the
    two squares counts. Loss in the line damps the wave that goes round twice: matched loss plus this bound
    is never exceeded. Both ratios have the form (sqrt(t) + 1/sqrt(t))^2/4 with log t linear in the logarithms
    of the impedances, hence convex in them, so over the spans the maximum is at corners.

    Raises ``ValueError`` for an impedance that is not positive.
    """
    for span in (source, line, load):
        _require_positive(span.min, "impedance")
    corners = product((source.min, source.max), (line.min, line.max), (load.min, load.max))
    return _ratio_to_udb(max(_worst_transducer_ratio(*corner) for corner in corners))


def mismatch_drop(source: Span, line: Span, load: Span) -> int:
    """Return the most a mismatched line adds to its matched loss of voltage (udB, rounded up), at any length.

    Spans and errors are those of :func:`mismatch_loss`. The drop is the voltage that the source gives into a
    load like itself over the voltage at the load. By the ABCD matrix of a line of phase phi (Pozar, Microwave
    Engineering, chapter 4, from memory) it is ``|p*cos + j*q*sin| / 2`` with ``p = 1 + Zs/Zl`` and
    ``q = Z0/Zl + Zs/Z0``, so over all lengths the larger counts; with loss in the line, the matched one times
    ``max(p, q)/2`` is not exceeded, by the triangle inequality. Where line and source match it is one over
    the voltage transmission 2*Zl/(Zl + Z0) of the junction. A voltage that rises is not counted on: then it
    is 0. Both are convex in the logarithms of the impedances: over spans the maximum is at corners.
    """
    for span in (source, line, load):
        _require_positive(span.min, "impedance")
    corners = product((source.min, source.max), (line.min, line.max), (load.min, load.max))
    drop = max(_worst_drop(*corner) for corner in corners)
    return _ratio_to_udb(max(drop, Fraction(1)) ** 2)


def _worst_drop(source: int, line: int, load: int) -> Fraction:
    half_wave = 1 + Fraction(source, load)
    quarter_wave = Fraction(line, load) + Fraction(source, line)
    return max(half_wave, quarter_wave) / 2


def _worst_transducer_ratio(source: int, line: int, load: int) -> Fraction:
    half_wave = Fraction(source + load) ** 2
    quarter_wave = (line + Fraction(source * load, line)) ** 2
    return max(half_wave, quarter_wave) / (4 * source * load)


def _ratio_to_udb(power_ratio: Fraction) -> int:
    # 60 digits where the answer needs about 10: the logarithm of a rational number is irrational or a whole
    # power of ten (then exact), so rounding up the 60 digits rounds up the number.
    exact = Context(prec=60)
    ratio = exact.divide(Decimal(power_ratio.numerator), Decimal(power_ratio.denominator))
    udb = exact.multiply(exact.log10(ratio), Decimal(10**7))
    return int(udb.to_integral_value(ROUND_CEILING))
