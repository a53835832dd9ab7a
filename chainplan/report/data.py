"""All results as data: plain values in a fixed order, every quantity with its unit in its key.

The shape is described by :mod:`chainplan.report.data_schema`; `SCHEMA_VERSION` rises when a program that
reads an older shape would stumble. Figures are the floats nearest to the exact ones.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from chainplan.budgets.age import SampleTiming
from chainplan.budgets.data import ControllerBytes, host_bus_time
from chainplan.budgets.faults import ASSUMPTIONS as FAULT_ASSUMPTIONS
from chainplan.budgets.latency import HazardLatency
from chainplan.budgets.scan import MOST_SCANS, ControllerScan
from chainplan.budgets.sleep import SleepBudget
from chainplan.cautions import ASSUMPTIONS, CAUTIONS, budget_warnings
from chainplan.figures.figure import Figure, share
from chainplan.figures.terms import Case
from chainplan.plan.problems import dotted
from chainplan.quantity import RATIO, TIME
from chainplan.report.alike import kinds_of_scan
from chainplan.report.chain_data import chains_data
from chainplan.report.fault_data import faults_data
from chainplan.report.figures_data import figures_data
from chainplan.report.headroom_data import headroom_data
from chainplan.report.isolation_data import isolation_data
from chainplan.report.json_pieces import json_pieces
from chainplan.report.room_data import coverage_data, uplink_data
from chainplan.report.standby_data import balancing_data, start_up_data, supply_data
from chainplan.report.units import Figure as Number
from chainplan.report.units import span_of_time, with_unit
from chainplan.report.wire_data import errors_data, lengths_data, reach_data

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan
    from chainplan.plan.problems import Problem

SCHEMA_VERSION = 2

Record = dict[str, Any]


def data_pieces(
    loaded: LoadedPlan, evaluation: Evaluation, version: str, *, reach: bool = False, headroom: bool = False
) -> Iterator[str]:
    """Yield all results as strict JSON, piece by piece: ASCII, no NaN, the same bytes for the same plan.

    Results that have been written are not kept.
    """
    return json_pieces(_entries(loaded, evaluation, version, reach=reach, headroom=headroom))


def plan_data(
    loaded: LoadedPlan, evaluation: Evaluation, version: str, *, reach: bool = False, headroom: bool = False
) -> Record:
    """Return all results as plain dicts, lists, texts and numbers; `version` is the tool's own.

    How far each lever and each chain could go is searched for, and written, only where `headroom` and `reach`
    ask for it.
    """
    return dict(_entries(loaded, evaluation, version, reach=reach, headroom=headroom))


def _entries(
    loaded: LoadedPlan, evaluation: Evaluation, version: str, *, reach: bool, headroom: bool
) -> Iterator[tuple[str, Any]]:
    """Yield the parts of the results in order, each worked out when it is asked for."""
    verdicts = evaluation.verdicts
    counts = Counter(verdict.status for verdict in verdicts)
    yield "format", "chainplan results"
    yield "schema_version", SCHEMA_VERSION
    yield "tool", {"name": "chainplan", "version": version}
    yield "plan", _plan(loaded)
    yield "counts", {status: counts[status] for status in ("met", "missed", "not checked")}
    yield "verdicts", [_verdict(verdict) for verdict in verdicts]
    yield "chains", chains_data(evaluation.network)
    yield "controllers", _controllers(evaluation)
    yield "hazards", [_hazard(latency) for latency in evaluation.latencies]
    yield "start_up", start_up_data(evaluation)
    yield "sleep", _sleep(evaluation.asleep)
    yield "balancing", balancing_data(evaluation)
    yield "supply", supply_data(evaluation)
    yield "single_faults", faults_data(evaluation)
    yield "lengths", lengths_data(evaluation)
    yield "headroom", headroom_data(evaluation) if headroom else None
    yield "reach", reach_data(evaluation) if reach else None
    yield "errors", errors_data(evaluation)
    isolation = isolation_data(evaluation)
    yield "isolation", isolation
    yield "coverage", coverage_data(evaluation)
    yield "uplink", uplink_data(evaluation)
    yield "figures", figures_data(evaluation, [group["segments"][0] for group in isolation["segments"]])
    yield "warnings", [*map(_warning, loaded.warnings), *map(_remark, budget_warnings(evaluation))]
    yield "assumptions", [*ASSUMPTIONS, *FAULT_ASSUMPTIONS]
    yield "cautions", list(CAUTIONS)


def _plan(loaded: LoadedPlan) -> Record:
    plan = loaded.plan
    return {
        "file": _file_name(loaded.file),
        "include": list(plan.include),
        "set": {dotted(setting.path): setting.text for setting in loaded.sources.settings},
        "title": plan.title,
        "revision": plan.revision,
        "date": plan.date,
        "about": plan.about,
    }


def _file_name(name: str) -> str:
    """Return a file's name as Unicode text: bytes of it that are none become replacement characters."""
    return os.fsencode(name).decode("utf-8", "replace")


def _verdict(verdict: Figure) -> Record:
    relative = verdict.margin_share
    return {
        "target": verdict.target,
        "subject": verdict.subject,
        "status": verdict.status,
        "sense": verdict.sense,
        **with_unit("worst", verdict.value, verdict.dimension),
        **with_unit("limit", verdict.limit, verdict.dimension),
        **with_unit("margin", verdict.margin, verdict.dimension),
        "margin_share_of_limit": None if relative is None else float(relative),
        **with_unit("typical", verdict.typical, verdict.dimension),
        "figure": verdict.figure,
        "where": verdict.where,
        "note": verdict.note,
    }


