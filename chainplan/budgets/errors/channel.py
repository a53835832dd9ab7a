"""Bit errors on the wire and what they cost a scan: frame errors, bursts, retries, lost scans.

Two channels. The plain one hits every bit alone with probability p. The two-state one (Gilbert, Bell
System Tech. J. 39, 1960; Elliott, Bell System Tech. J. 42, 1963) is good or bad at each bit: it hits a bit
with ``p_good`` or ``p_bad``, then changes state with ``leave_good`` or ``leave_bad``. In the long run it is
bad for the share leave_good / (leave_good + leave_bad) of all bits; that is how a frame finds it.

Retries. A scan runs transactions i = 1 .. n. Every attempt of transaction i fails with probability q_i,
repeats included, each independent of all others. A failed transaction is repeated until it succeeds or the
scan's reserve of k retries, shared by all, is used up. A scan is lost if it needs more than k retries.
Attempts are independent only if bursts are short against their spacing: say so where a burst channel is
planned, because a burst that outlasts a retry makes the true loss larger.

All figures are plain numbers (probabilities 0..1, counts, bits). A small probability is always summed from
terms >= 0 and never taken as one minus a large one, so it keeps its digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple


def _check_probability(**values: float) -> None:
    for name, value in values.items():
        if not 0 <= value <= 1:
            msg = f"{name} = {value} is no probability"
            raise ValueError(msg)


def _check_count(**values: int) -> None:
    for name, value in values.items():
        if value < 0:
            msg = f"{name} = {value} is negative"
            raise ValueError(msg)


def frame_error_probability(p: float, bits: int) -> float:
    """Return the probability that at least one of ``bits`` bits is hit: 1 - (1-p)^bits.

    Keeps its digits for p far below the spacing of floats at 1. Raises ValueError for a p outside 0..1 or a
    negative number of bits.
    """
    _check_probability(p=p)
    _check_count(bits=bits)
    if bits == 0:
        return 0.0
    return 1.0 if p == 1 else -math.expm1(bits * math.log1p(-p))


@dataclass(frozen=True)
class TwoStateChannel:
    """A channel that is good or bad at each bit; all four numbers are probabilities per bit.

    Raises ValueError if one is outside 0..1 or if the channel never leaves either state (it then has
    no steady state of its own).
    """

    p_good: float
    p_bad: float
    leave_good: float
    leave_bad: float

    def __post_init__(self) -> None:
        """Refuse numbers that are no channel."""
        _check_probability(
            p_good=self.p_good, p_bad=self.p_bad, leave_good=self.leave_good, leave_bad=self.leave_bad
        )
        if self.leave_good + self.leave_bad == 0:
            msg = "a channel that leaves neither state has no steady state"
            raise ValueError(msg)

    @property
    def share_good(self) -> float:
        """Share of bits sent in the good state, in the long run."""
        return self.leave_bad / (self.leave_good + self.leave_bad)

    @property
    def share_bad(self) -> float:
        """Share of bits sent in the bad state, in the long run."""
        return self.leave_good / (self.leave_good + self.leave_bad)


# A 2x2 matrix by rows: entry [from][to], 0 = good, 1 = bad.
_Matrix = tuple[tuple[float, float], tuple[float, float]]


def _times(a: _Matrix, b: _Matrix) -> _Matrix:
    (a00, a01), (a10, a11) = a
    (b00, b01), (b10, b11) = b
    return (
        (a00 * b00 + a01 * b10, a00 * b01 + a01 * b11),
        (a10 * b00 + a11 * b10, a10 * b01 + a11 * b11),
    )


def _plus(a: _Matrix, b: _Matrix) -> _Matrix:
    (a00, a01), (a10, a11) = a
    (b00, b01), (b10, b11) = b
    return ((a00 + b00, a01 + b01), (a10 + b10, a11 + b11))


class _Stretch(NamedTuple):
    """What a number of bits does: [from][to] probabilities without any hit, and with at least one."""

    clean: _Matrix
    hit: _Matrix

    def then(self, later: _Stretch) -> _Stretch:
        """Return the two stretches one after the other."""
        return _Stretch(
            _times(self.clean, later.clean),
            _plus(_times(self.hit, _plus(later.clean, later.hit)), _times(self.clean, later.hit)),
        )


def two_state_frame_error_probability(
    p_good: float, p_bad: float, leave_good: float, leave_bad: float, bits: int
) -> float:
    """Return the probability that at least one of ``bits`` bits is hit on a two-state channel.

    Exact up to rounding: matrix power by squaring, started in the steady state. The hit part is summed in its
    own right rather than as one minus the clean part, so that small probabilities keep their digits. Raises
    ValueError as :class:`TwoStateChannel` or for a negative number of bits.
    """
    channel = TwoStateChannel(p_good, p_bad, leave_good, leave_bad)
    frame = _stretch(channel, bits)
    return min(1.0, channel.share_good * sum(frame.hit[0]) + channel.share_bad * sum(frame.hit[1]))


@lru_cache(maxsize=1024)
def _stretch(channel: TwoStateChannel, bits: int) -> _Stretch:
    """Return what `bits` bits do, by squaring."""
    _check_count(bits=bits)
    p_good, p_bad = channel.p_good, channel.p_bad
    moves = (
        (1 - channel.leave_good, channel.leave_good),
        (channel.leave_bad, 1 - channel.leave_bad),
    )
    square = _Stretch(
        _times(((1 - p_good, 0.0), (0.0, 1 - p_bad)), moves), _times(((p_good, 0.0), (0.0, p_bad)), moves)
    )
    found = _Stretch(((1.0, 0.0), (0.0, 1.0)), ((0.0, 0.0), (0.0, 0.0)))
    while bits:
        if bits & 1:
            found = found.then(square)
        bits >>= 1
        if bits:
            square = square.then(square)
    return found


def bad_share_after_frame(channel: TwoStateChannel, bits: int) -> float:
    """Return the greatest probability that the channel is bad at any time after a frame of `bits` bits.

    Whatever is known of the time before the frame, and whether the frame was hit: the greatest of
    P(bad at its end | state at its beginning, hit or not) over both states and both outcomes. In a pause the
    channel may stand still or go on; going on, it nears its steady state from either side if
    leave_good + leave_bad is at most 1, so the steady share is the other candidate. A channel that swings
    from side to side may be bad for certain: 1. Raises ValueError for a negative number of bits.
    """
    _check_count(bits=bits)
    if channel.leave_good + channel.leave_bad > 1:
        return 1.0
    frame = _stretch(channel, bits)
    rows = (*frame.clean, *frame.hit)
    return max(channel.share_bad, *(bad / (good + bad) for good, bad in rows if good + bad > 0))


def frame_error_probability_at_most(channel: TwoStateChannel, bits: int, bad_share: float) -> float:
    """Return the greatest frame error probability over all beginnings that are bad with at most `bad_share`.

    Linear in the share, so it is reached at 0 or at `bad_share`. Raises ValueError for a share outside 0..1
    or a negative number of bits.
    """
    _check_probability(bad_share=bad_share)
    hit = _stretch(channel, bits).hit
    from_good, from_bad = sum(hit[0]), sum(hit[1])
    return min(1.0, max(from_good, (1 - bad_share) * from_good + bad_share * from_bad))


def _retries_used(failures: Sequence[float], reserve: int) -> tuple[float, list[float]]:
    """Return the probability of more than ``reserve`` retries, and the mean retries of each transaction.

    With ``waiting`` the probability that transaction i begins its next attempt with j retries used:
    waiting(j) = arrived(j) + q * waiting(j - 1); it succeeds there with 1 - q, and the scan is lost if it
    fails at j = reserve.
    """
    arrived = [1.0] + [0.0] * reserve
    lost = 0.0
    means = []
    for q in failures:
        _check_probability(q=q)
        waiting = mean = 0.0
        for used in range(reserve + 1):
            mean += q * waiting  # of those that failed with one retry less used, each makes one
            waiting = arrived[used] + q * waiting
            arrived[used] = (1 - q) * waiting
        lost += q * waiting
        means.append(mean)
    return lost, means


def probability_more_than_k_retries(failures: Sequence[float], reserve: int) -> float:
    """Return the probability that a scan needs more than ``reserve`` retries.

    ``failures`` holds q_i, the failure probability of one attempt of each transaction. It takes as many steps
    as transactions times (reserve + 1). Raises ValueError for a q outside 0..1 or a negative reserve.
    """
    _check_count(reserve=reserve)
    return min(1.0, _retries_used(failures, reserve)[0])


def expected_retries_of_each(failures: Sequence[float], reserve: int) -> list[float]:
    """Return the mean number of retries made for each transaction, if the earlier ones are retried first.

    A lost scan has made them all. Raises ValueError as :func:`probability_more_than_k_retries`.
    """
    _check_count(reserve=reserve)
    return _retries_used(failures, reserve)[1]
