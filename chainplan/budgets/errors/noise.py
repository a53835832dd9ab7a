"""The noise on a chain's segments: what the plan says of bit errors, as frame error probabilities.

Independent errors and bursts are two causes that do not know of one another: a frame is clean if neither hits
it. Every segment has a channel of its own.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cache
from math import expm1, inf, log1p
from typing import NamedTuple

from chainplan.budgets.errors.channel import (
    TwoStateChannel,
    bad_share_after_frame,
    frame_error_probability,
    frame_error_probability_at_most,
    two_state_frame_error_probability,
)
from chainplan.chain.network import Chain
from chainplan.plan.wire_parts import BitErrors


class Noise(NamedTuple):
    """Bit errors on one segment: each bit alone with probability `independent`, and in bursts."""

    independent: float
    bursts: TwoStateChannel | None

    def hit(self, bits: int) -> float:
        """Return the probability that a frame of `bits` bits is hit on one segment, in the long run."""
        return _either(frame_error_probability(self.independent, bits), _burst_hit(self.bursts, bits))

    def hit_at_most(self, bits: int, bad_share: float) -> float:
        """Return the same for a channel that is bad with at most `bad_share` where the frame begins."""
        alone = frame_error_probability(self.independent, bits)
        if self.bursts is None:
            return alone
        return _either(alone, frame_error_probability_at_most(self.bursts, bits, bad_share))

    def carried_over(self, bits: int) -> float:
        """Return the greatest share of being bad after a frame, whatever is known of the time before."""
        return 0.0 if self.bursts is None else _carried_over(self.bursts, bits)

    def carry(self, lengths: Collection[int]) -> float:
        """Return the most that a hit adds to the expected hits in all later frames of its segment together.

        `lengths` are those of the frames that pass. The share that a hit can leave behind above the steady
        one, times the most that beginning bad adds to a frame's risk, shrinking from frame to frame.
        Infinite for a channel that swings from side to side, or is worse in its good state.
        """
        if self.bursts is None or not lengths:
            return 0.0
        leaving = self.bursts.leave_good + self.bursts.leave_bad
        if leaving > 1 or self.bursts.p_good > self.bursts.p_bad:
            return inf
        steady = self.bursts.share_bad
        excess = max(_carried_over(self.bursts, bits) for bits in lengths) - steady
        risk = max(self.hit_at_most(bits, 1.0) - self.hit_at_most(bits, 0.0) for bits in lengths)
        kept = (1 - leaving) ** min(lengths)
        return excess * risk / (1 - kept) if kept < 1 else inf

    def hit_after(self, segments: int) -> float:
        """Return the probability that a bit arrives inverted after so many segments, errors independent.

        Two errors on one bit cancel: (1 - (1 - 2p)^s) / 2, rounded up. Bursts are left out.
        """
        p = self.independent
        inverted = 0.5 if p >= 0.5 else -expm1(segments * log1p(-2 * p)) / 2
        return min(0.5, inverted * (1 + 1e-12))


def noise_of(chain: Chain) -> Noise | None:
    """Return a chain's noise: its own, or its protocol's; None if the plan says nothing of bit errors."""
    errors = chain.plan.bit_errors or chain.protocol.bit_errors
    return None if errors is None else _noise(errors)


def _noise(errors: BitErrors) -> Noise:
    bursts = errors.bursts
    channel = (
        TwoStateChannel(bursts.p_good, bursts.p_bad, bursts.leave_good, bursts.leave_bad) if bursts else None
    )
    return Noise(errors.independent or 0.0, channel)


def any_of(probabilities: dict[float, int]) -> float:
    """Return the probability that something happens once at least: each probability so many times."""
    if any(p >= 1 and times for p, times in probabilities.items()):
        return 1.0
    return -expm1(sum(times * log1p(-p) for p, times in probabilities.items()))


def _either(one: float, other: float) -> float:
    return one + (1 - one) * other


@cache
def _burst_hit(bursts: TwoStateChannel | None, bits: int) -> float:
    if bursts is None:
        return 0.0
    return two_state_frame_error_probability(
        bursts.p_good, bursts.p_bad, bursts.leave_good, bursts.leave_bad, bits
    )


@cache
def _carried_over(bursts: TwoStateChannel, bits: int) -> float:
    return bad_share_after_frame(bursts, bits)
