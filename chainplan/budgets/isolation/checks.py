"""What a segment's barriers and distances must hold, against what they offer.

- Each end's barrier must hold the whole voltage alone. Where the plan says that both ends share, each must
  hold half, rounded up, so the weaker part decides: nothing makes a DC voltage divide as the ratings do, and
  a plan that says "share" has to see to an even division.
- A segment without any barrier is not checked; with a barrier at one end, that one holds everything.
- Ratings and distances provided count with their minimum, impulse and altitude with their maximum.
- What lasts is checked against the working voltage of a part (IEC 60747-17: maximum working isolation
voltage)
  and sets its creepage: tracking takes hours. What a break that opens adds for milliseconds is checked
  against its transient voltage (maximum transient isolation voltage); a part without one may carry no more
  than its working voltage. The transient is the peak that sets the clearance, beside the whole rated impulse
  for every kind of insulation, as no plan says which part of the impulse reaches boards among themselves; and
  it sets the test. Creepage is never less than the clearance beside it.
- Double insulation is two barriers in series. Each must hold the whole voltage with the distances and the
  test voltage of basic insulation, and both together need the distances of reinforced insulation (IEC
  60664-1). With one barrier alone that one must be reinforced.
- The test voltage is an AC one (rms); none is asked of functional insulation, which protects nobody.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Literal, NamedTuple

from chainplan.plan.layout import InsulationRules
from chainplan.plan.parts import BarrierType, Insulation
from chainplan.quantity import LENGTH, VOLTAGE, Dimension, Span
from chainplan.tables.insulation import (
    MaterialGroup,
    OutsideTable,
    PollutionDegree,
    Requirement,
    creepage,
    required_clearance,
    required_creepage,
    test_voltage_ac,
)

Status = Literal["met", "missed", "not checked"]
Subject = Literal["working voltage", "transient voltage", "creepage", "clearance", "test voltage"]

BETWEEN_BOARDS = "between conductors"
"""The place of checks that hold for the boards at the ends of a segment, not for its barriers."""


class Check(NamedTuple):
    """One figure of a segment's isolation: required and provided, in ticks of the dimension.

    ``voltage`` is what the need rests upon, uV; ``rule`` the row and the source it comes from. ``reason``
    says why there is nothing to compare.
    """

    subject: Subject
    place: str
    dimension: Dimension
    voltage: int
    required: int | None
    provided: int | None
    rule: str = ""
    note: str = ""
    reason: str = ""

    @property
    def status(self) -> Status:
        """Return met (equality is enough), missed, or not checked."""
        if self.required is None or self.provided is None:
            return "not checked"
        return "met" if self.required <= self.provided else "missed"

    @property
    def margin(self) -> int | None:
        """Return provided less required, ticks; negative when missed."""
        if self.required is None or self.provided is None:
            return None
        return self.provided - self.required


class _Surroundings(NamedTuple):
    """What sets distances, at the unfavourable end; equal values share the table look-ups."""

    pollution_degree: PollutionDegree
    material_group: MaterialGroup
    interpolate: bool
    impulse: int
    altitude: int


class _Need(NamedTuple):
    """What is required and why, or the reason why there is no answer."""

    value: int | None
    rule: str = ""
    note: str = ""
    reason: str = ""


def _need(required: Requirement) -> _Need:
    return _Need(required.value, f"{required.row}; {required.source}", required.note)


@lru_cache(maxsize=8192)
def _distances(voltage: int, peak: int, insulation: Insulation, around: _Surroundings) -> tuple[_Need, _Need]:
    """Return creepage for a lasting voltage and clearance for a peak, both in uV.

    IEC 60664-1; see chainplan.tables.insulation.
    """
    try:
        air = required_clearance(
            around.impulse, peak, around.pollution_degree, insulation, altitude_nm=around.altitude
        )
    except OutsideTable as outside:  # without a clearance, the creepage beside it has no lower bound
        return _Need(None, reason=str(outside)), _Need(None, reason=str(outside))
    try:
        surface = creepage(
            voltage,
            around.pollution_degree,
            around.material_group,
            insulation,
            interpolate=around.interpolate,
        )
    except OutsideTable as outside:
        return _Need(None, reason=str(outside)), _need(air)
    return _need(required_creepage(surface, air)), _need(air)


@lru_cache(maxsize=8192)
def _test_voltage(voltage: int, insulation: Insulation) -> _Need:
    if insulation == "functional":
        return _Need(None, reason="no test voltage is asked of functional insulation")
    return _need(test_voltage_ac(voltage, insulation))


MOST_JUDGED = 4096
"""Makes of segment under voltages that a judge remembers; beyond them it starts anew."""


class Guard(NamedTuple):
    """What keeps the ends of a segment apart: barriers by name and type, distances, kind of insulation."""

    near_barrier: tuple[str, BarrierType] | None
    far_barrier: tuple[str, BarrierType] | None
    barriers_share: bool
    creepage: Span | None
    clearance: Span | None
    insulation: Insulation


class Stressed(NamedTuple):
    """A segment's voltages between references and conductors, uV: for good, and for milliseconds."""

    references: int
    conductors: int
    transient_references: int
    transient_conductors: int


