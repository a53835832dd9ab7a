"""Levers: what of a plan can be moved by itself, how far at most, and the plan with it moved.

A lever moves in grains: whole steps of a size that a reader would write down. Where its value has a
tolerance, the tolerance keeps its share of the value.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from math import ceil, floor
from typing import NamedTuple

from chainplan.chain.altered import boards_on, most_cells_added, with_boards_on, with_cells
from chainplan.chain.network import Chain, Network
from chainplan.evaluation import Evaluation
from chainplan.plan.altered import value_at, with_value
from chainplan.plan.checks import HIGHEST
from chainplan.plan.model import Plan
from chainplan.plan.parts import SegmentSpec
from chainplan.plan.problems import KeyPath, dotted
from chainplan.plan.spelling import spelled
from chainplan.quantity import (
    BIT_RATE,
    COUNT,
    CURRENT,
    LENGTH,
    RATIO,
    TIME,
    VOLTAGE,
    Dimension,
    Span,
)

FAR = 10
"""A quantity is moved up to this many times its value, and down to one part in so many."""

MOST_COUNT = 20
"""Retries, readings to debounce: looked at up to this many."""

WIDEST = RATIO.units["%"] * 20
"""Widest tolerance looked at."""

MOST_NODES = 400
"""Nodes of a network up to which boards are added to it."""

MOST_BOARDS = 4
"""Boards are added to a chain up to so many times those it has."""

DIGITS = 4
"""Digits of a quantity that a grain leaves."""

WHOLE = int(RATIO.units[""])


class Lever(NamedTuple):
    """One thing that can move. `present`, `grain`, `least` and `most` are ticks of `dimension`.

    `plan` gives the plan with the lever at a value, `network` does so with the network where the change is
    not one of a key's value; the other one is None. `settings` spells the change as ``KEY=VALUE`` texts.
    """

    name: str
    subject: str
    dimension: Dimension
    present: int
    grain: int
    least: int
    most: int
    plan: Callable[[Plan, int], Plan] | None
    network: Callable[[Network, int], Network] | None
    settings: Callable[[int], tuple[str, ...]]

    def grains(self, direction: int) -> int:
        """Return how many grains it can move up (1) or down (-1)."""
        way = self.most - self.present if direction > 0 else self.present - self.least
        return max(way // self.grain, 0)

    def value(self, grains: int) -> int:
        """Return the value so many grains up (or, negative, down), ticks."""
        return self.present + grains * self.grain


class Move(NamedTuple):
    """A lever at another value, ticks."""

    lever: Lever
    value: int

    @property
    def size(self) -> Fraction:
        """Return the move as a share of the present value; of the whole range where that is zero."""
        base = self.lever.present or self.lever.most
        return abs(Fraction(self.value - self.lever.present, base))

    @property
    def settings(self) -> tuple[str, ...]:
        """Return the move as ``KEY=VALUE`` texts; nothing where it is more than a value of a key."""
        return self.lever.settings(self.value)


def moved(evaluation: Evaluation, moves: Iterable[Move]) -> Evaluation:
    """Return the evaluation of a plan with levers moved."""
    moves = list(moves)
    plan = evaluation.plan
    for move in moves:
        if move.lever.plan is not None:
            plan = move.lever.plan(plan, move.value)
    on_network = [move for move in moves if move.lever.network is not None]
    if not on_network:
        return evaluation.altered(plan)
    trial = Evaluation(plan)
    for move in on_network:
        assert move.lever.network is not None  # just looked for
        trial.network = move.lever.network(trial.network, move.value)
    return trial


def levers(evaluation: Evaluation) -> list[Lever]:
    """Return what can be moved in a plan: of its types only those that are in use."""
    return [
        *_of_protocols(evaluation),
        *_of_chains(evaluation),
        *_of_controllers(evaluation),
        *_of_conversions(evaluation),
        *_of_hazards(evaluation.plan),
        *_of_isolation(evaluation),
        *_of_uplink(evaluation.plan),
    ]


# What there is to move ------------------------------------------------------------------------------------


def _of_protocols(evaluation: Evaluation) -> Iterator[Lever]:
    plan = evaluation.plan
    for name in dict.fromkeys(chain.plan.protocol for chain in evaluation.network.chains.values()):
        path: KeyPath = ("protocols", name, "bit_rate")
        yield _quantity("bit rate", name, plan, path, BIT_RATE)
        yield from _tolerance("bit rate tolerance", name, plan, path, BIT_RATE)


def _of_chains(evaluation: Evaluation) -> Iterator[Lever]:
    network = evaluation.network
    for name, chains in network.families.items():
        yield from _boards(network, name, chains)
        yield from _cells(network, name, chains)
        yield from _cable(evaluation.plan, name)


def _of_controllers(evaluation: Evaluation) -> Iterator[Lever]:
    plan = evaluation.plan
    for name, controller in plan.controllers.items():
        path: KeyPath = ("controllers", name)
        yield _quantity("scan period", name, plan, (*path, "scan_period"), TIME)
        yield from _tolerance("scan period tolerance", name, plan, (*path, "scan_period"), TIME)
        if controller.set_up.max:
            yield _quantity("host set-up", name, plan, (*path, "set_up"), TIME)
        yield _count("retries in reserve", name, plan, (*path, "retry_reserve"), 0)
        yield _quantity("evaluation period", name, plan, (*path, "evaluation", "period"), TIME)


def _of_conversions(evaluation: Evaluation) -> Iterator[Lever]:
    plan = evaluation.plan
    wanted = {task.conversion or task.reads for task in plan.tasks.values() if task.kind != "write"}
    used = dict.fromkeys(
        entry.type for board in _boards_in_use(evaluation) for entry in plan.board_types[board].nodes
    )
    for node in used:
        for conversion in plan.node_types[node].conversions:
            if conversion in wanted:
                path: KeyPath = ("node_types", node, "conversions", conversion, "time")
                yield _quantity(f"conversion of {conversion}", node, plan, path, TIME)
        if plan.node_types[node].balancing is not None:
            current: KeyPath = ("node_types", node, "balancing", "current")
            yield _quantity("balancing current", node, plan, current, CURRENT)


def _boards_in_use(evaluation: Evaluation) -> dict[str, None]:
    return dict.fromkeys(
        kind
        for string in evaluation.plan.strings.values()
        for kind in (
            *(run.type for run in string.boards),
            *(exception.type for exception in string.exceptions.values()),
        )
    )


def _of_hazards(plan: Plan) -> Iterator[Lever]:
    for name in plan.hazards:
        yield _count("readings to debounce", name, plan, ("hazards", name, "debounce"), 1)


def _of_isolation(evaluation: Evaluation) -> Iterator[Lever]:
    plan = evaluation.plan
    used = dict.fromkeys(
        barrier[0]
        for chain in evaluation.network.chains.values()
        for segment in chain.segments
        for barrier in (segment.hop.near_barrier, segment.hop.far_barrier)
        if barrier is not None
    )
    for name in used:
        for key, dimension in _RATINGS.items():
            path: KeyPath = ("barrier_types", name, key)
            if value_at(plan, path) is not None:
                yield _quantity(f"barrier {key.replace('_', ' ')}", name, plan, path, dimension)
    altitude: KeyPath = ("insulation", "altitude")
    present = value_at(plan, altitude)
    yield Lever(
        "altitude",
        "",
        LENGTH,
        present.max,
        10**11,
        0,
        HIGHEST,
        lambda changed, value: with_value(changed, altitude, Span.exact(value)),
        None,
        lambda value: (f"{dotted(altitude)}={spelled(Span.exact(value), LENGTH)}",),
    )


_RATINGS = {"working_voltage": VOLTAGE, "test_voltage": VOLTAGE, "creepage": LENGTH, "clearance": LENGTH}
"""What a barrier offers."""


def _of_uplink(plan: Plan) -> Iterator[Lever]:
    for name in plan.uplink.buses if plan.uplink is not None else ():
        path: KeyPath = ("uplink", "buses", name, "bit_rate")
        yield _quantity("uplink bit rate", name, plan, path, BIT_RATE)


# How it moves ---------------------------------------------------------------------------------------------


def _quantity(name: str, subject: str, plan: Plan, path: KeyPath, dimension: Dimension) -> Lever:
    span: Span = value_at(plan, path)

    def at(value: int) -> Span:
        return span.in_proportion(Fraction(value, span.typical))

    return Lever(
        name,
        subject,
        dimension,
        span.typical,
        _grain(span.typical),
        -(-span.typical // FAR),
        span.typical * FAR,
        lambda changed, value: with_value(changed, path, at(value)),
        None,
        lambda value: (f"{dotted(path)}={spelled(at(value), dimension)}",),
    )


def _tolerance(name: str, subject: str, plan: Plan, path: KeyPath, dimension: Dimension) -> Iterator[Lever]:
    """Yield the lever that widens or narrows a tolerance about its value, both sides as the wider one."""
    span: Span = value_at(plan, path)
    wide = max(span.max - span.typical, span.typical - span.min)
    if not wide:
        return

    def at(value: int) -> Span:
        part = Fraction(span.typical * value, WHOLE)
        return Span(span.typical - floor(part), span.typical, span.typical + ceil(part))

    present = -(-wide * WHOLE // span.typical)
    yield Lever(
        name,
        subject,
        RATIO,
        present,
        _grain(present, digits=2),
        0,
        max(int(WIDEST), present),
        lambda changed, value: with_value(changed, path, at(value)),
        None,
        lambda value: (f"{dotted(path)}={spelled(at(value), dimension)}",),
    )


def _count(name: str, subject: str, plan: Plan, path: KeyPath, least: int) -> Lever:
    present = value_at(plan, path)
    return Lever(
        name,
        subject,
        COUNT,
        present,
        1,
        least,
        max(MOST_COUNT, present),
        lambda changed, value: with_value(changed, path, value),
        None,
        lambda value: (f"{dotted(path)}={value}",),
    )


def _cable(plan: Plan, name: str) -> Iterator[Lever]:
    """Yield the lever that makes all cables of a chain longer or shorter in proportion."""
    chain = plan.chains[name]
    paths: list[KeyPath] = [
        ("chains", name, key, "length")
        for key in ("segments", "head_segment", "back_segment")
        if _length(getattr(chain, key))
    ]
    paths += [
        ("chains", name, "exceptions", number, "length")
        for number, spec in chain.exceptions.items()
        if _length(spec)
    ]
    spans: dict[KeyPath, Span] = {path: value_at(plan, path) for path in paths}
    if not spans:
        return

    def changed_plan(changed: Plan, value: int) -> Plan:
        for path, span in spans.items():
            changed = with_value(changed, path, span.in_proportion(Fraction(value, WHOLE)))
        return changed

    def settings(value: int) -> tuple[str, ...]:
        share = Fraction(value, WHOLE)
        return tuple(
            f"{dotted(path)}={spelled(span.in_proportion(share), LENGTH)}" for path, span in spans.items()
        )

    percent = int(RATIO.units["%"])
    yield Lever(
        "cable length, in proportion",
        name,
        RATIO,
        WHOLE,
        percent,
        WHOLE // FAR,
        WHOLE * FAR * FAR,
        changed_plan,
        None,
        settings,
    )


def _length(spec: SegmentSpec) -> bool:
    return spec.length is not None and spec.length.max > 0


def _boards(network: Network, name: str, chains: Sequence[Chain]) -> Iterator[Lever]:
    present = boards_on(chains[0])
    room = MOST_NODES - len(network.nodes)
    most = len(present) + max(room // (len(chains) * len(present[-1])), 0)
    most = min(most, MOST_BOARDS * len(present))

    def altered(changed: Network, boards: int) -> Network:
        return with_boards_on(changed, chains, boards)

    yield Lever("boards on the chain", name, COUNT, len(present), 1, 1, most, None, altered, lambda _: ())


def _cells(network: Network, name: str, chains: Sequence[Chain]) -> Iterator[Lever]:
    present = max(node.cells for node in chains[0].nodes)
    fewest = min((node.cells for node in chains[0].nodes if node.cells), default=0)
    if not fewest:
        return
    more = min(most_cells_added(chain) for chain in chains)

    def altered(changed: Network, cells: int) -> Network:
        for chain in chains:
            changed = with_cells(changed, chain.name, cells - present)
        return changed

    least = present - fewest + 1
    yield Lever("cells per node", name, COUNT, present, 1, least, present + more, None, altered, lambda _: ())


def _grain(present: int, digits: int = DIGITS) -> int:
    return int(10 ** max(len(str(present)) - digits, 0))
