"""Verdicts on what crosses the wires: data per sample and per scan, efficiency, the host bus."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache
from math import ceil, floor
from typing import TYPE_CHECKING

from chainplan.budgets.data import host_bus_time
from chainplan.quantity import BITS, DATA_PER_SAMPLE, RATIO
from chainplan.verdicts.verdict import BYTE, WHOLE, Verdict, idle, share

if TYPE_CHECKING:
    from chainplan.budgets.data import ControllerBytes
    from chainplan.budgets.scan import ControllerScan
    from chainplan.evaluation import Evaluation


def traffic_verdicts(evaluation: Evaluation) -> Iterator[Verdict]:
    """Yield data per sample and per scan, efficiency and host bus load, as far as the plan limits them."""
    targets = evaluation.plan.targets
    counted = set()
    for traffic in evaluation.traffic:
        name = traffic.controller
        for task in traffic.tasks:
            most = targets.bytes_per_sample.get(task.task)
            if most is None or task.bytes_per_sample is None:
                continue
            counted.add(task.task)
            yield Verdict(
                "data per sample",
                f"{name}, {task.task}",
                ceil(task.bytes_per_sample * BYTE),
                "at most",
                _ticks(most),
                DATA_PER_SAMPLE,
                f"bytes/{name}/{task.task}",
            )
        if targets.bytes_per_scan:
            most_bits, figure = targets.bytes_per_scan.min, f"bytes/{name}"
            carried = traffic.busiest_scan.total
            yield Verdict("data per scan", name, carried, "at most", most_bits, BITS, figure)
        if targets.efficiency:
            reached, figure = floor(traffic.efficiency * WHOLE), f"payload/{name}"
            least = targets.efficiency.max
            yield Verdict("efficiency", name, reached, "at least", least, RATIO, figure)
        if targets.host_bus_load:
            yield _host_bus(evaluation.scans[name], traffic, targets.host_bus_load.min)
    for task_name in (name for name in targets.bytes_per_sample if name not in counted):
        limit = _ticks(targets.bytes_per_sample[task_name])
        yield idle("data per sample", task_name, limit, DATA_PER_SAMPLE)


@lru_cache(maxsize=256)
def _ticks(bytes_per_sample: float) -> int:
    """Return a limit in ticks, rounded down: the decimal that was written, not the binary one."""
    return floor(Fraction(str(bytes_per_sample)) * BYTE)


def _host_bus(scan: ControllerScan, traffic: ControllerBytes, limit: int) -> Verdict:
    name = traffic.controller
    busy = host_bus_time(scan, traffic)
    used = None if busy is None else share(busy.total, scan.controller.plan.scan_period.min)
    note = "the controller has no host bus in the plan" if busy is None else ""
    return Verdict("host bus load", name, used, "at most", limit, RATIO, f"host-bus/{name}", note=note)
