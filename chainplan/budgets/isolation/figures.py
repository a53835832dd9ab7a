"""Figures of the isolation: what segments carry, and what of a chain has the least margin."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

from chainplan.budgets.isolation.checks import BETWEEN_BOARDS, Check, Judged, Subject
from chainplan.budgets.isolation.segments import IsolationBudget, SegmentIsolation, Voltages, potentials_of
from chainplan.chain.network import Network, segment_name
from chainplan.chain.potentials import Worst
from chainplan.figures.figure import Figure, Kind, Sense, always
from chainplan.figures.terms import Sum
from chainplan.plan.layout import InsulationRules
from chainplan.quantity import LENGTH, VOLTAGE
from chainplan.remembered import remembered_for_all

Between = Literal["references", "conductors", "transient_references", "transient_conductors"]


class Carrying(NamedTuple):
    """A segment under its worst stress, and what its arithmetic is laid out from."""

    network: Network
    rules: InsulationRules
    segment: SegmentIsolation

    def sum(self, between: Between) -> Sum:
        """Return the worst voltage between its references or conductors, signed, with its terms."""
        from chainplan.budgets.isolation.cases import explain  # late: verdicts need no terms

        both = potentials_of(self.network.strings, self.rules)
        potentials = both.transient if between.startswith("transient") else both.lasting
        ends = between.removeprefix("transient_")
        worst: Worst = getattr(self.segment, between)
        return explain(self.network, self.segment.segment, worst, ends, potentials)


def _voltage(name: str, between: Between, meaning: str) -> Kind[Carrying]:
    """Declare a voltage of every segment; a transient one where it exceeds what lasts."""
    lasting = between.removeprefix("transient_")
    kind = Kind[Carrying](
        name,
        VOLTAGE,
        ("segment",),
        "isolation",
        lambda each: getattr(each.segment, between).voltage,
        sums=lambda each: (each.sum(between), None),
        named=f"{'isolation' if between == lasting else 'transient'}/{{}}/{lasting}",
        where=lambda each: getattr(each.segment, between).situation.name,
    )

    def figures(
        isolation: IsolationBudget, network: Network, insulation: InsulationRules
    ) -> Iterator[Figure]:
        for segment in isolation.segments:
            if between == lasting or getattr(segment, between).voltage > getattr(segment, lasting).voltage:
                yield kind(segment.segment.name, item=Carrying(network, insulation, segment))

    figures.__doc__ = meaning
    kind.of(figures)
    return kind


WORKING_VOLTAGE = _voltage(
    "isolation working voltage",
    "references",
    "Worst lasting voltage between the references of a segment's two ends, which its barriers carry.",
)
CONDUCTOR_VOLTAGE = _voltage(
    "voltage between conductors",
    "conductors",
    "Worst lasting voltage between any two conductors of the boards at a segment's ends: it sets creepage.",
)
TRANSIENT_VOLTAGE = _voltage(
    "isolation transient voltage",
    "transient_references",
    "Worst voltage of milliseconds between a segment's two references, where it exceeds what lasts.",
)
TRANSIENT_CONDUCTOR_VOLTAGE = _voltage(
    "transient voltage between conductors",
    "transient_conductors",
    "Worst voltage of milliseconds between conductors of two boards, where it exceeds what lasts.",
)


class _Place(NamedTuple):
    """The first of the segments that are judged alike, what it carries, and how many there are."""

    segment: str
    carried: Voltages
    judged: Judged
    times: int


class Deciding(NamedTuple):
    """A check of a segment that decides for its chain, and what the segment carries."""

    place: _Place
    check: Check
    note: str

    @property
    def _decides(self) -> tuple[Worst, str]:
        """Return the voltage that the check rests upon, and the name of its sum."""
        conductors = self.check.place == BETWEEN_BOARDS
        lasting, short = self.place.carried[conductors], self.place.carried[conductors + 2]
        name = f"{self.place.segment}/{'conductors' if conductors else 'references'}"
        if self.check.subject in ("working voltage", "creepage") or short.voltage == lasting.voltage:
            return lasting, f"isolation/{name}"
        return short, f"transient/{name}"

    @property
    def stress(self) -> Worst:
        """Return the voltage that the check rests upon, with the state that brings it."""
        return self._decides[0]

    @property
    def figure(self) -> str:
        """Return the name of that voltage's sum."""
        return self._decides[1]

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
    name: str, carried: tuple[Voltages, ...], judged: tuple[Judged, ...]
) -> dict[_About, list[tuple[str, Deciding]]]:
    """Return what decides for a chain, and what part of it that is, of everything that is asked for."""
    alike: dict[int, list[int]] = {}
    for place, each in enumerate(judged):
        alike.setdefault(id(each.checks), []).append(place)
    groups: dict[_About, list[tuple[_Place, Check]]] = {}
    for first, *others in alike.values():
        place_ = _Place(segment_name(name, first + 1), carried[first], judged[first], 1 + len(others))
        for check in judged[first].checks:
            if is_asked(judged[first], check):
                groups.setdefault((check.subject, check.place == BETWEEN_BOARDS), []).append((place_, check))
    return {about: list(_deciding(checks, _sense(about[0]))) for about, checks in groups.items()}


def _sense(subject: Subject) -> Sense:
    return "at most" if subject in ("working voltage", "transient voltage") else "at least"


def is_asked(judged: Judged | SegmentIsolation, check: Check) -> bool:
    """Tell whether a check is asked for: not where the other barrier holds all, or nothing is required."""
    if check.status != "not checked":
        return True
    if check.subject == "working voltage":
        return judged.rating is None
    return check.subject != "test voltage" or check.required is not None


def _checked(name: str, subject: Subject, meaning: str, *, between_boards: bool = False) -> Kind[Deciding]:
    """Declare a figure that is judged for a whole chain, on the segment with the least margin."""
    sense = _sense(subject)
    kind = Kind[Deciding](
        name,
        LENGTH if subject in ("creepage", "clearance") else VOLTAGE,
        ("chain", "part"),
        "isolation",
        lambda each: each.check.required if sense == "at most" else each.check.provided,
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
                limit = check.provided if sense == "at most" else check.required
                yield kind(chain, rest, item=each, limit=limit, judged=True)

    figures.__doc__ = meaning
    kind.of(figures)
    return kind


def _deciding(checks: list[tuple[_Place, Check]], sense: Sense) -> Iterator[tuple[str, Deciding]]:
    """Yield the check with the least margin, and beside it that the rest is not known."""

    def margin_share(each: tuple[_Place, Check]) -> float:
        limit = each[1].provided if sense == "at most" else each[1].required
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
BARRIER_TRANSIENT = _checked(
    "barrier transient voltage",
    "transient voltage",
    "What a chain's barriers carry for milliseconds, within their rating.",
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
