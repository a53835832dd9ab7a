"""Channel and retry figures checked against printed examples, exact fractions, enumeration and simulation."""

from __future__ import annotations

import math
import random
from fractions import Fraction
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import betainc

from chainplan.budgets.errors.channel import (
    TwoStateChannel,
    bad_share_after_frame,
    expected_retries_of_each,
    frame_error_probability,
    frame_error_probability_at_most,
    probability_more_than_k_retries,
    two_state_frame_error_probability,
)

probabilities = st.floats(0, 1)
quick = settings(max_examples=40, deadline=None)


@pytest.mark.parametrize("p", [1e-18, 1e-9, 1e-3, 0.5])
@pytest.mark.parametrize("bits", [1, 80, 3000])
def test_frame_error_equals_exact_fractions(p: float, bits: int) -> None:
    exact = float(1 - (1 - Fraction(p)) ** bits) if p > 1e-12 else float(bits * Fraction(p))
    assert frame_error_probability(p, bits) == pytest.approx(exact, rel=1e-12)


def test_frame_error_at_the_ends() -> None:
    assert frame_error_probability(0, 100) == 0
    assert frame_error_probability(1, 100) == 1
    assert frame_error_probability(1, 0) == 0


# --- two-state channel ----------------------------------------------------------------------------


def test_printed_exercise() -> None:
    # Printed textbook exercise on the channel of Gilbert (1960) and Elliott (1963): weights 10/11 and 1/11.
    channel = TwoStateChannel(p_good=0.001, p_bad=0.1, leave_good=0.01, leave_bad=0.1)
    assert channel.share_good == pytest.approx(10 / 11)
    assert channel.share_bad == pytest.approx(1 / 11)
    # In the long run 0.01 of all bits are hit; a frame of one bit is such a bit.
    assert two_state_frame_error_probability(0.001, 0.1, 0.01, 0.1, bits=1) == pytest.approx(0.01)


def exact_by_paths(p: tuple[Fraction, Fraction], leave: tuple[Fraction, Fraction], bits: int) -> Fraction:
    """Return the frame error probability by listing every path of states."""
    steady = (leave[1] / sum(leave), leave[0] / sum(leave))
    clean = Fraction(0)
    for path in product((0, 1), repeat=bits):
        chance = steady[path[0]]
        for here, there in pairwise(path):
            chance *= leave[here] if here != there else 1 - leave[here]
        for state in path:
            chance *= 1 - p[state]
        clean += chance
    return 1 - clean


@quick
@given(probabilities, probabilities, st.floats(1e-6, 1), probabilities, st.integers(1, 6))
def test_two_states_equal_the_sum_over_all_paths(
    p_good: float, p_bad: float, leave_good: float, leave_bad: float, bits: int
) -> None:
    exact = exact_by_paths(
        (Fraction(p_good), Fraction(p_bad)), (Fraction(leave_good), Fraction(leave_bad)), bits
    )
    found = two_state_frame_error_probability(p_good, p_bad, leave_good, leave_bad, bits)
    assert found == pytest.approx(float(exact), rel=1e-12, abs=1e-300)


@quick
@given(st.floats(0, 1), st.floats(0.01, 1), st.floats(0, 1), st.integers(0, 5000))
def test_equal_states_are_the_plain_channel(p: float, leave_good: float, leave_bad: float, bits: int) -> None:
    found = two_state_frame_error_probability(p, p, leave_good, leave_bad, bits)
    assert found == pytest.approx(frame_error_probability(p, bits), rel=1e-10, abs=1e-300)


def test_memoryless_states_are_the_plain_channel_at_the_mean() -> None:
    # leave_good + leave_bad = 1: the next state does not depend on the last, bits are hit independently.
    found = two_state_frame_error_probability(1e-12, 1e-9, 0.2, 0.8, 1000)
    assert found == pytest.approx(frame_error_probability(0.8 * 1e-12 + 0.2 * 1e-9, 1000), rel=1e-12)


def test_bursts_hit_fewer_frames_than_single_errors_of_the_same_rate() -> None:
    bursts = two_state_frame_error_probability(1e-7, 0.3, 1e-6, 0.05, 200)
    mean = (0.05 * 1e-7 + 1e-6 * 0.3) / (0.05 + 1e-6)
    assert bursts < frame_error_probability(mean, 200)


