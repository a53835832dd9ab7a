"""All results as data: plain values in a fixed order, figures the floats nearest to the exact ones.

A key that holds a quantity ends in its unit: ``_s`` second, ``_V`` volt, ``_m`` metre, ``_bit`` bit,
``_byte`` byte, ``_ratio`` a plain ratio (1 = 100 %), ``_count`` a number of things, ``_dB`` decibel,
``_A`` ampere, ``_Ah`` ampere-hour, ``_per_hour`` a number per hour. Where figures of several dimensions
can stand, the record says its `unit`, in the same words. What is not known is null. Parts with the same
figures share a record that lists their names.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Hashable, Iterator
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, get_type_hints

from chainplan.assumptions import assumptions_of
from chainplan.cautions import CAUTIONS, budget_warnings
from chainplan.figures.figure import Figure, Sense, Status
from chainplan.figures.terms import Sum, Term
from chainplan.plan.problems import dotted
from chainplan.quantity import Dimension
from chainplan.report.fault_data import FaultsRecord, faults_record
from chainplan.report.headroom_data import HeadroomRecord, headroom_record
from chainplan.report.isolation_data import IsolationRecord, isolation_record
from chainplan.report.json_pieces import json_pieces
from chainplan.report.layout_data import ChainRecord, chain_records
from chainplan.report.records import schema_of, written
from chainplan.report.scan_data import (
    BusRecord,
    ScanRecord,
    TrafficRecord,
    bus_record,
    scan_record,
    traffic_record,
)
from chainplan.report.standby_data import (
    BalancingRecord,
    MilestoneRecord,
    SelfConsumption,
    balancing_record,
    milestone_records,
    self_consumption_record,
)
from chainplan.report.units import Number, number, unit_of
from chainplan.report.watch_data import MessageRecord, MonitoringRecord, message_records, monitoring_record
from chainplan.report.wire_data import (
    CheckCodeRecord,
    ErrorsRecord,
    Limits,
    LinkRecord,
    check_code_records,
    errors_record,
    limits_record,
    link_records,
)

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan

SCHEMA_VERSION = 4
"""Rises when a program that reads an older shape would stumble."""


class ToolRecord(NamedTuple):
    """What wrote the results."""

    name: str
    version: str


class PlanRecord(NamedTuple):
    """Which plan the results are about."""

    file: str
    include: list[str]
    set: dict[str, str]
    """Values set instead of what the files say, by key."""
    understood: dict[str, str]
    """Values that the plan leaves out because the rest of it says them, as they were taken, by key."""
    title: str
    revision: str
    date: str | None
    about: str


class FigureRecord(NamedTuple):
    """A figure of one subject, beside the limit that the plan sets for it, if it sets one."""

    name: str
    section: str
    """Where it stands in the report."""
    subject: dict[str, str]
    """What it is about, part by part: a controller, a task, a chain."""
    unit: str
    worst: Number
    typical: Number
    limit: Number
    sense: Sense
    """How the worst case must stand to the limit."""
    margin: Number
    margin_share: float | None
    """Of the limit."""
    status: Status | None
    """Null where the plan sets no limit for it."""
    where: str
    note: str
    sum: str
    """Name of its arithmetic in `sums`; empty where there is none."""


class TermRecord(NamedTuple):
    """One addend: times x each = total."""

    label: str
    how: str
    times: int
    each: Number
    total: Number
    parts_of_each: list[TermRecord]
    """The terms that `each` is the sum of; empty where it is not split."""


class SumRecord(NamedTuple):
    """The arithmetic of a figure; its terms add up to it."""

    label: str
    unit: str
    total: Number
    formula: str
    source: str
    terms: list[TermRecord]


class SameSum(NamedTuple):
    """A sum with the same total, terms, formula and source as another one: see there."""

    label: str
    same_as: str
    """Name of the other one."""


class WarningRecord(NamedTuple):
    """A warning about the plan, with its place where it has one."""

    message: str
    file: str | None
    line: int | None
    key: str


class IdleTask(NamedTuple):
    """A task that shows no hazard of the plan."""

    task: str
    reason: str


class ResultsRecord(NamedTuple):
    """All results of one plan."""

    format: Literal["chainplan results"]
    schema_version: int
    tool: ToolRecord
    plan: PlanRecord
    counts: dict[str, int]
    """How many limits are met, missed and not checked."""
    figures: list[FigureRecord]
    """Every figure, judged or not; of segments alike that no limit is about, the first one's."""
    chains: list[ChainRecord]
    scans: list[ScanRecord]
    traffic: list[TrafficRecord]
    host_buses: list[BusRecord]
    start_up: list[MilestoneRecord]
    not_watched_asleep: list[str]
    """Hazards that nobody watches for while the controllers sleep."""
    balancing: list[BalancingRecord]
    self_consumption: SelfConsumption
    single_faults: FaultsRecord
    links: list[LinkRecord]
    headroom: HeadroomRecord | None
    """Null unless it was asked for."""
    limits: Limits | None
    """Null unless it was asked for."""
    errors: list[ErrorsRecord]
    check_codes: list[CheckCodeRecord]
    isolation: IsolationRecord
    monitoring: list[MonitoringRecord]
    idle_tasks: list[IdleTask]
    messages: list[MessageRecord]
    sums: dict[str, SumRecord | SameSum]
    """The arithmetic of figures by its name, with its terms."""
    warnings: list[WarningRecord]
    assumptions: list[str]
    cautions: list[str]


