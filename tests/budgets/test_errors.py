"""Bit errors: exposure counted by the simulation, failure probabilities by hand, lost scans by simulation."""

from __future__ import annotations

import math
from collections import Counter
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from standby_packs import evaluation_of
from strategies import plan_data
from wire_plans import Data, evaluated, example, verdict, wire_plan

from chainplan.budgets.errors.channel import TwoStateChannel
from chainplan.budgets.errors.losses import ControllerErrors, per_hour
from chainplan.budgets.errors.noise import Noise, any_of
from chainplan.budgets.scanning.crossings import Block, blocks, frames
from chainplan.evaluation import Evaluation
from chainplan.quantity import RATE, TIME
from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults
from chainplan.witness.noise import SimulatedNoise
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

PER_HOUR = int(RATE.units["/h"])
SCANS_AN_HOUR = 360_000  # of 10 ms


def errors_of(data: Data) -> ControllerErrors:
    (found,) = evaluated(data).errors.values()
    return found


def independent(p: float, **more: Any) -> Data:
    return {"bit_errors": {"independent": p}} | more


# --- exposure -------------------------------------------------------------------------------------


def passages(evaluation: Evaluation) -> Counter[str]:
    """Count, chain by chain, how often a frame passes a segment in one major cycle of the simulation."""
    counted: Counter[str] = Counter()

    def watch(chain: str, segment: int, way: str, begin: int, end: int) -> None:
        counted[chain] += 1

    phases = {name: scan.phases.phases for name, scan in evaluation.scans.items()}
    for scan in evaluation.scans.values():
        simulate(Pack.of(evaluation.plan), phases, scan.phases.major_cycle, Draw("typical"), watcher=watch)
    return counted


def computed_passages(evaluation: Evaluation) -> Counter[str]:
    counted: Counter[str] = Counter()
    for scan in evaluation.scans.values():
        chains = {chain.name: chain for chain in scan.chains}
        for work in scan.works:
            runs = scan.phases.major_cycle // work.task.every
            for lists in (work.triggers, work.reads):
                for exchange in (each for exchanges in lists.values() for each in exchanges):
                    chain = chains[exchange.chain]
                    counted[chain.name] += runs * sum(frames(chain, exchange).values())
    return counted


@settings(max_examples=15, deadline=None)
@given(plan_data())
def test_frames_cross_as_many_segments_as_in_the_simulation(data: Data) -> None:
    evaluation = evaluated(data)
    assert computed_passages(evaluation) == passages(evaluation)


def exchange_of(style: str, nodes: int = 3, **plan: Any) -> tuple[Any, Any]:
    evaluation = evaluated(wire_plan(nodes=nodes, style=style, **plan))
    (work,) = evaluation.scans["C"].works
    return evaluation.network.chains["line"], work.reads["C:1"][-1]


def test_exposure_by_hand() -> None:
    """Requests of 6 + 2 byte, answers of 8 + 2 byte, three nodes."""
    assert frames(*exchange_of("polled")) == {64: 3, 80: 3}  # the third node's
    assert frames(*exchange_of("sequential")) == {64: 3, 80: 1 + 2 + 3}
    assert frames(*exchange_of("summation")) == {64 + 3 * 80: 6}
    ring = {"shape": "ring", "back": "C:2", "read_from": "across"}
    across = exchange_of("summation", chain=ring, controller={"ports": 2})
    assert frames(*across) == {64 + 3 * 80: 4}
    assert blocks(*across) == {
        **{Block("request", 64, place): 1 for place in (1, 2, 3)},
        **{Block("answer", 80, place): 1 for place in (1, 2, 3)},
    }
    assert blocks(*exchange_of("summation")) == {
        **{Block("request", 64, place): 1 for place in (1, 2, 3)},
        **{Block("answer", 80, place): 1 for place in (5, 4, 3)},  # out past the nodes beyond, and home
    }
    assert blocks(*exchange_of("polled")) == {
        **{Block("request", 64, place): 1 for place in (1, 2, 3)},
        Block("answer", 80, 3): 1,
    }


