"""Parameters: values of a plan that can be moved by themselves, how far at most, and the plan with one moved.

A parameter moves in grains: whole steps of a size that a reader would write down. Where its value has a
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
from chainplan.plan.model import Plan
from chainplan.plan.parts import SegmentSpec
from chainplan.plan.problems import KeyPath, dotted
from chainplan.plan.spelling import spelled
from chainplan.quantity import COUNT, LENGTH, RATIO, Dimension, Span

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


class Parameter(NamedTuple):
    """One thing that can move. `present`, `grain`, `least` and `most` are ticks of `dimension`.

    `plan` gives the plan with the parameter at a value, `network` does so with the network where the change
    is not one of a key's value; the other one is None. `settings` spells the change as ``KEY=VALUE`` texts.
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
    """A parameter at another value, ticks."""

    parameter: Parameter
    value: int

    @property
    def size(self) -> Fraction:
        """Return the move as a share of the present value; of the whole range where that is zero."""
        base = self.parameter.present or self.parameter.most
        return abs(Fraction(self.value - self.parameter.present, base))

    @property
    def settings(self) -> tuple[str, ...]:
        """Return the move as ``KEY=VALUE`` texts; nothing where it is more than a value of a key."""
        return self.parameter.settings(self.value)


def moved(evaluation: Evaluation, moves: Iterable[Move]) -> Evaluation:
    """Return the evaluation of a plan with parameters moved; what no move reaches is taken over."""
    for move in sorted(
        moves, key=lambda move: move.parameter.plan is None
    ):  # a network is made of a whole plan
        evaluation = _moved(evaluation, *move)
    return evaluation


def _moved(evaluation: Evaluation, parameter: Parameter, value: int) -> Evaluation:
    if parameter.plan is not None:
        return evaluation.altered(parameter.plan(evaluation.plan, value))
    assert parameter.network is not None  # it is one of the two
    return evaluation.altered(evaluation.plan, network=parameter.network(evaluation.network, value))


# How it moves ---------------------------------------------------------------------------------------------


def quantity(
    name: str,
    subject: str,
    plan: Plan,
    path: KeyPath,
    dimension: Dimension,
) -> Parameter:
    """Return the parameter of a quantity; its tolerance keeps its share of it."""
    span: Span = value_at(plan, path)

    def at(value: int) -> Span:
        return span.in_proportion(Fraction(value, span.typical))

    return Parameter(
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


def tolerance(
    name: str, subject: str, plan: Plan, path: KeyPath, dimension: Dimension
) -> Iterator[Parameter]:
    """Yield the parameter that widens or narrows a tolerance about its value, both sides as the wider one."""
    span: Span = value_at(plan, path)
    wide = max(span.max - span.typical, span.typical - span.min)
    if not wide:
        return

    def at(value: int) -> Span:
        part = Fraction(span.typical * value, WHOLE)
        return Span(span.typical - floor(part), span.typical, span.typical + ceil(part))

    present = -(-wide * WHOLE // span.typical)
    yield Parameter(
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


def count(name: str, subject: str, plan: Plan, path: KeyPath, least: int) -> Parameter:
    """Return the parameter of a number at a path."""
    present = value_at(plan, path)
    return Parameter(
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


def cable(plan: Plan, name: str) -> Iterator[Parameter]:
    """Yield the parameter that makes all cables of a chain longer or shorter in proportion."""
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
    paths += [("chains", name, "hops", number) for number in range(len(chain.hops))]
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
    yield Parameter(
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


class Boards:
    """A network with other numbers of boards on a chain and its copies, at their far ends.

    Boards come off one by one, so a network is made of the next larger one that is there already.
    """

    def __init__(self, network: Network, chains: Sequence[Chain]) -> None:
        self.present = len(boards_on(chains[0]))
        self._chains = chains
        self._made = {self.present: network}

    def __call__(self, boards: int) -> Network:
        """Return the network with so many boards."""
        if boards not in self._made:
            near = min((more for more in self._made if boards < more <= self.present), default=self.present)
            self._made[boards] = with_boards_on(self._made[near], self._chains, boards)
        return self._made[boards]


def boards(network: Network, name: str, chains: Sequence[Chain]) -> Iterator[Parameter]:
    """Yield the parameter that adds boards at the far end of a chain and its copies, or takes them off."""
    made = Boards(network, chains)
    present = made.present
    room = MOST_NODES - len(network.nodes)
    most = present + max(room // (len(chains) * len(boards_on(chains[0])[-1])), 0)
    most = min(most, MOST_BOARDS * present)

    def altered(changed: Network, boards: int) -> Network:
        return made(boards) if changed is network else with_boards_on(changed, chains, boards)

    yield Parameter("boards on the chain", name, COUNT, present, 1, 1, most, None, altered, lambda _: ())


def cells(network: Network, name: str, chains: Sequence[Chain]) -> Iterator[Parameter]:
    """Yield the parameter that changes the number of cells of every node of a chain and its copies."""
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
    yield Parameter(
        "cells per node", name, COUNT, present, 1, least, present + more, None, altered, lambda _: ()
    )


def _grain(present: int, digits: int = DIGITS) -> int:
    return int(10 ** max(len(str(present)) - digits, 0))