def data_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the results, version :data:`SCHEMA_VERSION`."""
    return schema_of(ResultsRecord, f"chainplan results, schema version {SCHEMA_VERSION}")


def data_pieces(
    loaded: LoadedPlan, evaluation: Evaluation, version: str, *, reach: bool = False, headroom: bool = False
) -> Iterator[str]:
    """Yield all results as strict JSON, piece by piece: ASCII, no NaN, the same bytes for the same plan.

    Results that have been written are not kept.
    """
    return json_pieces(_entries(loaded, evaluation, version, reach=reach, headroom=headroom))


def plan_data(
    loaded: LoadedPlan, evaluation: Evaluation, version: str, *, reach: bool = False, headroom: bool = False
) -> dict[str, Any]:
    """Return all results as plain dicts, lists, texts and numbers; `version` is the tool's own.

    How far each parameter and each chain could go is searched for, and written, only where `headroom` and
    `reach` ask for it.
    """
    return dict(_entries(loaded, evaluation, version, reach=reach, headroom=headroom))


def _entries(
    loaded: LoadedPlan, evaluation: Evaluation, version: str, *, reach: bool, headroom: bool
) -> Iterator[tuple[str, Any]]:
    """Yield the parts of the results in order, each worked out when it is asked for."""
    parts = _parts(loaded, evaluation, version, reach=reach, headroom=headroom)
    for name, kind in get_type_hints(ResultsRecord, include_extras=True).items():
        yield name, written(parts[name](), kind)


def _parts(
    loaded: LoadedPlan, evaluation: Evaluation, version: str, *, reach: bool, headroom: bool
) -> dict[str, Callable[[], Any]]:
    told = _ToldFigures(evaluation)
    asleep = evaluation.asleep
    return {
        "format": lambda: "chainplan results",
        "schema_version": lambda: SCHEMA_VERSION,
        "tool": lambda: ToolRecord("chainplan", version),
        "plan": lambda: _plan(loaded),
        "counts": lambda: counts(evaluation),
        "figures": lambda: map(_figure, told.figures()),
        "chains": lambda: chain_records(evaluation.network),
        "scans": lambda: map(scan_record, evaluation.scans.values()),
        "traffic": lambda: map(traffic_record, evaluation.traffic),
        "host_buses": lambda: map(bus_record, evaluation.bus_loads),
        "start_up": lambda: milestone_records(evaluation),
        "not_watched_asleep": lambda: asleep.not_watched if asleep else (),
        "balancing": lambda: [
            balancing_record(group) for groups in evaluation.node_balancing.values() for group in groups
        ],
        "self_consumption": lambda: self_consumption_record(evaluation),
        "single_faults": lambda: faults_record(evaluation),
        "links": lambda: [link for each in evaluation.lengths.values() for link in link_records(each)],
        "headroom": lambda: headroom_record(evaluation) if headroom else None,
        "limits": lambda: limits_record(evaluation) if reach else None,
        "errors": lambda: map(errors_record, evaluation.errors.values()),
        "check_codes": lambda: check_code_records(evaluation.distances),
        "isolation": lambda: told.isolation,
        "monitoring": lambda: map(monitoring_record, evaluation.monitoring.kinds.values()),
        "idle_tasks": lambda: [IdleTask(*each) for each in evaluation.monitoring.idle.items()],
        "messages": lambda: message_records(evaluation),
        "sums": told.sums,
        "warnings": lambda: list(_warnings(loaded, evaluation)),
        "assumptions": lambda: assumptions_of(loaded.plan),
        "cautions": lambda: CAUTIONS,
    }


def counts(evaluation: Evaluation) -> dict[str, int]:
    """Return how many limits are met, missed and not checked."""
    found = Counter(verdict.status for verdict in evaluation.verdicts)
    statuses: tuple[Status, ...] = ("met", "missed", "not checked")
    return {status: found[status] for status in statuses}


def _plan(loaded: LoadedPlan) -> PlanRecord:
    plan = loaded.plan
    return PlanRecord(
        file_name(loaded.file),
        list(plan.include),
        {dotted(setting.path): setting.text for setting in loaded.sources.settings},
        {dotted(each.path): each.text for each in loaded.understood},
        plan.title,
        plan.revision,
        plan.date,
        plan.about,
    )


def file_name(name: str) -> str:
    """Return a file's name as Unicode text: bytes of it that are none become replacement characters."""
    return os.fsencode(name).decode("utf-8", "replace")


