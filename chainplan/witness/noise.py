"""Bit errors on a wire: independent ones, and bursts of a channel with two states."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log, log1p
from random import Random


@dataclass(frozen=True, slots=True)
class SimulatedNoise:
    """A channel that is good or bad at each bit, after Gilbert (1960) and Elliott (1963).

    It hits a bit with the probability of its state (`good` or `bad`), then leaves the state with
    `leave_good` or `leave_bad`. With ``leave_good`` 0 every bit is hit alone with probability ``good``.
    """

    good: float
    bad: float = 0.0
    leave_good: float = 0.0
    leave_bad: float = 1.0

    def __post_init__(self) -> None:
        if not all(0 <= share <= 1 for share in (self.good, self.bad, self.leave_good, self.leave_bad)):
            raise ValueError("the probabilities of a channel lie between 0 and 1")
        if self.leave_good > 0 and self.leave_bad == 0:
            raise ValueError("a channel that never leaves its bad state has no good one")


class Channel:
    """One wire under a noise. Only bits of frames pass; the state stands still between frames."""

    def __init__(self, noise: SimulatedNoise, random: Random) -> None:
        self._random = random
        self._hits = noise.good, noise.bad
        self._leaves = noise.leave_good, noise.leave_bad
        steady = noise.leave_good / (noise.leave_good + noise.leave_bad) if noise.leave_good else 0.0
        self._state = int(random.random() < steady)
        self._until_hit = self._clear_bits(self._hits[self._state])
        self._until_change = self._clear_bits(self._leaves[self._state])

    def hits(self, bits: int) -> bool:
        """Let the bits of one frame pass and tell whether any of them was hit."""
        hit = False
        remaining: float = bits
        while remaining:
            step = min(
                remaining, self._until_change + 1
            )  # the bit after which the state changes belongs to it
            left = step
            while self._until_hit < left:
                hit = True
                left -= self._until_hit + 1
                self._until_hit = self._clear_bits(self._hits[self._state])
            self._until_hit -= left
            remaining -= step
            self._until_change -= step
            if self._until_change < 0:
                self._state = 1 - self._state
                self._until_change = self._clear_bits(self._leaves[self._state])
                self._until_hit = self._clear_bits(self._hits[self._state])
        return hit

    def _clear_bits(self, share: float) -> float:
        """Draw how many bits pass before one on which something of that probability happens."""
        if share == 0:
            return inf
        if share == 1:
            return 0
        return int(log(1.0 - self._random.random()) / log1p(-share))
