"""Bit errors: the simulated share of bad frames against the published formulas, within what chance allows."""

from __future__ import annotations

from math import log1p, sqrt
from random import Random

import numpy as np
import pytest
from lab_plans import lab

from chainplan.witness.compare import phases_of
from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults
from chainplan.witness.noise import Channel, SimulatedNoise
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

SURE = 4.4
"""Standard deviations that chance leaves once in 100 000 times on either side (normal distribution)."""


def share_of_bad_frames(noise: SimulatedNoise, bits: int) -> float:
    """Return P(frame bad) on a two-state channel (Gilbert 1960, Elliott 1963), started in its steady state.

    One step of the channel is a matrix: a bit is not hit, then the state changes or not.
    """
    leave = np.array([noise.leave_good, noise.leave_bad])
    change = np.array([[1 - leave[0], leave[0]], [leave[1], 1 - leave[1]]])
    clear = np.diag([1 - noise.good, 1 - noise.bad]) @ change
    steady = np.array([leave[1], leave[0]]) / leave.sum()
    return float(1 - steady @ np.linalg.matrix_power(clear, bits) @ np.ones(2))


def test_independent_errors_are_binomial() -> None:
    share, bits, frames = 2e-4, 500, 40_000
    channel = Channel(SimulatedNoise(share), Random(1))
    bad = sum(channel.hits(bits) for _ in range(frames))
    expected = -np.expm1(bits * log1p(-share))  # 1 - (1 - p)^n
    assert abs(bad - frames * expected) < SURE * sqrt(frames * expected * (1 - expected))


def test_a_channel_without_errors_and_one_without_anything_else() -> None:
    assert not any(Channel(SimulatedNoise(0), Random(1)).hits(10_000) for _ in range(100))
    assert all(Channel(SimulatedNoise(1), Random(1)).hits(1) for _ in range(100))


def test_bits_of_a_two_state_channel_are_hit_as_printed() -> None:
    # Printed exercise: p_G 0.001, p_B 0.1, Pr(G|B) 0.1, Pr(B|G) 0.01 gives p = 0.01 in the steady state.
    noise = SimulatedNoise(0.001, 0.1, leave_good=0.01, leave_bad=0.1)
    channel = Channel(noise, Random(2))
    bits = 400_000
    hits = sum(channel.hits(1) for _ in range(bits))
    # Bits of one burst are not independent: the variance grows by about the burst's length of 10 bits.
    assert abs(hits - bits * 0.01) < SURE * sqrt(bits * 0.01 * 2)
    assert share_of_bad_frames(noise, 1) == pytest.approx(0.01)


@pytest.mark.parametrize("bits", [8, 100, 1000])
def test_frames_of_a_two_state_channel_are_hit_as_often_as_the_formula_says(bits: int) -> None:
    noise = SimulatedNoise(1e-5, 0.2, leave_good=0.001, leave_bad=0.1)
    channel = Channel(noise, Random(bits))
    # Every so often a long pause of bits, so that counted frames are as good as independent.
    counted = 0
    frames = 6000
    for _ in range(frames):
        counted += channel.hits(bits)
        channel.hits(5000)
    expected = share_of_bad_frames(noise, bits)
    assert abs(counted - frames * expected) < SURE * sqrt(frames * expected * (1 - expected))


@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_frames_in_a_simulation_are_hit_by_their_length(style: str) -> None:
    evaluation = lab(style=style)
    share = 1e-4
    faults = Faults(noise=SimulatedNoise(share))
    record = simulate(Pack.of(evaluation.plan), phases_of(evaluation), 400, Draw("worst"), 5, faults)
    observed = record.controllers["C"]
    assert sum(observed.bad_frames.values()) > 50
    expected = variance = 0.0
    for bits, count in observed.frames.items():
        bad = -np.expm1(bits * log1p(-share))
        expected += count * bad
        variance += count * bad * (1 - bad)
    assert abs(sum(observed.bad_frames.values()) - expected) < SURE * sqrt(variance)


def test_what_fails_is_retried_and_what_fails_too_often_is_lost() -> None:
    evaluation = lab(style="polled")
    faults = Faults(noise=SimulatedNoise(1e-4))
    record = simulate(Pack.of(evaluation.plan), phases_of(evaluation), 400, Draw("worst"), 6, faults)
    observed = record.controllers["C"]
    retries = sum(task.retries for task in observed.tasks.values())
    assert retries > observed.lost > 0
    assert retries <= 400  # one in reserve per scan
    lossless = simulate(Pack.of(evaluation.plan), phases_of(evaluation), 400, Draw("worst"), 6)
    assert sum(task.retries for task in lossless.controllers["C"].tasks.values()) == 0


def test_a_channel_has_probabilities() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        SimulatedNoise(1.5)
    with pytest.raises(ValueError, match="never leaves"):
        SimulatedNoise(0, 1, leave_good=0.1, leave_bad=0)
