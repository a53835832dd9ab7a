"""Verdicts on start-up, sleep, balancing and supply."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from chainplan.quantity import CAPACITY, RATIO, TIME
from chainplan.verdicts.verdict import Verdict

if TYPE_CHECKING:
    from chainplan.budgets.balancing import BalancingTime
    from chainplan.evaluation import Evaluation


def _start_up(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield how long each controller takes to its first complete set of readings."""
    limit = evaluation.plan.targets.start_up
    if limit is None:
        return
    for start in evaluation.start_ups:
        known = not start.missing
        yield Verdict(
            "start-up",
            start.controller,
            start.longest if known else None,
            "at most",
            limit.min,
            TIME,
            f"start-up/{start.controller}" if known else "",
            note=start.missing or start.note,
            typical=start.usual if known else None,
        )


def _sleep(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield the handling time of every hazard that the sleeping nodes watch for."""
    if evaluation.plan.sleep is None or evaluation.sleep is None:
        return
    for latency in evaluation.sleep.latencies:
        yield Verdict(
            "fault handling time asleep",
            latency.hazard,
            latency.handling.total,
            "below",
            latency.tolerant_time,
            TIME,
            f"sleep/{latency.hazard}",
            latency.controller,
            latency.path,
            latency.typical_handling,
        )


def _balancing(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield for each controller the time in which its slowest cells lose what the target says."""
    target = evaluation.plan.targets.balancing
    if target is None:
        return
    for controller, times in evaluation.balancing_times.items():
        if not times:
            note = "none of its nodes has `balancing` in the plan"
            limit = target.within.min
            yield Verdict("balancing time", controller, None, "at most", limit, TIME, "", note=note)
            continue
        unknown = next((each for each in times if each.missing), None)
        worst = max(times, key=_slowness)
        missed = worst.time is None or worst.time.total > target.within.min
        if unknown is not None and (worst is unknown or not missed):
            worst = unknown
        yield _balancing_time(controller, worst, target.within.min)


def _slowness(time: BalancingTime) -> tuple[bool, int]:
    """Order by time: what never ends is slowest, what is not known comes first."""
    never = time.time is None and not time.missing
    return never, time.time.total if time.time else -1


def _balancing_time(controller: str, time: BalancingTime, within: int) -> Verdict:
    group = time.group
    where = group.nodes[0] if len(group.nodes) == 1 else f"{group.nodes[0]} and {len(group.nodes) - 1} alike"
    if time.time is None and not time.missing:
        # There is no time to compare: what can be compared is the share that is left with the one needed.
        note = f"balancing never gets to run: {', '.join(group.pausing)} pause it all the time"
        figure = f"balancing/{controller}/{group.nodes[0]}/left"
        return Verdict("balancing duty", controller, 0, "at least", time.needed, RATIO, figure, where, note)
    return Verdict(
        "balancing time",
        controller,
        time.time.total if time.time else None,
        "at most",
        within,
        TIME,
        f"balancing/{controller}/{group.nodes[0]}" if time.time else "",
        where,
        time.missing,
        time.typical.total if time.typical else None,
    )


def _supply(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield for each string how far its own supply drives its cells apart in 30 days."""
    limit = evaluation.plan.targets.imbalance_per_month
    if limit is None:
        return
    for string in evaluation.supply:
        spread = string.spread
        note = string.missing
        if not note and string.awake is None:
            note = "the plan's `supply` does not say how much of the time the nodes are awake"
        yield Verdict(
            "imbalance in 30 days by supply",
            string.string,
            spread.largest if spread else None,
            "at most",
            limit.min,
            CAPACITY,
            f"supply/{string.string}" if spread else "",
            f"{spread.most} against {spread.least}" if spread else "",
            note,
            spread.usual if spread else None,
        )


STANDBY_ROOMS = (_start_up, _sleep, _balancing, _supply)
