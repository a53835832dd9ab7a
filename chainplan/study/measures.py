"""What a study measures of a candidate, by name: figures and margins, exactly as the report has them.

A measure is a whole number of ticks or a fraction of them, or None where a candidate has no such figure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import BYTE, WHOLE, Figure
from chainplan.plan.problems import nearest
from chainplan.quantity import COUNT, DATA_PER_SAMPLE, LENGTH, RATIO, Dimension

if TYPE_CHECKING:
    from chainplan.chain.network import Network

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


def bytes_per_sample(evaluation: Evaluation) -> Value:
    """Return wire bytes per value carried, over all tasks and controllers and their major cycles."""
    tasks = [task for traffic in evaluation.traffic for task in traffic.tasks]
    samples = sum((Fraction(task.samples, task.every) for task in tasks), Fraction(0))
    wire = sum((Fraction(task.wire.total, task.every) for task in tasks), Fraction(0))
    return wire / samples * BYTE / 8 if samples else None


def tightest_margin(evaluation: Evaluation) -> Value:
    """Return the least margin of any target as a share of its limit; None if a worst case has no bound.

    What is only met or not, such as cells covered or a claimed distance, has no margin.
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
    "bytes per sample": (DATA_PER_SAMPLE, bytes_per_sample),
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
"""Measures that no kind of figure is."""


def _worst(verdicts: Iterable[Figure]) -> Value:
    found = [verdict for verdict in verdicts if verdict.value is not None or verdict.boundless]
    values = [verdict.value for verdict in found]
    if not values or None in values:
        return None
    known = [value for value in values if value is not None]
    return min(known) if found[0].sense == "at least" else max(known)


def _margin(verdicts: Iterable[Figure]) -> Value:
    found = list(verdicts)
    if any(verdict.boundless for verdict in found):
        return None
    return min((verdict.margin for verdict in found if verdict.margin is not None), default=None)


def _tightest(verdicts: Iterable[Figure]) -> Value:
    found = list(verdicts)
    if any(verdict.boundless for verdict in found):
        return None
    shares = [each for verdict in found if (each := verdict.margin_share) is not None]
    return min(shares) * WHOLE if shares else None


_OF_TARGETS: dict[str, Callable[[Iterable[Figure]], Value]] = {
    "margin share of": _tightest,
    "margin of": _margin,
    "worst": _worst,
}
"""What comes before the name of a target, or of a target and its subject: ``margin of sample age``."""

_FIGURE = "figure "
"""What comes before the name of a figure of `explain`."""


def names_target(name: str, verdict: Figure) -> bool:
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
    if name in _KINDS:
        return Measure(name, _KINDS[name].dimension, OfKind(name))
    target = target_of(name)
    if target is not None:
        dimension = find_target(target, evaluations).dimension
        word = name.removesuffix(f" {target}")
        return Measure(name, RATIO if word == "margin share of" else dimension, OfTarget(word, target))
    if name.startswith(_FIGURE):
        return _figure(name, evaluations)
    choices = [*FIXED, *_KINDS, "margin of TARGET", "margin share of TARGET", "worst TARGET", "figure NAME"]
    raise UnknownMeasureError(
        "there is no such measure", "one of " + ", ".join(choices), nearest(name, choices)
    )


def find_target(name: str, evaluations: Iterable[Evaluation]) -> Figure:
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
class OfKind:
    """Works out the worst of all figures of a kind, by the kind's name."""

    kind: str

    def __call__(self, evaluation: Evaluation) -> Value:
        """Return the figure that is worst; None where the candidate has none, or one without a bound."""
        return _worst(evaluation.figures(_KINDS[self.kind]))


@dataclass(frozen=True)
class OfFigure:
    """Works out a sum by its name, and figures of no other kind than its own."""

    figure: str
    kind: str

    def __call__(self, evaluation: Evaluation) -> Value:
        """Return the total; None where the candidate has no such figure."""
        work_out = evaluation.sums(evaluation.figures(_KINDS[self.kind])).get(self.figure)
        return None if work_out is None else work_out().total


_KINDS = {kind.name: kind for kind in kinds()}


def _figure(name: str, evaluations: Iterable[Evaluation]) -> Measure:
    wanted = name.removeprefix(_FIGURE)
    seen: list[str] = []
    for evaluation in evaluations:
        for kind in kinds():
            names = evaluation.sums(evaluation.figures(kind))
            if wanted in names:
                return Measure(name, names[wanted]().dimension, OfFigure(wanted, kind.name))
            seen += names
    expected = "a name from `chainplan explain PLAN`"
    raise UnknownMeasureError("the plan has no such figure", expected, nearest(wanted, seen))