def test_two_states_equal_a_seeded_simulation() -> None:
    p, leave, bits, frames = (0.001, 0.1), (0.01, 0.1), 40, 20_000
    random_ = random.Random(19600901)
    bad_frames = 0
    for _ in range(frames):
        state = int(random_.random() < leave[0] / sum(leave))
        for _ in range(bits):
            if random_.random() < p[state]:
                bad_frames += 1
                break
            if random_.random() < leave[state]:
                state = 1 - state
    expected = two_state_frame_error_probability(*p, *leave, bits)
    sigma = math.sqrt(expected * (1 - expected) / frames)
    assert abs(bad_frames / frames - expected) < 3.3 * sigma  # 99.9 % of seeds


# --- retries --------------------------------------------------------------------------------------


def exact_more_than(failures: list[Fraction], reserve: int) -> Fraction:
    """Return P(more than reserve retries) by listing how many repeats each transaction takes."""
    enough = Fraction(0)
    for repeats in product(range(reserve + 1), repeat=len(failures)):
        if sum(repeats) <= reserve:
            enough += math.prod(
                (q**g * (1 - q) for q, g in zip(failures, repeats, strict=True)), start=Fraction(1)
            )
    return 1 - enough


@quick
@given(st.lists(probabilities, max_size=4), st.integers(0, 3))
def test_retries_equal_all_combinations(failures: list[float], reserve: int) -> None:
    exact = exact_more_than([Fraction(q) for q in failures], reserve)
    assert probability_more_than_k_retries(failures, reserve) == pytest.approx(
        float(exact), rel=1e-12, abs=1e-300
    )


@quick
@given(st.floats(1e-9, 0.95), st.integers(1, 300), st.integers(0, 40))
def test_alike_transactions_equal_the_incomplete_beta_function(
    q: float, transactions: int, reserve: int
) -> None:
    # NIST Digital Library of Mathematical Functions 8.17: the binomial tail is I_q(k + 1, n) (from memory).
    expected = float(betainc(reserve + 1, transactions, q))
    assert probability_more_than_k_retries([q] * transactions, reserve) == pytest.approx(
        expected, rel=1e-8, abs=1e-290
    )


def test_transactions_that_always_fail_lose_the_scan() -> None:
    assert probability_more_than_k_retries([1.0] * 5, 2) == 1
    assert probability_more_than_k_retries([1.0], 0) == 1


def test_no_reserve_means_every_failure_loses_the_scan() -> None:
    assert probability_more_than_k_retries([1e-9] * 100, 0) == pytest.approx(1e-7, rel=1e-6)
    assert probability_more_than_k_retries([], 0) == 0
    assert probability_more_than_k_retries([0.0, 1.0], 5) == 1


def test_retries_that_fail_again_use_the_reserve() -> None:
    # One transaction, reserve k: lost if k + 1 attempts fail in a row.
    assert probability_more_than_k_retries([0.1], 3) == pytest.approx(1e-4, rel=1e-12)


@quick
@given(st.lists(st.floats(0, 0.9), max_size=6))
def test_mean_retries(failures: list[float]) -> None:
    # With a reserve k the mean is the sum of the tails P(R > j), j < k; without, that of geometric
    # distributions.
    each = expected_retries_of_each(failures, 5)
    assert len(each) == len(failures)
    tails = sum(probability_more_than_k_retries(failures, j) for j in range(5))
    assert sum(each) == pytest.approx(tails, rel=1e-9, abs=1e-300)
    geometric = [q / (1 - q) for q in failures]
    assert expected_retries_of_each(failures, 600) == pytest.approx(geometric, rel=1e-9, abs=1e-300)


def test_mean_retries_of_a_dead_node() -> None:
    assert sum(expected_retries_of_each([0.1, 1.0], 3)) == pytest.approx(3)


def test_retries_equal_a_seeded_simulation() -> None:
    failures, reserve, scans = [0.02, 0.05, 0.1, 0.2], 1, 20_000
    random_ = random.Random(1984)
    lost = 0
    for _ in range(scans):
        left = reserve
        for q in failures:
            while random_.random() < q:
                left -= 1
                if left < 0:
                    break
            if left < 0:
                lost += 1
                break
    expected = probability_more_than_k_retries(failures, reserve)
    assert abs(lost / scans - expected) < 3.3 * math.sqrt(expected * (1 - expected) / scans)


# --- refusals -------------------------------------------------------------------------------------


