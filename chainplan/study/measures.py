"""What a study measures of a candidate, by name: figures and margins, exactly as the report has them.

A measure is a whole number of ticks or a fraction of them, or None where a candidate has no such figure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from chainplan.plan.problems import nearest
from chainplan.quantity import COUNT, DATA_PER_SAMPLE, LENGTH, RATIO, TIME, VOLTAGE, Dimension
from chainplan.verdicts.verdict import BYTE, WHOLE, Verdict, share

if TYPE_CHECKING:
    from chainplan.chain.network import Network
    from chainplan.evaluation import Evaluation

Value = int | Fraction | None
"""Ticks of the measure's dimension, exactly."""


class Measure(NamedTuple):
    """A figure of every candidate: what it is counted in, and where it comes from."""

    name: str
    dimension: Dimension
    of: Callable[[Evaluation], Value]


class UnknownMeasureError(LookupError):
    """A name that no figure bears: what is wrong, what there is, and what was perhaps meant."""

    def __init__(self, message: str, expected: str, near: str | None) -> None:
        super().__init__(message)
        self.expected = expected
        self.nearest = near


def scan_time(evaluation: Evaluation) -> Value:
    """Return the busiest scan of the busiest controller, worst case, fs."""
    return max(scan.longest for scan in evaluation.scans.values())


def utilisation(evaluation: Evaluation) -> Value:
    """Return the largest share of a scan period that a scan takes, worst case."""
    scans = evaluation.scans.values()
    return max(share(scan.longest, scan.controller.plan.scan_period.min) for scan in scans)


def sample_age(evaluation: Evaluation) -> Value:
    """Return the age of the oldest value of any task, worst case, fs."""
    return max((timing.age.total for timing in evaluation.samples), default=None)


def bytes_per_sample(evaluation: Evaluation) -> Value:
    """Return wire bytes per value carried, over all tasks and controllers and their major cycles."""
    tasks = [task for traffic in evaluation.traffic for task in traffic.tasks]
    samples = sum((Fraction(task.samples, task.every) for task in tasks), Fraction(0))
    wire = sum((Fraction(task.wire.total, task.every) for task in tasks), Fraction(0))
    return wire / samples * BYTE / 8 if samples else None


def working_voltage(evaluation: Evaluation) -> Value:
    """Return the highest voltage that the barriers of any segment carry, worst case, uV."""
    return max((segment.working_voltage for segment in evaluation.isolation.segments), default=None)


def tightest_margin(evaluation: Evaluation) -> Value:
    """Return the least margin of any target as a share of its limit; None if a worst case has no bound.

    Counts that must be reached, such as cells covered, have no margin once they are.
    """
    return _tightest(evaluation.verdicts)


def targets_missed(evaluation: Evaluation) -> Value:
    """Return the number of targets missed."""
    return len(evaluation.missed)


def cable_length(evaluation: Evaluation) -> Value:
    """Return the length of all cable between boards and to controllers, at its longest, nm."""
    network = evaluation.network
    return sum(
        segment.hop.length.max
        for chain in network.chains.values()
        for segment in chain.segments
        if not _in_board(network, segment.near, segment.far)
    )


def _in_board(network: Network, near: str, far: str) -> bool:
    ends = network.nodes.get(near), network.nodes.get(far)
    return ends[0] is not None and ends[1] is not None and ends[0].board == ends[1].board


def barriers(evaluation: Evaluation) -> Value:
    """Return the number of barriers, those on boards included."""
    hops = [segment.hop for chain in evaluation.network.chains.values() for segment in chain.segments]
    return sum((hop.near_barrier is not None) + (hop.far_barrier is not None) for hop in hops)


def boards(evaluation: Evaluation) -> Value:
    """Return the number of boards on the chains."""
    return len({node.board for node in evaluation.network.nodes.values()})


def ports(evaluation: Evaluation) -> Value:
    """Return the number of controller ports that chains end at."""
    chains = evaluation.network.chains.values()
    return len({end for chain in chains for end in (chain.head, chain.back) if end})


def nodes(evaluation: Evaluation) -> Value:
    """Return the number of nodes on the chains."""
    return len(evaluation.network.nodes)


def chains(evaluation: Evaluation) -> Value:
    """Return the number of chains, copies counted."""
    return len(evaluation.network.chains)


def cells(evaluation: Evaluation) -> Value:
    """Return the number of cells that nodes watch."""
    return sum(node.cells for node in evaluation.network.nodes.values())


FIXED: dict[str, tuple[Dimension, Callable[[Evaluation], Value]]] = {
    "scan time": (TIME, scan_time),
    "utilisation": (RATIO, utilisation),
    "sample age": (TIME, sample_age),
    "bytes per sample": (DATA_PER_SAMPLE, bytes_per_sample),
    "isolation working voltage": (VOLTAGE, working_voltage),
    "tightest margin": (RATIO, tightest_margin),
    "targets missed": (COUNT, targets_missed),
    "cable length": (LENGTH, cable_length),
    "barriers": (COUNT, barriers),
    "boards": (COUNT, boards),
    "nodes": (COUNT, nodes),
    "chains": (COUNT, chains),
    "ports": (COUNT, ports),
    "cells": (COUNT, cells),
}
"""Measures that every plan has."""