class Judged(NamedTuple):
    """What a segment's barriers hold together, uV (None without any), and all its checks."""

    rating: int | None
    checks: tuple[Check, ...]


class InsulationJudge:
    """Holds segments against their parts; equal segments under equal voltages are judged once."""

    def __init__(self, rules: InsulationRules) -> None:
        self._around = _Surroundings(
            rules.pollution_degree,
            rules.material_group,
            rules.interpolate_creepage,
            rules.impulse.max,
            rules.altitude.max,
        )
        # By the identity of barriers: they are kept here, so that no other ones take their place.
        self._judged: dict[tuple[object, ...], tuple[Guard, Judged]] = {}

    def checks(self, guard: Guard, stressed: Stressed) -> Judged:
        """Return the checks of a segment; the very same ones for segments that differ in cables alone."""
        ends = tuple([end and (end[0], id(end[1])) for end in guard[:2]])
        key = (ends, guard[2:], stressed)
        judged = self._judged.get(key)
        if judged is None:
            if len(self._judged) >= MOST_JUDGED:
                self._judged.clear()
            judged = self._judged[key] = guard, self._judge(guard, stressed)
        return judged[1]

    def _judge(self, guard: Guard, stressed: Stressed) -> Judged:
        insulation = guard.insulation
        ends = (("near", guard.near_barrier), ("far", guard.far_barrier))
        present = [barrier[1] for _, barrier in ends if barrier is not None]
        pair = len(present) == 2  # a segment has two ends
        double = insulation == "double" and pair
        share = 2 if guard.barriers_share and pair and not double else 1
        held, peak = -(-stressed.references // share), -(-stressed.transient_references // share)
        checks: list[Check] = []
        for end, barrier in ends:
            if barrier is not None:
                place = f"{end} barrier {barrier[0]}"
                kind: Insulation = "basic" if double else insulation
                checks += self._barrier(place, barrier[1], kind, held, peak, shared=share > 1)
                continue
            why = (
                "no barrier at this end: the one at the other end holds the whole voltage"
                if present
                else "no barrier at either end: nothing is rated for this voltage"
            )
            place = f"{end} end"
            checks.append(Check("working voltage", place, VOLTAGE, held, held, None, reason=why))
        if double:
            distances = [
                _added([getattr(part, name) for part in present]) for name in ("creepage", "clearance")
            ]
            checks += self._spacing("both barriers in series", held, peak, insulation, *distances)
        lasting, short = stressed.conductors, stressed.transient_conductors
        checks += self._spacing(BETWEEN_BOARDS, lasting, short, insulation, guard.creepage, guard.clearance)
        rating = share * min(each.working_voltage.min for each in present) if present else None
        return Judged(rating, tuple(checks))

    def _barrier(
        self, place: str, barrier: BarrierType, insulation: Insulation, held: int, peak: int, *, shared: bool
    ) -> Iterator[Check]:
        rule = "half of it: both barriers share" if shared else "the whole of it"
        yield Check("working voltage", place, VOLTAGE, held, held, barrier.working_voltage.min, rule)
        rated = barrier.transient_voltage
        if peak > held or rated is not None:
            note = "" if rated is not None else "no transient voltage in the plan: the working voltage counts"
            provided = (rated or barrier.working_voltage).min
            yield Check("transient voltage", place, VOLTAGE, peak, peak, provided, rule, note)
        yield from self._spacing(place, held, peak, insulation, barrier.creepage, barrier.clearance)
        yield _compare("test voltage", place, peak, _test_voltage(peak, insulation), barrier.test_voltage)

    def _spacing(
        self,
        place: str,
        voltage: int,
        peak: int,
        insulation: Insulation,
        over_surface: Span | None,
        through_air: Span | None,
    ) -> Iterator[Check]:
        surface, air = _distances(voltage, peak, insulation, self._around)
        yield _compare("creepage", place, voltage, surface, over_surface)
        yield _compare("clearance", place, peak, air, through_air)


def _added(distances: list[Span | None]) -> Span | None:
    """Return distances in series, which add up; None where one is not given."""
    known = [each for each in distances if each is not None]
    return Span(*map(sum, zip(*known, strict=True))) if len(known) == len(distances) else None


def _compare(subject: Subject, place: str, voltage: int, need: _Need, given: Span | None) -> Check:
    """Hold a need against the unfavourable end of what is given."""
    reason = need.reason or (f"the plan gives no {subject} here" if given is None else "")
    return Check(
        subject,
        place,
        VOLTAGE if subject == "test voltage" else LENGTH,
        voltage,
        need.value,
        None if given is None else given.min,
        need.rule,
        need.note,
        reason,
    )
