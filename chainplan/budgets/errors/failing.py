"""How the reads and broadcasts of a controller's tasks fail by the bit errors of its chains."""

from __future__ import annotations

from typing import NamedTuple

from chainplan.budgets.errors.noise import Noise, any_of, noise_of
from chainplan.budgets.scanning.crossings import frames
from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.runs import TaskWork
from chainplan.chain.network import Chain
from chainplan.remembered import remembered_for_all


class TaskErrors(NamedTuple):
    """How the exchanges of one task fail. `failures` holds q of every read of a run.

    `bits` is the longest frame on the wire, `unheard` the probability that a broadcast of a run is not heard
    by every node.
    """

    task: str
    every: int
    bits: int
    failures: tuple[float, ...]
    after_failure: tuple[float, ...]
    """q* of every read: the most it fails with after a failure of the scan."""
    unheard: float

    @property
    def worst(self) -> float:
        """Return the greatest failure probability of one read."""
        return max(self.failures, default=0.0)


class Failing(NamedTuple):
    """How the tasks of a controller fail, whether errors come in bursts, and what a hit then adds later."""

    tasks: tuple[TaskErrors, ...]
    bursts: bool
    carry: float


@remembered_for_all
def failing_of(works: tuple[TaskWork, ...], chains: tuple[Chain, ...]) -> Failing:
    """Return how tasks fail on chains whose bit errors are all known; what sets their bits is enough."""
    noises = {chain.name: noise for chain in chains if (noise := noise_of(chain)) is not None}
    lengths = _lengths(works, chains)
    shares = {
        chain: max((noise.carried_over(bits) for bits in lengths[chain]), default=0.0)
        for chain, noise in noises.items()
    }
    return Failing(
        tuple(_task_errors(work, chains, noises, shares) for work in works),
        any(noise.bursts for noise in noises.values()),
        max(noise.carry(lengths[chain]) for chain, noise in noises.items()),
    )


def _lengths(works: tuple[TaskWork, ...], chains: tuple[Chain, ...]) -> dict[str, set[int]]:
    """Return, by chain, the lengths of the frames that cross its segments, bits on the wire.

    A ring's segments carry those from either port.
    """
    named = {chain.name: chain for chain in chains}
    found: dict[str, set[int]] = {chain.wires: set() for chain in chains}
    for work in works:
        for exchange in work.exchanges:
            chain = named[exchange.chain]
            found[chain.wires].update(frames(chain, exchange))
    return {chain.name: found[chain.wires] for chain in chains}


def _task_errors(
    work: TaskWork, chains: tuple[Chain, ...], noises: dict[str, Noise], shares: dict[str, float]
) -> TaskErrors:
    named = {chain.name: chain for chain in chains}
    failures: list[float] = []
    after: list[float] = []
    unheard: dict[float, int] = {}
    longest = 0
    known: dict[Exchange, tuple[float, float]] = {}
    for exchange in work.exchanges:
        crossings = frames(named[exchange.chain], exchange)
        longest = max(longest, *crossings)
        if exchange not in known:
            noise, share = noises[exchange.chain], shares[exchange.chain]
            known[exchange] = _failure(noise, crossings), _failure(noise, crossings, share)
        usual, worst = known[exchange]
        if exchange.answers:
            failures.append(usual)
            after.append(worst)
        else:
            unheard[usual] = unheard.get(usual, 0) + 1
    return TaskErrors(work.name, work.task.every, longest, tuple(failures), tuple(after), any_of(unheard))


def _failure(noise: Noise, crossings: dict[int, int], share: float | None = None) -> float:
    """Return the probability that any of the frames is hit: in the long run, or starting bad with a share."""
    swings = noise.bursts is not None and noise.bursts.leave_good + noise.bursts.leave_bad > 1
    if share is None and swings:  # frames of one exchange may then spoil each other: take the worst beginning
        share = 1.0
    hits: dict[float, int] = {}
    for bits, segments in crossings.items():
        hit = noise.hit(bits) if share is None else noise.hit_at_most(bits, share)
        hits[hit] = hits.get(hit, 0) + segments
    return any_of(hits)