def test_the_wire_counts_framing_the_check_does_not() -> None:
    framing = {
        "character": {"data": "8 bit", "wire": "10 bit"},
        "preamble": "12 bit",
        "shortest_frame": "9 byte",
    }
    chain, exchange = exchange_of("polled", nodes=1, protocol=framing)
    assert frames(chain, exchange) == {12 + 90: 1, 12 + 100: 1}
    assert blocks(chain, exchange) == {Block("request", 72, 1): 1, Block("answer", 80, 1): 1}


# --- failures -------------------------------------------------------------------------------------


def test_failure_of_a_read_by_hand() -> None:
    (task,) = errors_of(wire_plan(nodes=3, protocol=independent(1e-4))).tasks
    exact = [1 - (1 - Fraction(1, 10_000)) ** (144 * place) for place in (1, 2, 3)]
    assert task.failures == pytest.approx([float(each) for each in exact], rel=1e-9)
    assert (task.bits, task.worst, task.unheard) == (80, max(task.failures), 0)


def test_a_chain_of_its_own_noise_leaves_its_protocols() -> None:
    data = wire_plan(protocol=independent(1e-4), chain={"bit_errors": {"independent": 1e-5}})
    (task,) = errors_of(data).tasks
    assert task.worst == pytest.approx(144e-5, rel=1e-2)


def test_both_causes_together() -> None:
    bursts = {"p_bad": 0.5, "leave_good": 1e-4, "leave_bad": 0.1}
    alone = errors_of(wire_plan(protocol=independent(1e-4))).tasks[0].worst
    burst = errors_of(wire_plan(protocol={"bit_errors": {"bursts": bursts}})).tasks[0].worst
    both = (
        errors_of(wire_plan(protocol={"bit_errors": {"independent": 1e-4, "bursts": bursts}})).tasks[0].worst
    )
    assert both == pytest.approx(alone + burst - alone * burst, rel=1e-9)


def test_any_of() -> None:
    assert any_of({}) == 0
    assert any_of({0.25: 2}) == pytest.approx(1 - 0.75**2)
    assert any_of({1e-20: 3, 1e-21: 10}) == pytest.approx(4e-20)
    assert any_of({1.0: 1, 0.1: 1}) == 1


def test_inversion_over_segments() -> None:
    noise = Noise(0.1, None)
    assert noise.hit_after(1) == pytest.approx(0.1)
    assert noise.hit_after(2) == pytest.approx(2 * 0.1 * 0.9)
    assert Noise(0.5, None).hit_after(7) == 0.5


# --- lost scans -----------------------------------------------------------------------------------


@pytest.mark.parametrize("reserve", [0, 1, 3])
def test_lost_scans_of_one_read_by_hand(reserve: int) -> None:
    """One read a scan: lost if it fails reserve + 1 times, q^(reserve + 1)."""
    p = 1e-3
    q = 1 - (1 - p) ** 144
    data = wire_plan(
        protocol=independent(p), controller={"retry_reserve": reserve}, targets={"scans_lost_per_hour": 1e6}
    )
    evaluation = evaluated(data)
    found = verdict(evaluation, "scans lost per hour")
    assert found.value is not None
    assert found.value / PER_HOUR == pytest.approx(SCANS_AN_HOUR * q ** (reserve + 1), rel=1e-6)
    assert (found.status, found.note, found.subject) == ("met", "", "C")
    mean = sum(q**tries for tries in range(1, reserve + 1))
    assert evaluation.errors["C"].retries == pytest.approx(mean)


def test_mean_scan_time_by_hand() -> None:
    data = wire_plan(
        protocol=independent(1e-3, time_out="50 us"),
        controller={"retry_reserve": 2, "set_up": "10 us .. 20 us"},
        chain={"segments": {"cable": "pair", "length": "0 m"}},
    )
    mean = errors_of(data).mean_scan
    assert mean is not None
    slot = 15 + 64 + 2 + 80  # us: set-up, request, turn-around, answer
    q = 1 - (1 - 1e-3) ** 144
    assert mean.total / 10**9 == pytest.approx(slot + (q + q * q) * (slot + 50), rel=1e-9)
    assert mean.dimension == TIME


