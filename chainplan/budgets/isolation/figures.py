"""Figures of the isolation: what segments carry, and what of a chain has the least margin."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

from chainplan.budgets.isolation.checks import BETWEEN_BOARDS, Check, Judged, Subject
from chainplan.budgets.isolation.segments import IsolationBudget, SegmentIsolation, potentials_of
from chainplan.chain.network import Network, segment_name
from chainplan.chain.potentials import Worst
from chainplan.figures.figure import Figure, Kind, Sense, always
from chainplan.figures.terms import Sum
from chainplan.quantity import LENGTH, VOLTAGE
from chainplan.remembered import remembered_for_all


class Stressed(NamedTuple):
    """A segment under its worst stress, and what its arithmetic is laid out from."""

    network: Network
    segment: SegmentIsolation

    def sum(self, between: Literal["references", "conductors"]) -> Sum:
        """Return the worst voltage between its references or conductors, signed, with its terms."""
        from chainplan.budgets.isolation.cases import explain  # late: verdicts need no terms

        worst: Worst = getattr(self.segment, between)
        potentials = potentials_of(self.network.strings)
        stress = explain(self.network, self.segment.segment, worst.situation, potentials)
        figure: Sum = getattr(stress, between)
        return figure


WORKING_VOLTAGE = Kind[Stressed](
    "isolation working voltage",
    VOLTAGE,
    ("segment",),
    "isolation",
    lambda each: each.segment.references.voltage,
    sums=lambda each: (each.sum("references"), None),
    named="isolation/{}/references",
    where=lambda each: each.segment.references.situation.name,
)


@WORKING_VOLTAGE.of
def working_voltages(isolation: IsolationBudget, network: Network) -> Iterator[Figure]:
    """Worst voltage between the references of a segment's two ends, which its barriers carry."""
    for segment in isolation.segments:
        yield WORKING_VOLTAGE(segment.segment.name, item=Stressed(network, segment))


CONDUCTOR_VOLTAGE = Kind[Stressed](
    "voltage between conductors",
    VOLTAGE,
    ("segment",),
    "isolation",
    lambda each: each.segment.conductors.voltage,
    sums=lambda each: (each.sum("conductors"), None),
    named="isolation/{}/conductors",
    where=lambda each: each.segment.conductors.situation.name,
)


@CONDUCTOR_VOLTAGE.of
def conductor_voltages(isolation: IsolationBudget, network: Network) -> Iterator[Figure]:
    """Worst voltage between any two conductors of the boards at a segment's ends: it sets their spacing."""
    for segment in isolation.segments:
        yield CONDUCTOR_VOLTAGE(segment.segment.name, item=Stressed(network, segment))


class _Place(NamedTuple):
    """The first of the segments that are judged alike, what it carries, and how many there are."""

    segment: str
    references: Worst
    conductors: Worst
    judged: Judged
    times: int


class Deciding(NamedTuple):
    """A check of a segment that decides for its chain, and what the segment carries."""

    place: _Place
    check: Check
    note: str

    @property
    def stress(self) -> Worst:
        """Return the voltage that the check rests upon, with the case that brings it."""
        return self.place.conductors if self._between_boards else self.place.references

    @property
    def figure(self) -> str:
        """Return the name of that voltage's sum."""
        between = "conductors" if self._between_boards else "references"
        return f"isolation/{self.place.segment}/{between}"

    @property
    def _between_boards(self) -> bool:
        return self.check.place == BETWEEN_BOARDS

    @property
    def where(self) -> str:
        """Return the segment, the part that is checked, and the case."""
        if self.check.margin is None:
            return ""
        return f"{self.place.segment}, {self.check.place}: {self.stress.situation.name}"


_About = tuple[Subject, bool]
"""The subject of a check, and whether it lies between the boards' conductors."""


