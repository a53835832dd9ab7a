"""Potentials of a series string that has opened at one place, or that is whole.

A string of modules (or cells) has taps 0 (HV-) to N (HV+). A break above module k leaves a lower part, taps
0 to k, and an upper part, taps k to N; tap k exists twice, once on each side of the break. The modules are
ideal voltage sources, so each part is rigid and two unknowns remain:

    U   the voltage across the break, upper edge minus lower edge
    C   the potential of chassis, counted from HV-

**The break.** Seen from its two edges the rest of the network is a set of branches in parallel, each an ideal
voltage behind a resistance. With S the string voltage:

    across the break        0 V            behind R_b
    load HV+ to HV-        -S              behind R_L
    DC link, if connected   V_link - S     behind 0 ohm
    by way of chassis       a_l - a_u      behind R_l + R_u

Each part's leakages to chassis join into one: R_l (R_u) is all of the lower (upper) part's leakages in
parallel, attached at a_l (a_u), the mean of their tap voltages from HV- weighted by conductance (Thevenin).
Parallel branches give U = sum(E / R) / sum(1 / R) (Millman's theorem, which is Kirchhoff's current law at one
edge). With leakage only at HV- and HV+ that is |U| = S * R_b / (R_b + R_L parallel (R+ + R-)); a connected
link gives U = V_link - S whatever else there is. A whole string is one with 0 ohm across the break.

**Chassis.** No current flows into chassis as a whole, so C is the mean of a_l and a_u + U weighted by 1 / R_l
and 1 / R_u. The current law holds for conductances only, so a solid fault, 0 ohm, is treated as its limit.

**Undetermined.** Without any branch, U is undetermined and taken as -S, the whole string voltage reversed.
Every passive branch brings a voltage between -S and 0, so no leakage left out of the plan can exceed that.
Without any leakage, C is undetermined; potentials are then shown as if HV- and HV+ leaked alike. Whatever the
leakage, C is a mean of the conductors' potentials, so no tap can be further from chassis than from the
furthest conductor. Each tap's ``lowest`` and ``highest`` hold for all of these cases.

The arc voltage of a fuse and inductive overshoot come on top and are no part of this.

Voltages are whole uV (fractions are accepted), resistances are in one unit, the tick mohm; only their
ratios count. Everything is exact: results are :class:`fractions.Fraction`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from itertools import accumulate
from typing import NamedTuple, TypeAlias

__all__ = ["Exact", "Leak", "StringState", "TapPotential", "closed_string", "opened_string"]

Exact: TypeAlias = int | Fraction


class Leak(NamedTuple):
    """A path from a tap to chassis: a leakage or, with 0 ohm, a solid earth fault.

    ``resistance`` is in mohm. ``above_break`` matters only at the tap where the string opened, which has an
    edge on either side; other taps are on the side where they are.
    """

    tap: int
    resistance: Exact
    above_break: bool = False


class TapPotential(NamedTuple):
    """One tap, or one edge of the break, and its potential in uV to chassis.

    ``lowest`` and ``highest`` enclose it: equal to it when it is determined. ``from_minus`` is the voltage in
    uV of the modules below the tap, as if the string were whole.
    """

    tap: int
    above_break: bool
    from_minus: Fraction
    potential: Fraction
    lowest: Fraction
    highest: Fraction


class StringState(NamedTuple):
    """Potentials of all taps of one string, from HV- to HV+, in uV to chassis.

    ``taps`` holds the break's tap twice, lower edge first. ``break_voltage`` is upper edge minus lower edge,
    within ``break_lowest`` to ``break_highest``. ``assumptions`` says in words what was undetermined.
    """

    taps: tuple[TapPotential, ...]
    break_voltage: Fraction
    break_lowest: Fraction
    break_highest: Fraction
    break_determined: bool
    chassis_determined: bool
    assumptions: tuple[str, ...]

    @property
    def potentials(self) -> tuple[Fraction, ...]:
        """The potentials in uV to chassis, from HV- to HV+."""
        return tuple(tap.potential for tap in self.taps)

    def worst_to_chassis(self) -> Fraction:
        """Return the largest magnitude in uV that any tap can have to chassis."""
        return max(max(abs(tap.lowest), abs(tap.highest)) for tap in self.taps)

    def worst_between(self, first: Iterable[TapPotential], second: Iterable[TapPotential]) -> Fraction:
        """Return the largest magnitude in uV between a tap of one group and a tap of the other.

        The taps must be of this state. Differences within a part are fixed, those across the break move with
        its voltage; chassis plays no role, so the taps' own ranges would exaggerate. Raises ValueError when a
        group is empty.
        """
        others = tuple(second)
        return max(
            abs(one.from_minus - other.from_minus + (int(one.above_break) - int(other.above_break)) * across)
            for one in first
            for other in others
            for across in (self.break_lowest, self.break_highest)
        )


class _Branch(NamedTuple):
    """An ideal voltage behind a resistance."""

    voltage: Fraction
    resistance: Fraction


def opened_string(
    modules: Sequence[Exact],
    break_above: int,
    *,
    link_voltage: Exact | None = None,
    leak_plus: Exact | None = None,
    leak_minus: Exact | None = None,
    across_break: Exact | None = None,
    load: Exact | None = None,
    earth_faults: Sequence[Leak] = (),
) -> StringState:
    """Return the potentials of a string opened above module ``break_above`` (0: at HV-, N: at HV+).

    ``modules`` are the voltages in uV from HV- upwards. ``link_voltage`` in uV is held between HV+ and HV- by
    the DC link: 0 when discharged, the string voltage when charged, None when it is not connected.
    Resistances in mohm: ``leak_plus`` from HV+ and ``leak_minus`` from HV- to chassis, ``across_break``,
    ``load`` from HV+ to HV-; None means that there is none. ``earth_faults`` are further paths to chassis.

    Raises ValueError for no modules, a negative voltage or resistance, a tap that does not exist, and for
    0 ohm paths that short-circuit modules or the link. Source: Kirchhoff's laws (module's docstring).
    """
    if not 0 <= break_above <= len(modules):
        raise ValueError(f"break above module {break_above}: the string has {len(modules)} modules")
    offsets = _offsets(modules)
    total = offsets[-1]
    lower_leaks, upper_leaks = _leaks_by_part(break_above, len(modules), leak_minus, leak_plus, earth_faults)
    lower, upper = _joined(lower_leaks, offsets), _joined(upper_leaks, offsets)

    branches = []
    if across_break is not None:
        branches.append(_Branch(Fraction(0), _resistance(across_break)))
    if load is not None and link_voltage is None:  # a link holds its voltage with or without a load
        branches.append(_Branch(-total, _resistance(load)))
    if link_voltage is not None:
        _not_negative("link voltage", link_voltage)
        branches.append(_Branch(link_voltage - total, Fraction(0)))
    if lower is not None and upper is not None:
        branches.append(_Branch(lower.voltage - upper.voltage, lower.resistance + upper.resistance))

    assumptions = []
    voltage = _parallel(branches)
    if voltage is None:
        across: tuple[Fraction, ...] = (-total, Fraction(0))
        assumptions.append("nothing determines the voltage across the break: whole string voltage assumed")
    else:
        across = (voltage,)
    if lower is None and upper is None:
        assumptions.append("nothing determines the chassis potential: equal leakage of HV- and HV+ shown")
    taps = _taps(offsets, break_above, across, lower, upper)
    return StringState(
        taps=taps,
        break_voltage=across[0],
        break_lowest=min(across),
        break_highest=max(across),
        break_determined=voltage is not None,
        chassis_determined=lower is not None or upper is not None,
        assumptions=tuple(assumptions),
    )


def closed_string(
    modules: Sequence[Exact],
    *,
    leak_plus: Exact | None = None,
    leak_minus: Exact | None = None,
    earth_faults: Sequence[Leak] = (),
) -> StringState:
    """Return the potentials of a whole string; every tap appears once and the break voltage is 0.

    Arguments and errors as for :func:`opened_string`; ``above_break`` of a leak is ignored. Load and link
    make no difference to the potentials of ideal modules.
    """
    if leak_plus is not None:
        earth_faults = (*earth_faults, Leak(len(modules), leak_plus))
    # Opened above its last module with 0 ohm across, and the double of HV+ left out.
    faults = [Leak(leak.tap, leak.resistance) for leak in earth_faults]
    state = opened_string(modules, len(modules), leak_minus=leak_minus, across_break=0, earth_faults=faults)
    return StringState(
        taps=state.taps[:-1],
        break_voltage=Fraction(0),
        break_lowest=Fraction(0),
        break_highest=Fraction(0),
        break_determined=True,
        chassis_determined=state.chassis_determined,
        assumptions=state.assumptions,
    )


def _offsets(modules: Sequence[Exact]) -> tuple[Fraction, ...]:
    """Return the voltage of each tap from HV- in the whole string."""
    if not modules:
        raise ValueError("a string has at least one module")
    for number, voltage in enumerate(modules, start=1):
        _not_negative(f"voltage of module {number}", voltage)
    return tuple(accumulate((Fraction(voltage) for voltage in modules), initial=Fraction(0)))


def _leaks_by_part(
    break_above: int,
    count: int,
    leak_minus: Exact | None,
    leak_plus: Exact | None,
    earth_faults: Sequence[Leak],
) -> tuple[list[Leak], list[Leak]]:
    """Return the leaks of the lower and of the upper part."""
    lower = [] if leak_minus is None else [Leak(0, leak_minus)]
    upper = [] if leak_plus is None else [Leak(count, leak_plus, above_break=True)]
    for leak in earth_faults:
        if not 0 <= leak.tap <= count:
            raise ValueError(f"tap {leak.tap}: the string has taps 0 to {count}")
        is_upper = leak.above_break if leak.tap == break_above else leak.tap > break_above
        (upper if is_upper else lower).append(leak)
    return lower, upper


def _joined(leaks: Sequence[Leak], offsets: Sequence[Fraction]) -> _Branch | None:
    """Return the one leakage that stands for all leaks of a part: its tap voltage from HV- and resistance."""
    branches = [_Branch(offsets[leak.tap], _resistance(leak.resistance)) for leak in leaks]
    voltage = _parallel(branches)
    if voltage is None:
        return None
    if any(branch.resistance == 0 for branch in branches):
        return _Branch(voltage, Fraction(0))
    return _Branch(voltage, 1 / sum((1 / branch.resistance for branch in branches), start=Fraction(0)))


def _parallel(branches: Sequence[_Branch]) -> Fraction | None:
    """Return the common voltage of parallel branches (Millman), None without any.

    A branch of 0 ohm dictates it; two that disagree are a short circuit: ValueError.
    """
    dictated = {branch.voltage for branch in branches if branch.resistance == 0}
    if len(dictated) > 1:
        raise ValueError("two paths of 0 ohm short-circuit a part of the string or the link")
    if dictated:
        return dictated.pop()
    if not branches:
        return None
    current = sum((branch.voltage / branch.resistance for branch in branches), start=Fraction(0))
    conductance = sum((1 / branch.resistance for branch in branches), start=Fraction(0))
    return current / conductance


def _taps(
    offsets: Sequence[Fraction],
    break_above: int,
    across: Sequence[Fraction],
    lower: _Branch | None,
    upper: _Branch | None,
) -> tuple[TapPotential, ...]:
    """Return all taps; the first of the break voltages ``across`` gives the potentials, all give the ranges.

    A tap's potential is linear in the break voltage, and its distance from the furthest conductor is convex,
    so the ends of the range of break voltages hold the extremes.
    """
    places = [(tap, False) for tap in range(break_above + 1)]
    places += [(tap, True) for tap in range(break_above, len(offsets))]

    def conductors_from_minus(voltage: Fraction) -> list[Fraction]:
        return [offsets[tap] + (voltage if is_upper else 0) for tap, is_upper in places]

    columns = []  # for each possible chassis potential: potentials of all taps to chassis
    for voltage in across:
        conductors = conductors_from_minus(voltage)
        chassis = _chassis(voltage, lower, upper)
        possible = [min(conductors), max(conductors)] if chassis is None else [chassis]
        columns += [[conductor - at for conductor in conductors] for at in possible]
    shown = _chassis(across[0], lower, upper)
    if shown is None:
        shown = (offsets[-1] + across[0]) / 2
    potentials = [conductor - shown for conductor in conductors_from_minus(across[0])]
    return tuple(
        TapPotential(tap, is_upper, offsets[tap], potential, min(values), max(values))
        for (tap, is_upper), potential, values in zip(
            places, potentials, zip(*columns, strict=True), strict=True
        )
    )


def _chassis(across: Fraction, lower: _Branch | None, upper: _Branch | None) -> Fraction | None:
    """Return the chassis potential from HV- at a break voltage, None without any leakage."""
    branches = [] if lower is None else [lower]
    if upper is not None:
        branches.append(_Branch(upper.voltage + across, upper.resistance))
    return _parallel(branches)


def _resistance(value: Exact) -> Fraction:
    if value < 0:
        raise ValueError(f"a resistance of {value} mohm is negative")
    return Fraction(value)


def _not_negative(what: str, value: Exact) -> None:
    if value < 0:
        raise ValueError(f"{what}: {value} uV is negative")