def test_tasks_share_the_reserve() -> None:
    """Two tasks, the second in one of two scans: kinds of scan are weighted by how often they come."""
    data = wire_plan(protocol=independent(1e-3), controller={"retry_reserve": 1})
    data["tasks"]["more"] = data["tasks"]["cells"] | {"every": 2}
    found = errors_of(data).lost
    assert found is not None
    q = 1 - (1 - 1e-3) ** 144
    one = q**2
    # two reads and one retry: lost unless none fails, or one fails once
    two = 1 - (1 - q) ** 2 - 2 * q * (1 - q) ** 2
    assert found.total / PER_HOUR == pytest.approx(SCANS_AN_HOUR * (one + two) / 2, rel=1e-6)
    assert sum(term.total for term in found.terms) == found.total


def test_unheard_broadcasts() -> None:
    data = wire_plan(nodes=3, protocol=independent(1e-4))
    data["tasks"] = {"set": {"kind": "write", "data": "4 byte", "every": 5}}
    found = errors_of(data)
    assert found.unheard is not None
    assert found.lost is not None
    q = 1 - (1 - 1e-4) ** (3 * (32 + 16))
    assert found.unheard.total / PER_HOUR == pytest.approx(SCANS_AN_HOUR / 5 * q, rel=1e-6)
    assert found.lost.total == 0


def test_without_bit_errors_nothing_is_known() -> None:
    targets = {"scans_lost_per_hour": 1.0, "residual_errors_per_hour": 1e-9}
    evaluation = evaluated(wire_plan(targets=targets))
    for target in ("scans lost per hour", "residual errors per hour"):
        found = verdict(evaluation, target)
        assert (found.status, found.note) == ("not checked", "the plan gives no bit errors")
    data = wire_plan(nodes=2, targets=targets, controller={"ports": 2})
    data["chains"]["other"] = data["chains"]["line"] | {
        "order": ["S.2"],
        "head": "C:2",
        "bit_errors": {"independent": 1e-6},
    }
    data["chains"]["line"]["order"] = ["S.1"]
    for target in ("scans lost per hour", "residual errors per hour"):
        found = verdict(evaluated(data), target)
        assert (found.status, found.note) == ("not checked", "chain line has no bit errors in the plan")


def test_limits_are_the_decimals_that_are_written() -> None:
    data = wire_plan(targets={"scans_lost_per_hour": 0.1, "residual_errors_per_hour": 1e-9})
    evaluation = evaluated(data)
    assert verdict(evaluation, "scans lost per hour").limit == PER_HOUR // 10
    assert verdict(evaluation, "residual errors per hour").limit == 10**21


def test_rates_are_rounded_up_to_readable_digits() -> None:
    assert per_hour(0) == 0
    assert per_hour(Fraction(1, 3)) == 33333334 * 10**22
    assert per_hour(1e-40) == 1


# --- against the simulation -----------------------------------------------------------------------

QUIET = {"p_good": 0.0, "p_bad": 0.4, "leave_good": 2e-4, "leave_bad": 0.02}


def lost_in(data: Data, noise: SimulatedNoise, scans: int) -> int:
    """Count the scans that the simulation loses: with one read a scan, the reads that fail for good."""
    evaluation = evaluated(data)
    record = simulate(
        Pack.of(evaluation.plan), {"C": (0,)}, scans, Draw("typical"), seed=11, faults=Faults(noise=noise)
    )
    return record.controllers["C"].lost


def test_lost_scans_of_the_simulation_with_independent_errors() -> None:
    scans = 6000
    data = wire_plan(protocol=independent(2e-3), controller={"retry_reserve": 1})
    expected = scans * (1 - (1 - 2e-3) ** 144) ** 2  # 376
    lost = lost_in(data, SimulatedNoise(2e-3), scans)
    assert abs(lost - expected) < 4 * math.sqrt(expected)
    found = errors_of(data).lost
    assert found is not None
    assert found.total / PER_HOUR == pytest.approx(expected / scans * SCANS_AN_HOUR, rel=1e-6)