def test_refuses_what_cannot_be() -> None:
    with pytest.raises(ValueError, match=r"p = 1\.1"):
        frame_error_probability(1.1, 8)
    with pytest.raises(ValueError, match="bits = -1"):
        frame_error_probability(0.1, -1)
    with pytest.raises(ValueError, match="steady state"):
        TwoStateChannel(0.1, 0.1, 0, 0)
    with pytest.raises(ValueError, match="leave_bad"):
        two_state_frame_error_probability(0.1, 0.1, 0.1, -0.1, 8)
    with pytest.raises(ValueError, match="bits"):
        two_state_frame_error_probability(0.1, 0.1, 0.1, 0.1, -8)
    with pytest.raises(ValueError, match="reserve"):
        probability_more_than_k_retries([0.1], -1)
    with pytest.raises(ValueError, match="q = nan"):
        probability_more_than_k_retries([math.nan], 1)
    with pytest.raises(ValueError, match="reserve"):
        expected_retries_of_each([0.1], -1)


# --- what a burst carries over --------------------------------------------------------------------


def paths_through(
    channel: TwoStateChannel, first: int, second: int, pause: int
) -> dict[tuple[int, bool, bool], Fraction]:
    """List every path through two frames with a pause between; hits only count within frames.

    Returns the chance of (state at the beginning, first frame hit, second frame hit), both states alike.
    """
    p = (Fraction(channel.p_good), Fraction(channel.p_bad))
    leave = (Fraction(channel.leave_good), Fraction(channel.leave_bad))
    bits = first + pause + second
    found: dict[tuple[int, bool, bool], Fraction] = {}
    for path in product((0, 1), repeat=bits):
        chance = Fraction(1)
        for here, there in pairwise(path):
            chance *= leave[here] if here != there else 1 - leave[here]
        clean = [Fraction(1), Fraction(1)]
        for place, state in enumerate(path):
            if place < first or place >= first + pause:
                clean[place >= first + pause] *= 1 - p[state]
        for hits in product((False, True), repeat=2):
            share = chance
            for hit, none in zip(hits, clean, strict=True):
                share *= 1 - none if hit else none
            key = (path[0], hits[0], hits[1])
            found[key] = found.get(key, Fraction(0)) + share
    return found


@quick
@given(
    st.floats(0, 0.5),
    st.floats(0, 1),
    st.floats(0.001, 1),
    st.floats(0.001, 1),
    st.integers(1, 3),
    st.integers(1, 2),
    st.integers(0, 2),
)
def test_no_history_makes_the_next_frame_worse_than_the_bound(
    p_good: float, p_bad: float, leave_good: float, leave_bad: float, first: int, second: int, pause: int
) -> None:
    channel = TwoStateChannel(p_good, p_bad, leave_good, leave_bad)
    bound = frame_error_probability_at_most(channel, second, bad_share_after_frame(channel, first))
    chances = paths_through(channel, first, second, pause)
    for state, hit in product((0, 1), (False, True)):
        whole = chances[state, hit, False] + chances[state, hit, True]
        if whole > Fraction(1, 10**200):
            assert chances[state, hit, True] / whole <= bound * (1 + 1e-9)


def test_a_channel_without_memory_carries_nothing_over() -> None:
    # leave_good + leave_bad = 1: the next state is bad with leave_good, whatever the present one is.
    channel = TwoStateChannel(0.0, 0.5, 0.25, 0.75)
    assert bad_share_after_frame(channel, 8) == pytest.approx(0.25)


def test_a_burst_longer_than_frames_is_carried_over_whole() -> None:
    # Bursts of 10^6 bits against frames of 100: a frame that is hit ends bad almost for certain.
    channel = TwoStateChannel(0.0, 0.5, 1e-9, 1e-6)
    assert bad_share_after_frame(channel, 100) > 0.9998
    # Bursts of 10 bits against frames of 400: the mean burst is over long before the frame.
    short = TwoStateChannel(0.0, 0.5, 1e-9, 0.1)
    assert bad_share_after_frame(short, 400) < 0.03
    assert bad_share_after_frame(TwoStateChannel(0.0, 0.5, 0.9, 0.2), 400) == 1


def test_retries_of_each_without_a_limit_are_geometric() -> None:
    each = expected_retries_of_each([0.1, 0.5], 200)
    assert each == pytest.approx([0.1 / 0.9, 1.0])
