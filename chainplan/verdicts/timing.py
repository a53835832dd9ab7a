"""Verdicts on time: scans, conversions, ages and skews of samples, fault handling."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from chainplan.budgets.age import overlapped_conversion, runs_from_sample_to_memory, slot_starts
from chainplan.budgets.terms import Case
from chainplan.quantity import RATIO, TIME
from chainplan.verdicts.verdict import Verdict, idle, share

if TYPE_CHECKING:
    from chainplan.budgets.scan import ControllerScan
    from chainplan.evaluation import Evaluation


def scan_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield whether each controller's scans fit, how long and how full they are, and its conversions."""
    targets = evaluation.plan.targets
    for scan in evaluation.scans.values():
        name, figure = scan.controller.name, f"scan/{scan.controller.name}"
        worst, typical = scan.longest, scan.usual
        period = scan.controller.plan.scan_period
        yield Verdict(
            "scan fits its period",
            name,
            worst,
            "at most",
            period.min,
            TIME,
            figure,
            note=scan.phases.quality,
            typical=typical,
        )
        if targets.scan_time:
            limit = targets.scan_time.min
            yield Verdict("scan time", name, worst, "at most", limit, TIME, figure, typical=typical)
        if targets.utilisation:
            used, usually = share(worst, period.min), share(typical, period.typical)
            limit = targets.utilisation.min
            yield Verdict("utilisation", name, used, "at most", limit, RATIO, figure, typical=usually)
        yield from _conversions(scan)


def _conversions(scan: ControllerScan) -> Iterator[Verdict]:
    """With overlap a conversion must be over before its task's next trigger."""
    for index, work in enumerate(scan.works):
        if not runs_from_sample_to_memory(work.task):
            continue
        plan = scan.controller.plan
        starts = slot_starts(scan, index, Case.WORST)
        early = min(slot_starts(scan, index, Case.BEST))
        room = plan.scan_period.min * work.task.every - plan.scan_jitter.max - (max(starts) - early)
        yield Verdict(
            "overlapped conversion time",
            f"{scan.controller.name}, {work.name}",
            overlapped_conversion(scan, index).total,
            "at most",
            room,
            TIME,
            f"conversion/{scan.controller.name}/{work.name}",
        )


def sample_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield the age and skew of each task's samples, as far as the plan limits them."""
    targets = evaluation.plan.targets
    for timing in evaluation.samples:
        subject = f"{timing.controller}, {timing.task}"
        age, skew = targets.sample_age.get(timing.task), targets.skew.get(timing.task)
        if age:
            yield Verdict(
                "sample age",
                subject,
                timing.age.total,
                "at most",
                age.min,
                TIME,
                f"age/{timing.controller}/{timing.task}",
                timing.where,
                typical=timing.typical_age.total,
            )
        if skew:
            triggered = evaluation.plan.tasks[timing.task].kind == "measure"
            yield Verdict(
                "skew",
                subject,
                timing.skew.total if triggered else None,
                "at most",
                skew.min,
                TIME,
                f"skew/{timing.controller}/{timing.task}",
                note="" if triggered else "without a trigger every node samples when it likes",
                typical=timing.typical_skew.total if triggered else None,
            )
    sampled = {timing.task for timing in evaluation.samples}
    for target, limits in (("sample age", targets.sample_age), ("skew", targets.skew)):
        for task in (name for name in limits if name not in sampled):
            yield idle(target, task, limits[task].min, TIME)


def latency_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield each hazard's fault handling time beside its fault tolerant time (ISO 26262-1:2018, 3.61)."""
    for latency in evaluation.latencies:
        yield Verdict(
            "fault handling time",
            latency.hazard,
            latency.longest,
            "below",
            latency.tolerant_time,
            TIME,
            f"latency/{latency.hazard}",
            latency.controller,
            latency.path,
            latency.typical_handling,
        )
