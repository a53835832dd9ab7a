"""From a plan to its results: every budget, worked out when first asked for and kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from operator import is_
from typing import Any

from chainplan.budgets.errors import distances, losses, residual
from chainplan.budgets.faults import figures as fault_figures
from chainplan.budgets.faults import walk
from chainplan.budgets.isolation import figures as isolation_figures
from chainplan.budgets.isolation import segments
from chainplan.budgets.line import jabber, length, link
from chainplan.budgets.scanning import bus_load, scan, traffic
from chainplan.budgets.standby import balancing, self_consumption, silence, start_up
from chainplan.budgets.uplink import buses, end_to_end_age
from chainplan.budgets.values import age, asleep, monitoring, reported
from chainplan.chain import build
from chainplan.figures.budget import BUDGETS, Budget
from chainplan.figures.figure import KINDS, NO_FIGURES, TYPICAL, Figure, Figures, Kind
from chainplan.figures.sections import SECTIONS, WALKING
from chainplan.figures.terms import Sum
from chainplan.plan.model import Plan

_Known = dict[object, tuple[list[Any], Any]]
"""By name of a budget, or by kind of figure: what it got, and what came of that."""


@cache
def kinds(*sections: str) -> tuple[Kind[Any], ...]:
    """Return every kind of figure, or those of some sections, in the order of the report."""
    order = list(SECTIONS)
    wanted = sorted(KINDS, key=lambda kind: order.index(kind.section))
    return tuple(kind for kind in wanted if not sections or kind.section in sections)


class Evaluation:
    """All results for one checked plan.

    `given` are results that stand instead of what a budget would work out, by its name: a network that no
    plan lays out, say. `known` is what another evaluation has worked out already: a budget that gets the very
    same objects here gives the very same result.
    """

    network = build.network
    units = build.units
    scans = scan.scans
    samples = age.samples
    traffic = traffic.traffic
    bus_loads = bus_load.bus_loads
    latencies = reported.latencies
    reported = reported.reported
    isolation = segments.isolation
    faults = walk.faults
    monitoring = monitoring.monitoring
    start_ups = start_up.start_ups
    asleep = asleep.asleep
    node_balancing = balancing.node_balancing
    balancing_times = balancing.balancing_times
    self_consumption = self_consumption.self_consumption
    silences = silence.silences
    lengths = length.lengths
    longest_sendings = jabber.longest_sendings
    fast_cables = link.fast_cables
    errors = losses.errors
    distances = distances.distances
    residual = residual.residual
    buses = buses.buses
    end_to_end_ages = end_to_end_age.end_to_end_ages

    def __init__(
        self, plan: Plan, *, given: Mapping[Any, Any] | None = None, known: _Known | None = None
    ) -> None:
        self.plan = plan
        self._results: dict[object, Any] = dict(given or {})
        self._known: _Known = dict(known or {})

    def altered(self, plan: Plan, **given: Any) -> Evaluation:
        """Return the evaluation of another plan, or of other results given, with what stays taken over.

        Nothing that was given to this one is handed on.
        """
        return Evaluation(plan, given=given, known=self._known)

    def result(self, name: str) -> Any:
        """Return the result of a budget, or a section of the plan. Raises AttributeError if it is neither."""
        if name in self._results:
            return self._results[name]
        budget = BUDGETS.get(name)
        return getattr(self.plan, name) if budget is None else self._worked_out(name, budget)

    def figures(self, kind: Kind[Any]) -> Figures:
        """Return all figures of a kind, judged or not."""
        found: Figures = self._results[kind] if kind in self._results else self._worked_out(kind, kind)
        return found

    def _worked_out(self, key: object, what: Budget[..., Any] | Kind[Any]) -> Any:
        """Return what comes of the results that something needs, or came of the very same ones before."""
        inputs = [self.result(each) for each in what.needs]
        known = self._known.get(key)
        if known is not None and all(map(is_, inputs, known[0])):
            found = known[1]
        else:
            found = what.work_out(*inputs)
            if what.keeps and known is not None and found == known[1]:
                found = known[1]
            self._known[key] = inputs, found
        self._results[key] = found
        return found

    def limited(self, kind: Kind[Any]) -> Figures:
        """Return all figures of a kind if the plan has a limit for any; if not, none is worked out."""
        return self.figures(kind) if kind.asked(self.plan) else NO_FIGURES

    def judged(self, of: Iterable[Kind[Any]]) -> Iterator[Figure]:
        """Yield the figures of some kinds that the plan has a limit for."""
        for kind in of:
            yield from self.limited(kind).judged

    @property
    def verdicts(self) -> tuple[Figure, ...]:
        """Return every figure that is judged, in the order of the report."""
        if "verdicts" not in self._results:
            self._results["verdicts"] = tuple(self.judged(kinds()))
        found: tuple[Figure, ...] = self._results["verdicts"]
        return found

    @property
    def missed(self) -> Sequence[Figure]:
        """Return the targets that the plan misses."""
        return [figure for kind in kinds() for figure in self.limited(kind).missed]

    def shown(self) -> Iterator[Figure]:
        """Yield every figure, judged or not; faults are walked through only where a target asks for that."""
        for kind in kinds():
            if kind.section not in WALKING or kind.asked(self.plan):
                yield from self.figures(kind)

    def sums(self, of: Iterable[Figure] | None = None) -> dict[str, Callable[[], Sum]]:
        """Return every sum, or those of some figures, by its name; it is worked out when it is called."""
        found: dict[str, Callable[[], Sum]] = {}
        for figure in self.shown() if of is None else of:
            if figure.kind.explained and figure.item is not None:
                for name, work_out in _named_sums(figure):
                    found.setdefault(name, work_out)
        return found


def _named_sums(figure: Figure) -> Iterator[tuple[str, Callable[[], Sum]]]:
    """Yield a figure's sums by name."""

    def of(case: int) -> Callable[[], Sum]:
        def work_out() -> Sum:
            found = figure.sums[case]
            assert found is not None  # it has a name
            return found

        return work_out

    yield figure.figure, of(0)
    if figure.typical is not None and figure.sums[1] is not None:
        yield figure.figure + TYPICAL, of(1)