class _ToldFigures:
    """What is told of each figure: all, but of segments alike only the first, and those that limits name."""

    def __init__(self, evaluation: Evaluation) -> None:
        self._evaluation = evaluation
        self.isolation = isolation_record(evaluation)

    def figures(self) -> list[Figure]:
        """Return the figures that are told of."""
        first = {alike.segments[0] for alike in self.isolation.segments}
        judged = {verdict.figure for verdict in self._evaluation.verdicts}
        return [
            each
            for each in self._evaluation.shown()
            if (each.kind.section, each.kind.labels) != ("isolation", ("segment",))
            or each.parts[0] in first
            or each.figure in judged
        ]

    def sums(self) -> dict[str, SumRecord | SameSum]:
        """Return the sums of these figures by name; where another has the same terms, that one's name."""
        first: dict[Hashable, str] = {}
        found: dict[str, SumRecord | SameSum] = {}
        for name, work_out in self._evaluation.sums(self.figures()).items():
            figure = work_out()
            key = figure.dimension.name, figure.formula, figure.source, figure.terms
            same = first.setdefault(key, name)
            found[name] = _sum(figure) if same == name else SameSum(figure.label, same)
        return found


def _figure(figure: Figure) -> FigureRecord:
    amounts = (figure.value, figure.typical, figure.limit)
    worst, typical, limit = (number(each, figure.dimension) for each in amounts)
    return FigureRecord(
        figure.target,
        figure.kind.section,
        {label: part for label, part in zip(figure.kind.labels, figure.parts, strict=True) if part},
        unit_of(figure.dimension),
        worst,
        typical,
        limit,
        figure.sense,
        number(figure.margin, figure.dimension),
        None if figure.margin_share is None else float(figure.margin_share),
        figure.status if figure.judged else None,
        figure.where,
        figure.note,
        figure.figure,
    )


def _sum(figure: Sum) -> SumRecord:
    return SumRecord(
        figure.label,
        unit_of(figure.dimension),
        number(figure.total, figure.dimension),
        figure.formula,
        figure.source,
        [_term(term, figure.dimension) for term in figure.terms],
    )


def _term(term: Term, dimension: Dimension) -> TermRecord:
    return TermRecord(
        term.label,
        term.how,
        term.times,
        number(term.amount, dimension),
        number(term.total, dimension),
        [_term(part, dimension) for part in term.parts],
    )


def _warnings(loaded: LoadedPlan, evaluation: Evaluation) -> Iterator[WarningRecord]:
    for problem in loaded.warnings:
        place = problem.place
        yield WarningRecord(
            problem.message,
            file_name(place.file) if place else None,
            place.line if place and place.line else None,
            problem.key,
        )
    for message in budget_warnings(evaluation):
        yield WarningRecord(message, None, None, "")