@pytest.mark.parametrize("leave_bad", [0.5, 0.02, 0.002])
@pytest.mark.parametrize("reserve", [0, 1, 2])
def test_bursts_never_lose_more_scans_than_the_bound(reserve: int, leave_bad: float) -> None:
    scans = 3000
    bursts = QUIET | {"leave_bad": leave_bad, "leave_good": leave_bad / 100}
    data = wire_plan(protocol={"bit_errors": {"bursts": bursts}}, controller={"retry_reserve": reserve})
    noise = SimulatedNoise(0.0, bursts["p_bad"], bursts["leave_good"], bursts["leave_bad"])
    lost = lost_in(data, noise, scans)
    found = errors_of(data)
    assert found.lost is not None
    assert found.typical_lost is not None
    bound = found.lost.total / PER_HOUR / SCANS_AN_HOUR * scans
    assert found.bound
    assert lost <= bound + 4 * math.sqrt(bound)
    if reserve == 0:  # then the bound is the failure probability itself
        assert lost >= bound - 4 * math.sqrt(bound)
    if leave_bad == 0.002 and reserve:  # bursts of 500 bits outlast a retry: as if independent is far too few
        assert lost > 3 * found.typical_lost.total / PER_HOUR / SCANS_AN_HOUR * scans


def test_a_burst_that_is_no_worse_than_the_rest_carries_nothing() -> None:
    # Equal in both states: a frame fares alike however the channel stands when it begins.
    assert Noise(0.0, TwoStateChannel(0.1, 0.1, 1e-3, 1e-2)).carry([64]) == pytest.approx(0, abs=1e-9)


def test_the_two_bounds_of_bursts() -> None:
    """A burst that is over with its frame leaves nothing; one that outlasts every frame spoils each retry."""
    short = Noise(0.0, TwoStateChannel(0.0, 0.5, 1e-6, 0.5))
    assert short.carry([200]) < 0.02
    assert Noise(0.0, TwoStateChannel(0.0, 0.5, 1e-9, 1e-6)).carry([200]) > 1
    assert Noise(0.0, TwoStateChannel(0.0, 0.5, 0.9, 0.2)).carry([200]) == math.inf
    assert Noise(0.0, TwoStateChannel(0.5, 0.0, 0.1, 0.2)).carry([200]) == math.inf
    assert Noise(0.1, None).carry([200]) == 0
    for leave_bad, least in ((0.5, 1e-6), (1e-6, 0.9)):
        bursts = {"p_bad": 0.5, "leave_good": leave_bad * 1e-5, "leave_bad": leave_bad}
        data = wire_plan(protocol={"bit_errors": {"bursts": bursts}}, controller={"retry_reserve": 2})
        lost = errors_of(data).lost
        assert lost is not None
        (q,) = errors_of(data).tasks[0].failures
        share = lost.total / PER_HOUR / SCANS_AN_HOUR / q  # of the scans that need a retry
        assert least <= share <= (1e-2 if leave_bad == 0.5 else 1.000001)


@pytest.mark.parametrize(
    ("leave_bad", "factors"),
    [
        (0.5, 2),  # short bursts: both factors of the product are small
        (0.05, 2),
        (0.02, 1),  # the second factor is above 1 and left out
    ],
)
def test_the_bound_by_hits_term_by_term(leave_bad: float, factors: int) -> None:
    """P(lost) <= (sum of q) (Q + c) (Q + 2 c), Q over all reads and two retries: the derivation is at the top
    of chainplan/budgets/errors/losses.py. The frames are those of 64 and 80 bit over one segment each.
    """
    bursts = {"p_bad": 0.1, "leave_good": leave_bad * 1e-6, "leave_bad": leave_bad}
    data = wire_plan(protocol={"bit_errors": {"bursts": bursts}}, controller={"retry_reserve": 2})
    found = errors_of(data)
    (q,) = found.tasks[0].failures
    carry = Noise(0.0, TwoStateChannel(0.0, 0.1, leave_bad * 1e-6, leave_bad)).carry([64, 80])
    blue = -3 * math.log1p(-q)  # one read and two retries
    product = [blue + carry, blue + 2 * carry]
    assert (product[0] < 1, product[1] < 1) == (True, factors == 2)
    assert found.lost is not None
    share = found.lost.total / PER_HOUR / SCANS_AN_HOUR / q
    least = math.prod(product[:factors])
    if factors == 2:
        assert share == pytest.approx(least, rel=1e-6)
    else:  # the other bound, of the worst beginning, is smaller still
        assert share <= least


