"""How far a chain could go: longest segment, longest chain, most boards, and the targets that stop each.

Nothing is extrapolated: a length or a number of boards counts only if the network altered to it was put
through every budget and missed no target. What is searched for is the step between one that still holds and
the next that does not; the lines through margins in :class:`Trials` only choose where to look next.

A target that is missed however short the cables or however few the boards stops nothing; it is named apart.
Isolation does not depend on a cable's length, so searches over lengths take it from the plan as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import Literal, NamedTuple

from chainplan.chain.altered import boards_on, with_boards_on, with_lengths
from chainplan.chain.network import Chain, Hop, Network, Segment
from chainplan.evaluation import Evaluation
from chainplan.quantity import COUNT, LENGTH, Dimension, Span
from chainplan.remembered import remembered
from chainplan.verdicts import ROOMS, SCANNING, WALKS, Room
from chainplan.verdicts.isolation import isolation_verdicts
from chainplan.verdicts.verdict import Verdict, first_crossing
from chainplan.verdicts.wire import length_verdicts

MILLIMETRE = 10**6
LONGEST = 10**8
"""Millimetres up to which a length is searched: the longest that a plan can state."""

MOST_NODES = 200
"""Nodes of a network that is searched at all: every step evaluates the whole of it."""

MOST_NODES_TRIED = 400
"""Nodes of a network up to which boards are added to it."""

Kind = Literal["segment", "chain", "boards"]
Key = tuple[str, str]


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
    stopped_by: tuple[Verdict, ...]
    monotone: bool


class ChainReach(NamedTuple):
    """What was found for a chain and its copies. `missed_anyhow` are targets that stop nothing."""

    chain: str
    reaches: tuple[Reach, ...]
    missed_anyhow: tuple[Verdict, ...]


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
    anyhow: dict[Key, Verdict] = {}
    for asked in _questions(evaluation.network, chains):
        trials = Trials(evaluation, asked.altered, lengths_only=asked.kind != "boards")
        most = trials.search(asked.least, asked.limit, asked.now // asked.step)
        anyhow |= trials.hopeless
        reaches.append(
            Reach(
                asked.kind,
                asked.segments,
                asked.now,
                most * asked.step,
                asked.dimension,
                asked.step,
                trials.stops(most + 1) if most < asked.limit else (),
                trials.monotone(most, asked.limit),
            )
        )
    return ChainReach(family, tuple(reaches), tuple(anyhow.values()))


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
        lambda boards: with_boards_on(network, chains, boards),
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


# The search ------------------------------------------------------------------------------------------------


_LIKELY: tuple[Room, ...] = (*SCANNING, isolation_verdicts, length_verdicts)
"""What mostly stops a chain, and is judged faster than the rest."""

_STAGES = (
    _LIKELY,
    tuple(room for room in ROOMS if room not in (*_LIKELY, *WALKS)),
    WALKS,
)

_ORDER = (*(room for room in ROOMS if room not in WALKS), *WALKS)
"""The order in which what is missed is told."""


class Trials:
    """Evaluations of one network altered more and more; every room of verdicts is asked once for each.

    The search is made in stages: with what mostly stops a chain, then with all else but the walk through
    all faults, which takes longest, then with that too, each from what the one before found. So what takes
    long is worked out at few places, and at every one that counts.
    """

    def __init__(
        self, evaluation: Evaluation, altered: Callable[[int], Network], *, lengths_only: bool = False
    ) -> None:
        self._base = evaluation
        self._altered = altered
        self._lengths_only = lengths_only
        # Boards only double from one look to the next, lest a network far too large be built.
        self._growth = 16 if lengths_only else 2
        self._trials: dict[int, Evaluation] = {}
        self._judged: dict[int, dict[Room, dict[Key, Verdict]]] = {}
        self._stage = 0
        self.hopeless: dict[Key, Verdict] = {}
        """What is missed at the least of what was asked for, and so whatever is done."""

    def judged(self, steps: int, room: Room) -> dict[Key, Verdict]:
        """Return a room's verdicts on the network altered by so many steps."""
        known = self._judged.setdefault(steps, {})
        if room not in known:
            known[room] = {each.key: each for each in room(self._trial(steps))}
        return known[room]

    def _trial(self, steps: int) -> Evaluation:
        if steps not in self._trials:
            trial = self._trials[steps] = Evaluation(self._base.plan)
            trial.network = self._altered(steps)
            if self._lengths_only:
                _carry_over(self._base, trial)
        return self._trials[steps]

    @property
    def _rooms(self) -> list[Room]:
        """Return the rooms that the search now goes by, those of the first stage first."""
        return [room for stage in _STAGES[: self._stage + 1] for room in stage]

    def verdicts(self, steps: int) -> dict[Key, Verdict]:
        """Return the verdicts that the search now goes by."""
        found: dict[Key, Verdict] = {}
        for room in sorted(self._rooms, key=_ORDER.index):
            found |= self.judged(steps, room)
        return found

    def stops(self, steps: int) -> tuple[Verdict, ...]:
        """Return what is missed there and is not hopeless."""
        return self._missed(self.verdicts(steps))

    def _missed(self, verdicts: dict[Key, Verdict]) -> tuple[Verdict, ...]:
        return tuple(
            verdict
            for key, verdict in verdicts.items()
            if verdict.status == "missed" and key not in self.hopeless
        )

    def holds(self, steps: int) -> bool:
        """Tell whether nothing is missed there but what is hopeless; the first room that misses is enough."""
        return not any(self._missed(self.judged(steps, room)) for room in self._rooms)

    def search(self, least: int, limit: int, now: int) -> int:
        """Return the most steps from `least` to `limit` that hold, with all that was looked at below them."""
        most = now
        for self._stage in range(len(_STAGES)):
            at_least = self.verdicts(least)
            self.hopeless = {key: each for key, each in at_least.items() if each.status == "missed"}
            most = limit = self._last_that_holds(least, limit, most)
        while True:
            between = (least + (most - least) // 3, least + 2 * (most - least) // 3)
            gap = next((steps for steps in between if not self.holds(steps)), None)
            if gap is None:
                return most
            most = self._last_that_holds(least, gap, least)

    def monotone(self, most: int, limit: int) -> bool:
        """Tell whether nothing beyond `most` that was looked at holds again, nor what is twice as far."""
        further = {steps for steps in (*self._judged, 2 * most + 2) if most < steps <= limit}
        return not any(map(self.holds, further))

    def _last_that_holds(self, least: int, limit: int, now: int) -> int:
        """Return a number of steps that holds while the next does not, or `limit` if that holds."""
        low, high = least, limit + 1
        steps = now
        while high - low > 1:
            width = high - low
            steps = min(max(steps, low + 1), high - 1)
            if self.holds(steps):
                low = steps
            else:
                high = steps
            steps = self._guess(low, high, limit, halve=2 * (high - low) > width)
        return low

    def _guess(self, low: int, high: int, limit: int, *, halve: bool) -> int:
        """Return where to look next between `low`, which holds, and `high`, which does not or is the end."""
        if high > limit:  # no miss yet
            return self._growth * low + 2
        crossing = None if halve else self._crossing(low, high)
        return (low + high) // 2 if crossing is None else crossing

    def _crossing(self, low: int, high: int) -> int | None:
        """Return where the first margin crosses zero, on straight lines between two evaluations."""
        return first_crossing(low, self.verdicts(low), high, self.stops(high))


def _carry_over(base: Evaluation, trial: Evaluation) -> None:
    """Give a network with other cable lengths what does not depend on them.

    Isolation does not, nor do bits on the wires and what errors cost, unless tasks get other phases.
    """
    trial.isolation = base.isolation
    if all(trial.scans[name].phases.phases == scan.phases.phases for name, scan in base.scans.items()):
        for name in ("traffic", "errors", "residual", "distances"):
            if name in vars(base):
                vars(trial)[name] = vars(base)[name]
