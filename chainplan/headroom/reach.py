"""How far a chain could go: longest segment, longest chain, most boards, and the targets that stop each.

Nothing is extrapolated: a length or a number of boards counts only if the network altered to it was put
through every budget and missed no target, and so was one step more (:mod:`chainplan.headroom.search`).

A target that is missed however short the cables or however few the boards stops nothing; it is named apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import Literal, NamedTuple

from chainplan.chain.altered import boards_on, with_lengths
from chainplan.chain.network import Chain, Hop, Network, Segment
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.headroom.parameters import Boards
from chainplan.headroom.search import WALKS_LAST, Line
from chainplan.headroom.trials import Key, Trial
from chainplan.quantity import COUNT, LENGTH, Dimension, Span
from chainplan.remembered import remembered

MILLIMETRE = 10**6
LONGEST = 10**8
"""Millimetres up to which a length is searched: the longest that a plan can state."""

MOST_NODES = 200
"""Nodes of a network that is searched at all: every step evaluates the whole of it."""

MOST_NODES_TRIED = 400
"""Nodes of a network up to which boards are added to it."""

Kind = Literal["segment", "chain", "boards"]


class Reach(NamedTuple):
    """How far one thing can go: one segment of `segments`, which are equal, all cables, or the boards.

    `now` and `most` are in ticks of `dimension` (nm, or boards), `most` a whole number of `step`. One step
    further `stopped_by` are missed; it is empty where the search ended at its own limit. `monotone` is False
    if something beyond a miss held again: everything that was looked at up to `most` holds even so.
    """

    kind: Kind
    segments: tuple[int, ...]
    now: int
    most: int
    dimension: Dimension
    step: int
    stopped_by: tuple[Figure, ...]
    monotone: bool


class ChainReach(NamedTuple):
    """What was found for a chain and its copies. `missed_anyhow` are targets that stop nothing."""

    chain: str
    reaches: tuple[Reach, ...]
    missed_anyhow: tuple[Figure, ...]


class ReachBudget(NamedTuple):
    """What was found for every chain, copies together; `skipped` says why nothing was looked for."""

    chains: tuple[ChainReach, ...]
    skipped: str = ""


class _Question(NamedTuple):
    """What may grow, in steps of `step` ticks from `least` to `limit`, and the network altered to so many."""

    kind: Kind
    segments: tuple[int, ...]
    now: int
    dimension: Dimension
    step: int
    least: int
    limit: int
    altered: Callable[[int], Network]

    @property
    def first(self) -> int:
        """Return where to look first, in steps from the least; no network far too large is to be built."""
        return (self.now if self.kind == "boards" else self.limit) - self.least


@remembered
def reach_budget(evaluation: Evaluation) -> ReachBudget:
    """Search how far every chain could go. All copies of a chain are altered together."""
    nodes = len(evaluation.network.nodes)
    if nodes > MOST_NODES:
        return ReachBudget((), f"not searched: the plan has {nodes} nodes, at most {MOST_NODES} are searched")
    families = evaluation.network.families.items()
    return ReachBudget(tuple(_chain_reach(evaluation, name, chains) for name, chains in families))


def _chain_reach(evaluation: Evaluation, family: str, chains: Sequence[Chain]) -> ChainReach:
    reaches: list[Reach] = []
    anyhow: dict[Key, Figure] = {}
    for asked in _questions(evaluation.network, chains):
        line = _line(evaluation, asked)
        found = line.last_that_holds(asked.limit - asked.least, asked.first)
        anyhow |= line.missed_anyhow
        most = asked.least + found.place
        reaches.append(
            Reach(
                asked.kind,
                asked.segments,
                asked.now,
                most * asked.step,
                asked.dimension,
                asked.step,
                tuple(line.stops(found.place + 1, WALKS_LAST)) if most < asked.limit else (),
                found.plain,
            )
        )
    return ChainReach(family, tuple(reaches), tuple(anyhow.values()))


def _line(evaluation: Evaluation, asked: _Question) -> Line:
    """Return the way from the least of what is asked for upward."""

    def altered(steps: int) -> Trial:
        network = asked.altered(asked.least + steps)
        if network is evaluation.network:
            return Trial(evaluation)
        return Trial(evaluation.altered(evaluation.plan, network=network))

    return Line(altered)


# What is asked ---------------------------------------------------------------------------------------------


def _questions(network: Network, chains: Sequence[Chain]) -> Iterator[_Question]:
    first = chains[0]
    for hop, numbers in makes_of_hop(first):
        # Of equal segments the one nearest to the head counts: most frames cross it.
        grown = {f"{chain.name}#{numbers[0]}" for chain in chains}
        yield _Question(
            "segment",
            tuple(numbers),
            hop.length.max,
            LENGTH,
            MILLIMETRE,
            0,
            LONGEST,
            lambda steps, grown=grown: _longer(network, grown, steps),  # type: ignore[misc]
        )
    cables = {segment.name for chain in chains for segment in cable_segments(chain)}
    total = sum(segment.hop.length.max for segment in cable_segments(first))
    if total:
        yield _Question(
            "chain",
            (),
            total,
            LENGTH,
            MILLIMETRE,
            0,
            LONGEST,
            lambda steps: _in_proportion(network, cables, Fraction(steps * MILLIMETRE, total)),
        )
    yield _Question(
        "boards",
        (),
        len(boards_on(first)),
        COUNT,
        1,
        1,
        len(boards_on(first))
        + (MOST_NODES_TRIED - len(network.nodes)) // (len(chains) * len(boards_on(first)[-1])),
        Boards(network, chains),
    )


def cable_segments(chain: Chain) -> list[Segment]:
    """Return the segments of a chain that lead from board to board or to a port, not within a board."""
    boards = [chain.head, *(node.board for node in chain.nodes), chain.back]
    return [
        segment for segment, near, far in zip(chain.segments, boards, boards[1:], strict=False) if near != far
    ]


def makes_of_hop(chain: Chain) -> list[tuple[Hop, list[int]]]:
    """Return the hops of a chain that differ, with the numbers of the segments of each make."""
    found: list[tuple[Hop, list[int]]] = []
    for segment in cable_segments(chain):
        numbers = next((numbers for hop, numbers in found if hop == segment.hop), None)
        if numbers is None:
            found.append((segment.hop, [segment.number]))
        else:
            numbers.append(segment.number)
    return found


def _longer(network: Network, grown: set[str], steps: int) -> Network:
    length = Span.exact(steps * MILLIMETRE)
    return with_lengths(network, lambda segment: length if segment.name in grown else None)


def _in_proportion(network: Network, cables: set[str], factor: Fraction) -> Network:
    def scaled(segment: Segment) -> Span | None:
        return segment.hop.length.in_proportion(factor) if segment.name in cables else None

    return with_lengths(network, scaled)