@remembered_for_all
def _decided(
    name: str, carried: tuple[tuple[Worst, Worst], ...], judged: tuple[Judged, ...]
) -> dict[_About, list[tuple[str, Deciding]]]:
    """Return what decides for a chain, and what part of it that is, of everything that is asked for."""
    alike: dict[int, list[int]] = {}
    for place, each in enumerate(judged):
        alike.setdefault(id(each.checks), []).append(place)
    groups: dict[_About, list[tuple[_Place, Check]]] = {}
    for first, *others in alike.values():
        place_ = _Place(segment_name(name, first + 1), *carried[first], judged[first], 1 + len(others))
        for check in judged[first].checks:
            if is_asked(judged[first], check):
                groups.setdefault((check.subject, check.place == BETWEEN_BOARDS), []).append((place_, check))
    return {about: list(_deciding(checks, _sense(about[0]))) for about, checks in groups.items()}


def _sense(subject: Subject) -> Sense:
    return "at most" if subject == "working voltage" else "at least"


def is_asked(judged: Judged | SegmentIsolation, check: Check) -> bool:
    """Tell whether a check is asked for: not where the other barrier holds all, or nothing is needed."""
    if check.status != "not checked":
        return True
    if check.subject == "working voltage":
        return judged.rating is None
    return check.subject != "test voltage" or check.needed is not None


def _checked(name: str, subject: Subject, meaning: str, *, between_boards: bool = False) -> Kind[Deciding]:
    """Declare a figure that is judged for a whole chain, on the segment with the least margin."""
    sense = _sense(subject)
    kind = Kind[Deciding](
        name,
        LENGTH if subject in ("creepage", "clearance") else VOLTAGE,
        ("chain", "part"),
        "isolation",
        lambda each: each.check.needed if sense == "at most" else each.check.offered,
        named=lambda each: each.figure,
        sense=sense,
        where=lambda each: each.where,
        note=lambda each: each.note,
        asked=always,
    )

    def figures(isolation: IsolationBudget) -> Iterator[Figure]:
        for chain, found in isolation.chains.items():
            decided = _decided(chain, found.carried, found.judged)
            for rest, each in decided.get((subject, between_boards), ()):
                check = each.check
                limit = check.offered if sense == "at most" else check.needed
                yield kind(chain, rest, item=each, limit=limit, judged=True)

    figures.__doc__ = meaning
    kind.of(figures)
    return kind


def _deciding(checks: list[tuple[_Place, Check]], sense: Sense) -> Iterator[tuple[str, Deciding]]:
    """Yield the check with the least margin, and beside it that the rest is not known."""

    def margin_share(each: tuple[_Place, Check]) -> float:
        limit = each[1].offered if sense == "at most" else each[1].needed
        return (each[1].margin or 0) / max(limit or 0, 1)

    known = [each for each in checks if each[1].margin is not None]
    unknown = [each for each in checks if each[1].margin is None]
    count = sum(place.times for place, _ in checks)
    left_out = sum(place.times for place, _ in unknown)
    if known:
        note = f"{left_out} of {count} not checked" if left_out else ""
        yield "", Deciding(*min(known, key=margin_share), note)
    if unknown:
        reason = unknown[0][1].reason + (f" ({left_out} times)" if left_out > 1 else "")
        yield "other segments" if known else "", Deciding(*unknown[0], reason)


BARRIER_VOLTAGE = _checked(
    "barrier working voltage", "working voltage", "What a chain's barriers carry, within their rating."
)
BARRIER_CREEPAGE = _checked(
    "barrier creepage", "creepage", "Creepage of a chain's barriers, as IEC 60664-1 asks for their voltage."
)
BARRIER_CLEARANCE = _checked(
    "barrier clearance",
    "clearance",
    "Clearance of a chain's barriers, as IEC 60664-1 asks for their voltage.",
)
BARRIER_TEST_VOLTAGE = _checked(
    "barrier test voltage",
    "test voltage",
    "Test voltage of a chain's barriers, beside what their voltage asks.",
)
BOARD_CREEPAGE = _checked(
    "creepage between boards",
    "creepage",
    "Creepage between the boards at a segment's ends, as IEC 60664-1 asks for their voltage.",
    between_boards=True,
)
BOARD_CLEARANCE = _checked(
    "clearance between boards",
    "clearance",
    "Clearance between the boards at a segment's ends, as IEC 60664-1 asks for their voltage.",
    between_boards=True,
)