def _worst(verdicts: Iterable[Verdict]) -> Value:
    found = [verdict for verdict in verdicts if verdict.value is not None or verdict.boundless]
    values = [verdict.value for verdict in found]
    if not values or None in values:
        return None
    known = [value for value in values if value is not None]
    return min(known) if found[0].sense == "at least" else max(known)


def _margin(verdicts: Iterable[Verdict]) -> Value:
    found = list(verdicts)
    if any(verdict.boundless for verdict in found):
        return None
    return min((verdict.margin for verdict in found if verdict.margin is not None), default=None)


def _all_there_is(verdict: Verdict) -> bool:
    """Tell whether a target asks for all there is, such as every cell: once met, it has no margin to lose."""
    return verdict.status == "met" and verdict.sense == "at least" and verdict.dimension.name == COUNT.name


def _tightest(verdicts: Iterable[Verdict]) -> Value:
    found = list(verdicts)
    if any(verdict.boundless for verdict in found):
        return None
    shares = [
        each for verdict in found if (each := verdict.margin_share) is not None and not _all_there_is(verdict)
    ]
    return min(shares) * WHOLE if shares else None


_OF_TARGETS: dict[str, Callable[[Iterable[Verdict]], Value]] = {
    "margin share of": _tightest,
    "margin of": _margin,
    "worst": _worst,
}
"""What comes before the name of a target, or of a target and its subject: ``margin of sample age``."""

_FIGURE = "figure "
"""What comes before the name of a figure of `explain`."""


def names_target(name: str, verdict: Verdict) -> bool:
    """Tell whether a name is that of a verdict's target, or of its target and subject."""
    return name in (verdict.target, f"{verdict.target}, {verdict.subject}")


def target_of(name: str) -> str | None:
    """Return the target that a measure is about, if it is about one."""
    return next((name.removeprefix(f"{word} ") for word in _OF_TARGETS if name.startswith(f"{word} ")), None)


def measure(name: str, evaluations: Iterable[Evaluation]) -> Measure:
    """Return the measure of a name, looked for in the first evaluation that has it.

    Raises :class:`UnknownMeasureError`.
    """
    if name in FIXED:
        return Measure(name, *FIXED[name])
    target = target_of(name)
    if target is not None:
        dimension = find_target(target, evaluations).dimension
        word = name.removesuffix(f" {target}")
        return Measure(name, RATIO if word == "margin share of" else dimension, OfTarget(word, target))
    if name.startswith(_FIGURE):
        return _figure(name, evaluations)
    choices = [*FIXED, "margin of TARGET", "margin share of TARGET", "worst TARGET", "figure NAME"]
    raise UnknownMeasureError(
        "there is no such measure", "one of " + ", ".join(choices), nearest(name, choices)
    )


def find_target(name: str, evaluations: Iterable[Evaluation]) -> Verdict:
    """Return a verdict of this name. Raises :class:`UnknownMeasureError`."""
    seen: dict[str, None] = {}
    for evaluation in evaluations:
        for verdict in evaluation.verdicts:
            if names_target(name, verdict):
                return verdict
            seen[verdict.target] = None
            seen[f"{verdict.target}, {verdict.subject}"] = None
    targets = [each for each in seen if "," not in each]
    expected = f"one of {', '.join(targets)}; or one of these, a comma and its subject"
    raise UnknownMeasureError("the plan has no such target", expected, nearest(name, seen))


@dataclass(frozen=True)
class OfTarget:
    """Works out a measure of all verdicts on a target."""

    word: str
    target: str

    def __call__(self, evaluation: Evaluation) -> Value:
        """Return the measure; None where the candidate has no such target."""
        found = (verdict for verdict in evaluation.verdicts if names_target(self.target, verdict))
        return _OF_TARGETS[self.word](found)


@dataclass(frozen=True)
class OfFigure:
    """Works out a sum of :mod:`chainplan.sums` by its name, and no other room of sums than its own."""

    figure: str
    room: int

    def __call__(self, evaluation: Evaluation) -> Value:
        """Return the total; None where the candidate has no such figure."""
        from chainplan.sums import ROOMS

        found = (work_out for name, work_out in ROOMS[self.room](evaluation) if name == self.figure)
        work_out = next(found, None)
        return None if work_out is None else work_out().total


def _figure(name: str, evaluations: Iterable[Evaluation]) -> Measure:
    from chainplan.sums import ROOMS

    wanted = name.removeprefix(_FIGURE)
    seen: list[str] = []
    for evaluation in evaluations:
        for room, names in enumerate(ROOMS):
            for figure, work_out in names(evaluation):
                if figure == wanted:
                    return Measure(name, work_out().dimension, OfFigure(wanted, room))
                seen.append(figure)
    expected = "a name from `chainplan explain PLAN`"
    raise UnknownMeasureError("the plan has no such figure", expected, nearest(wanted, seen))