def _controllers(evaluation: Evaluation) -> list[Record]:
    traffic = {each.controller: each for each in evaluation.traffic}
    samples: dict[str, list[SampleTiming]] = {name: [] for name in evaluation.scans}
    for timing in evaluation.samples:
        samples[timing.controller].append(timing)
    return [
        _controller(evaluation, scan, traffic[name], samples[name]) for name, scan in evaluation.scans.items()
    ]


def _controller(
    evaluation: Evaluation, scan: ControllerScan, traffic: ControllerBytes, samples: Iterable[SampleTiming]
) -> Record:
    return {
        "controller": scan.controller.name,
        "scan_period": span_of_time(scan.controller.settings.scan_period),
        "scan": _scan(scan),
        "samples": [
            {
                "task": timing.task,
                **_seconds("age_worst", timing.age.total),
                **_seconds("age_typical", timing.typical_age.total),
                "oldest_at": timing.where,
                **_seconds("skew_worst", timing.skew.total if triggered else None),
                **_seconds("skew_typical", timing.typical_skew.total if triggered else None),
            }
            for timing in samples
            for triggered in [evaluation.plan.tasks[timing.task].kind == "measure"]
        ],
        "bytes": _bytes(scan, traffic),
    }


def _scan(scan: ControllerScan) -> Record:
    phases = scan.phases
    period = scan.controller.settings.scan_period
    return {
        **_seconds("worst", scan.worst.total),
        **_seconds("typical", scan.typical.total),
        "utilisation_worst_ratio": scan.worst.total / period.min,
        "utilisation_typical_ratio": scan.typical.total / period.typical,
        **_seconds("retry_reserve", scan.reserve.total),
        "major_cycle_scans": phases.major_cycle,
        "busiest_scan": phases.busiest_scan,
        "phases": {
            "quality": phases.quality,
            "proved_optimal": phases.proved,
            **_seconds("busiest_slots", phases.busiest),
            **_seconds("lower_bound", phases.lower_bound),
        },
        "tasks": [
            {
                "task": work.name,
                "every_scans": work.task.every,
                "phase": phases.phases[index],
                **_seconds("worst", scan.runs[Case.WORST][index].length),
                **_seconds("typical", scan.runs[Case.TYPICAL][index].length),
            }
            for index, work in enumerate(scan.works)
        ],
        "slots": _slots(scan),
        "slots_complete": phases.major_cycle <= MOST_SCANS,
        "ports": [{"port": port, **_seconds("busy", busy)} for port, busy in scan.port_busy().items()],
        "chains": [{"chain": chain, **_seconds("busy", busy)} for chain, busy in scan.chain_busy().items()],
    }


def _slots(scan: ControllerScan) -> list[Record]:
    """Return the slots of the major cycle, scans with the same tasks in one record."""
    return [
        {
            "scans": numbers,
            "slots": [
                {"task": slot.task, **_seconds("start", slot.start), **_seconds("end", slot.end)}
                for slot in scan.slots(numbers[0])
            ],
        }
        for numbers in kinds_of_scan(scan).values()
    ]


def _bytes(scan: ControllerScan, traffic: ControllerBytes) -> Record:
    busy = host_bus_time(scan, traffic)
    load = None if busy is None else share(busy.total, scan.controller.settings.scan_period.min)
    return {
        "tasks": [
            {
                "task": task.task,
                "every_scans": task.every,
                "exchanges": task.exchanges,
                "samples": task.samples,
                "payload_bit": task.payload,
                "wire_bit": task.wire.total,
                "host_bus_bit": task.host_bus,
                "byte_per_sample": None if task.bytes_per_sample is None else float(task.bytes_per_sample),
                "efficiency_ratio": float(task.efficiency),
            }
            for task in traffic.tasks
        ],
        "busiest_scan_wire_bit": traffic.busiest_scan.total,
        "mean_scan_payload_bit": float(traffic.payload_per_scan),
        "mean_scan_wire_bit": float(traffic.wire_per_scan),
        "mean_scan_host_bus_bit": float(traffic.host_bus_per_scan),
        "efficiency_ratio": float(traffic.efficiency),
        **with_unit("host_bus_load_worst", load, RATIO),
        "log_byte_per_hour": float(traffic.log_per_hour),
    }


def _hazard(latency: HazardLatency) -> Record:
    return {
        "hazard": latency.hazard,
        "controller": latency.controller,
        "path": latency.path,
        "status": "met" if latency.met else "missed",
        **_seconds("FDTI_worst", latency.detection.total),
        **_seconds("FDTI_typical", latency.typical_detection.total),
        **_seconds("FRTI_worst", latency.reaction.total),
        **_seconds("FRTI_typical", latency.typical_reaction.total),
        **_seconds("FHTI_worst", latency.handling.total),
        **_seconds("FHTI_typical", latency.typical_handling),
        **_seconds("FTTI", latency.tolerant_time),
    }


def _sleep(asleep: SleepBudget | None) -> Record | None:
    if asleep is None:
        return None
    return {"hazards": [*map(_hazard, asleep.latencies)], "not_watched": list(asleep.not_watched)}


def _warning(problem: Problem) -> Record:
    place = problem.place
    return {
        "message": problem.message,
        "file": _file_name(place.file) if place else None,
        "line": place.line if place and place.line else None,
        "key": problem.key,
    }


def _remark(message: str) -> Record:
    return {"message": message, "file": None, "line": None, "key": ""}


def _seconds(key: str, ticks: int | None) -> dict[str, Number]:
    return with_unit(key, ticks, TIME)