def test_a_factor_above_one_is_left_out() -> None:
    # Three nodes, long bursts: Q + c is 0.95 and Q + 2 c 1.9; the bound of the worst beginning is above 0.95.
    bursts = {"p_bad": 0.1, "leave_good": 1.5e-8, "leave_bad": 0.015}
    data = wire_plan(nodes=3, protocol={"bit_errors": {"bursts": bursts}}, controller={"retry_reserve": 2})
    found = errors_of(data)
    failures = found.tasks[0].failures
    carry = Noise(0.0, TwoStateChannel(0.0, 0.1, 1.5e-8, 0.015)).carry([64, 80])
    hits = [-math.log1p(-q) for q in failures]
    blue = sum(hits) + 2 * max(hits)
    assert blue + carry < 1 < blue + 2 * carry < 2
    assert found.lost is not None
    lost = found.lost.total / PER_HOUR / SCANS_AN_HOUR
    assert lost == pytest.approx(sum(failures) * (blue + carry), rel=1e-6)


def test_the_bound_by_hits_counts_every_read_and_its_retry() -> None:
    # Three nodes polled over 1, 2 and 3 segments; one retry, which may be that of the worst read.
    bursts = {"p_bad": 0.1, "leave_good": 1e-4, "leave_bad": 0.5}
    data = wire_plan(nodes=3, protocol={"bit_errors": {"bursts": bursts}}, controller={"retry_reserve": 1})
    found = errors_of(data)
    failures = found.tasks[0].failures
    carry = Noise(0.0, TwoStateChannel(0.0, 0.1, 1e-4, 0.5)).carry([64, 80])
    hits = [-math.log1p(-q) for q in failures]
    by_hits = sum(failures) * (sum(hits) + max(hits) + carry)
    assert found.lost is not None
    lost = found.lost.total / PER_HOUR / SCANS_AN_HOUR
    assert lost == pytest.approx(by_hits, rel=1e-6)


def test_scans_of_a_kind_count_as_often_as_they_come() -> None:
    # The second task runs in one of three scans; without a reserve any failure loses the scan.
    data = wire_plan(protocol=independent(1e-3))
    data["tasks"]["more"] = data["tasks"]["cells"] | {"every": 3}
    found = errors_of(data).lost
    assert found is not None
    q = 1 - (1 - 1e-3) ** 144
    expected = (2 * q + 1 - (1 - q) ** 2) / 3
    assert found.total / PER_HOUR == pytest.approx(SCANS_AN_HOUR * expected, rel=1e-6)


def test_bursts_on_one_chain_make_the_figure_a_bound() -> None:
    quiet = {"head": "C:2", "order": ["S.2"], "bit_errors": {"independent": 1e-6}}
    noisy = {"head": "C:1", "order": ["S.1"], "bit_errors": {"bursts": QUIET}}
    evaluation = evaluation_of(2, chains={"noisy": noisy, "quiet": quiet}, controller={"retry_reserve": 1})
    found = evaluation.errors["C"]
    assert found.bound
    assert found.lost is not None
    assert found.typical_lost is not None
    assert found.lost.total > found.typical_lost.total


def test_examples_lose_fewer_reads_in_the_simulation_than_reads_fail() -> None:
    """The simulation lets noise hit every frame once, the budget on each segment: it loses fewer."""
    data = example("rail-trolley")
    data["protocols"]["sequential-pair"]["bit_errors"] = {"independent": 1e-5}
    data["controllers"]["trolley"]["retry_reserve"] = 0
    evaluation = evaluated(data)
    phases = {name: scan.phases.phases for name, scan in evaluation.scans.items()}
    record = simulate(
        Pack.of(evaluation.plan),
        phases,
        1000,
        Draw("typical"),
        seed=3,
        faults=Faults(noise=SimulatedNoise(1e-5)),
    )
    scan = evaluation.scans["trolley"]
    failing = sum(
        sum(task.failures) / work.task.every
        for work, task in zip(scan.works, evaluation.errors["trolley"].tasks, strict=True)
    )
    expected = 1000 * failing
    assert 0 < record.controllers["trolley"].lost <= expected + 4 * math.sqrt(expected)
