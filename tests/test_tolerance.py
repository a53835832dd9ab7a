"""Tolerances: shares known by hand, statistics against published figures and scipy, bounds as properties."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import cache
from itertools import pairwise
from math import sqrt
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plan_texts import FULL
from scipy import stats
from strategies import plan_data

from chainplan.budgets.scanning.scan import with_phases
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure, margin
from chainplan.plan.altered import spans as spans_of
from chainplan.plan.altered import tolerances, with_value
from chainplan.plan.load import load_plan, load_source
from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER
from chainplan.quantity import RATIO, Span
from chainplan.tolerance.figures import FEW, ask, judged, tightest
from chainplan.tolerance.held import HELD, reason_held
from chainplan.tolerance.statistics import PERCENTILES, Quantile, quantile, root_sum_square, upper_share
from chainplan.tolerance.study import FigureStudy, ToleranceStudy, study
from chainplan.tolerance.trials import (
    Asked,
    TolerancedQuantity,
    ToleranceTrial,
    drawn_value,
    evaluation_with,
    made,
    phases_kept,
)

CONFIGS = Path(__file__).parents[1] / "configs"
EXAMPLES = sorted(CONFIGS.glob("*.yaml"))

MS = 10**12
LAG: KeyPath = ("hazards", "over-voltage", "sensor_lag")
SETTLING: KeyPath = ("node_types", "my node", "conversions", "cell voltages", "settling")
JUDGES: KeyPath = ("controllers", "main controller", "evaluation", "period")
OPENING: KeyPath = ("controllers", "main controller", "actuators", "contactor", "opening")
SET_UP: KeyPath = ("controllers", "main controller", "set_up")
PERIOD: KeyPath = ("controllers", "main controller", "scan_period")


@cache
def exact_plan() -> Plan:
    """Return the starter plan with every tolerance taken out, and a host that overlooks nothing."""
    text = STARTER.replace("run_time: 1 ms}", "run_time: 1 ms, judges: all}")
    text = text.replace("    scan_period:", "    overrun: catch up\n    scan_period:")
    plan = load_source(parse_source(text, "starter.yaml"), CONFIGS).plan
    for path, span in tolerances(plan):
        plan = with_value(plan, path, Span.exact(span.typical))
    return plan


def plan_with(spans: dict[KeyPath, Span]) -> Plan:
    plan = exact_plan()
    for path, span in spans.items():
        plan = with_value(plan, path, span)
    return plan


def around(middle: int, half: int) -> Span:
    return Span(middle - half, middle, middle + half)


def chosen(evaluation: Evaluation, target: str, subject: str) -> list[Figure]:
    found = [each for each in judged(evaluation) if each.key == (target, subject)]
    assert len(found) == 1
    return found


def study_of(plan: Plan, target: str, subject: str, samples: int = 0) -> FigureStudy:
    evaluation = Evaluation(plan)
    (found,) = study(evaluation, chosen(evaluation, target, subject), samples).figures
    return found


# Shares known by hand.


def test_two_terms_of_a_sum_carry_what_they_are() -> None:
    plan = plan_with({LAG: around(1000 * MS, 300 * MS), OPENING: around(500 * MS, 400 * MS)})
    found = study_of(plan, "fault handling time", "over-voltage", samples=30)
    assert found.worst - found.typical == 700 * MS
    assert [(each.parameter.path, each.alone, each.carries, each.end) for each in found.effects] == [
        (OPENING, 400 * MS, 400 * MS, "high end"),
        (LAG, 300 * MS, 300 * MS, "high end"),
    ]
    assert found.root_sum_square == found.typical + 500 * MS  # 3, 4, 5
    assert found.drawn is not None
    assert found.typical - 700 * MS <= found.drawn.furthest <= found.worst
    assert found.drawn.beyond == 0


def test_a_share_of_a_period_has_a_remainder() -> None:
    """Utilisation is scan time over period: (S + s) / (P - p) is more than both effects alone."""
    set_up, period = around(100 * 10**9, 50 * 10**9), around(100 * MS, 5 * MS)
    plan = plan_with({SET_UP: set_up, PERIOD: period})
    found = study_of(plan, "utilisation", "main controller")
    longest = {
        each: Evaluation(plan_with({SET_UP: Span.exact(each)})).scans["main controller"].longest
        for each in set_up
    }

    def used(set_up: int, period: int) -> int:
        return -(-longest[set_up] * RATIO.units[""].numerator // period)

    both, neither = used(set_up.max, period.min), used(set_up.typical, period.typical)
    assert (found.worst, found.typical) == (both, neither)
    effects = {each.parameter.path: each for each in found.effects}
    slow, short = effects[SET_UP], effects[PERIOD]
    assert slow.alone == used(set_up.max, period.typical) - neither
    assert slow.carries == both - used(set_up.typical, period.min)
    assert short.alone == used(set_up.typical, period.min) - neither
    assert short.carries == both - used(set_up.max, period.typical)
    assert (slow.end, short.end) == ("high end", "low end")
    assert slow.alone + short.alone < found.whole < slow.carries + short.carries


def test_what_is_held_whole_is_in_every_draw() -> None:
    plan = plan_with({SET_UP: around(100 * 10**9, 50 * 10**9), LAG: around(100 * MS, 50 * MS)})
    assert reason_held(SET_UP)
    found = study_of(plan, "fault handling time", "over-voltage", samples=5)
    held = next(each for each in found.effects if each.parameter.path == SET_UP)
    assert held.alone is not None
    assert found.held == found.typical + held.alone
    assert found.root_sum_square == found.held + 50 * MS  # so it adds up with the only one that is drawn
    assert found.drawn is not None
    assert found.drawn.mean >= found.held - 50 * MS


def test_a_tolerance_is_masked_where_another_hides_it() -> None:
    """The time between scans is the longer of period and scan: a slow host hides a slow clock behind it.

    Four readings (three to debounce, one may be lost) wait for a scan each, so the clock alone adds 4 x 5 ms.
    """
    period, set_up = around(50 * MS, 5 * MS), Span(10**9, 10**9, 5 * MS)
    typical, worst = (
        Evaluation(plan_with({SET_UP: Span.exact(each)})).scans["main controller"].longest
        for each in (set_up.typical, set_up.max)
    )
    assert typical < period.min
    assert worst > period.max
    found = study_of(plan_with({PERIOD: period, SET_UP: set_up}), "fault handling time", "over-voltage")
    clock = next(each for each in found.effects if each.parameter.path == PERIOD)
    assert (clock.alone, clock.carries, clock.end) == (4 * 5 * MS, 0, "masked")


def test_of_a_figure_that_must_be_large_the_effects_are_negative() -> None:
    evaluation = Evaluation(load_plan(CONFIGS / "rail-trolley.yaml").plan)
    (found,) = study(evaluation, chosen(evaluation, "link margin", "line"), 40).figures
    assert not found.higher_is_worse
    assert found.whole < 0
    assert all((each.alone or 0) <= 0 and (each.carries or 0) <= 0 for each in found.effects)
    by_name = {each.parameter.name: each for each in found.effects}
    transmit = by_name["protocols.sequential-pair.signal.transmit"]
    assert (transmit.alone, transmit.carries, transmit.end) == (
        -1_000_000,
        -1_000_000,
        "low end",
    )  # 0 dB +- 1 dB
    assert found.root_sum_square < found.held
    assert found.drawn is not None
    assert found.worst <= found.drawn.furthest <= found.drawn.quantiles[-1].value
    assert [each.value for each in found.drawn.quantiles] == sorted(
        (each.value for each in found.drawn.quantiles), reverse=True
    )


def test_where_the_limit_is_worked_out_it_is_followed() -> None:
    """The test voltage that is needed rises with the cells' voltage; the one that is offered stays."""
    evaluation = Evaluation(load_plan(CONFIGS / "rail-trolley.yaml").plan)
    (found,) = study(evaluation, chosen(evaluation, "barrier test voltage", "line"), 5).figures
    assert found.followed == "limit"
    assert found.higher_is_worse
    assert found.worst == found.verdict.limit
    assert [each.parameter.name for each in found.effects] == ["cell_types.iron-phosphate.voltage"]
    assert found.drawn is not None
    assert found.drawn.mean == found.held == found.worst  # the state of charge is no property of a part


# Statistics, against published figures and scipy.


def test_root_sum_square_of_the_end_gauge() -> None:
    """JCGM 100:2008, H.1: 25, 9.7, 2.9 and 16.6 nm combine to 32 nm (1002 nm^2); quoted from memory."""
    combined = root_sum_square([25_000, 9_700, 2_900, 16_600])  # pm
    assert round(combined / 1000) == 32
    assert round(combined**2 / 1e6) == 1003  # of the rounded components; 1002 of the exact ones


def test_four_rectangular_quantities() -> None:
    """JCGM 101:2008, 9.2.3: the sum of four with u = 1 has u = 2.00, and 95 % of it within +-3.88.

    Exactly 2 sqrt(3) (2 - (3/5)^(1/4)), where the normal law would say 3.92; quoted from memory.
    """
    published = 2 * sqrt(3) * (2 - (3 / 5) ** (1 / 4))
    assert round(published, 2) == 3.88
    unit = 10**9
    half = round(sqrt(3) * unit)
    assert round(root_sum_square([unit] * 4) / unit, 2) == 2.00
    four = [TolerancedQuantity(("x", str(index)), Span(-half, 0, half), "") for index in range(4)]
    sums = sorted(sum(drawn_value(each, 1, number) for each in four) for number in range(20_000))
    for percent, expected in (("2.5", -published), ("97.5", published)):
        found = quantile(sums, Fraction(percent), confidence=0.999)
        assert found.low is not None
        assert found.high is not None
        assert found.low <= expected * unit <= found.high
        assert found.high - found.low < 0.25 * unit
    assert abs(sum(sums) / len(sums)) < 0.05 * unit
    assert sums[-1] <= 4 * half


def test_a_figure_of_four_terms_is_the_sum_of_what_was_drawn() -> None:
    """So the check above is one of drawn plans, too: this figure is a constant and four drawn terms."""
    wanted = (LAG, SETTLING, JUDGES, OPENING)
    plan = plan_with({path: around(500 * MS, 100 * MS) for path in wanted})
    evaluation = Evaluation(plan)
    asked = ask(evaluation, chosen(evaluation, "fault handling time", "over-voltage"), seed=7)
    assert {each.path for each in asked.parameters} == set(wanted)
    constant = evaluation.latencies[0].handling.total - 4 * 600 * MS
    for number in range(10):
        (reading,) = made(asked, ToleranceTrial(draw=number))
        assert reading is not None
        assert reading.value == constant + sum(drawn_value(each, 7, number) for each in asked.parameters)


def test_draws_are_uniform_and_reach_both_ends() -> None:
    """Chi-square test of scipy; the seed is fixed, so that the test cannot fail by chance."""
    parameter = TolerancedQuantity(("a",), Span(10, 12, 19), "")
    values = [drawn_value(parameter, 3, number) for number in range(5000)]
    counts = [values.count(value) for value in range(10, 20)]
    assert sum(counts) == len(values)
    assert stats.chisquare(counts).pvalue > 0.01
    others = [
        drawn_value(TolerancedQuantity(("b",), Span(10, 12, 19), ""), 3, number) for number in range(5000)
    ]
    assert stats.pearsonr(values, others).pvalue > 0.01
    assert values != [drawn_value(parameter, 4, number) for number in range(5000)]


@pytest.mark.parametrize("number", [1, 10, 59, 1000])
def test_share_of_misses_against_scipy(number: int) -> None:
    for hits in {0, 1, number // 2, number - 1, number} & set(range(number + 1)):
        exact = stats.binomtest(hits, number, alternative="less").proportion_ci(0.95, "exact").high
        assert upper_share(hits, number) == pytest.approx(exact, rel=1e-9)


def test_share_of_misses_against_published_counts() -> None:
    """Wilks: 59 draws without a miss show 95 % met with 95 % confidence, 58 do not; quoted from memory."""
    assert upper_share(0, 59) <= 0.05 < upper_share(0, 58)
    assert upper_share(0, 299) <= 0.01 < upper_share(0, 298)  # the same for 99 %
    with pytest.raises(ValueError, match="cannot be"):
        upper_share(2, 1)
    with pytest.raises(ValueError, match="cannot be"):
        upper_share(0, 0)


def test_interval_of_the_median_against_published_ranks() -> None:
    """Tables of the sign test: n = 10 gives ranks 2 and 9, n = 20 ranks 6 and 15; quoted from memory."""
    for number, below, above in ((10, 2, 9), (20, 6, 15)):
        found = quantile(range(1, number + 1), Fraction(50))
        assert (found.low, found.high) == (below, above)
    assert quantile([5], Fraction(50)) == Quantile(Fraction(50), 5, None, None)
    with pytest.raises(ValueError, match="without draws"):
        quantile([], Fraction(50))


@pytest.mark.parametrize("percent", PERCENTILES)
@pytest.mark.parametrize("number", [30, 1000, 4000])
def test_intervals_have_the_monitoring_they_claim(percent: Fraction, number: int) -> None:
    """Against scipy's binomial distribution: each tail at most 2.5 %, and more with the next rank."""
    found = quantile(range(1, number + 1), percent)
    share = float(percent / 100)
    below, above = found.low or 0, found.high or number + 1
    assert stats.binom.cdf(below - 1, number, share) <= 0.025
    assert stats.binom.cdf(below, number, share) > 0.025
    assert above == number + 1 or stats.binom.cdf(above - 1, number, share) >= 0.975
    assert stats.binom.cdf(above - 2, number, share) < 0.975


def test_percentiles_of_a_continuous_law_are_found() -> None:
    random = Random(5)
    sample = sorted(round(random.gauss(0, 1) * 10**9) for _ in range(10_000))
    for percent in PERCENTILES:
        found = quantile(sample, percent)
        assert found.low is not None
        assert found.high is not None
        assert found.low <= stats.norm.ppf(float(percent / 100)) * 1e9 <= found.high
        assert found.low <= found.value <= found.high


# Bounds, as properties.


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(plan_data(), st.integers(0, 1000))
def test_no_drawn_set_of_parts_is_beyond_the_extreme_value(data: dict[str, object], seed: int) -> None:
    evaluation = Evaluation(Plan.model_validate(data))
    figures = judged(evaluation)
    asked = ask(evaluation, figures, seed)
    base = made(asked, ToleranceTrial())
    for verdict, reading in zip(figures, base, strict=True):
        assert reading is not None
        assert reading[:2] == (verdict.value, verdict.limit)  # the slot table kept, nothing else changed
    none_beyond(figures, asked, draws=2)


def none_beyond(figures: Sequence[Figure], asked: Asked, draws: int) -> None:
    for number in range(draws):
        for verdict, reading in zip(figures, made(asked, ToleranceTrial(draw=number)), strict=True):
            assert reading is not None
            drawn = margin(verdict.sense, reading.value, reading.limit)
            assert drawn is not None
            assert verdict.margin is not None
            assert drawn >= verdict.margin, verdict.target


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_stay_within_the_extreme_value(path: Path) -> None:
    evaluation = Evaluation(load_plan(path).plan)
    figures = judged(evaluation)
    assert len({each.key for each in figures}) == len(figures)  # a verdict's name tells it from all others
    none_beyond(figures, ask(evaluation, figures, 2), draws=1)
    few = tightest(evaluation, figures)
    assert len({each.figure for each in few}) >= FEW
    shares = [each.margin_share or 0 for each in few]
    assert shares == sorted(shares)


# The same on any number of workers, and the same parts in a what-if.


def test_the_result_does_not_depend_on_the_workers() -> None:
    evaluation = Evaluation(load_plan(CONFIGS / "rail-trolley.yaml").plan)
    figures = chosen(evaluation, "sample age", "trolley, temperatures")
    told: list[tuple[int, int]] = []
    alone = study(evaluation, figures, 9, 4, 1, lambda done, wanted: told.append((done, wanted)))
    assert alone == study(evaluation, figures, 9, 4, 3)
    assert alone != study(evaluation, figures, 9, 5)
    (figure,) = alone.figures
    assert figure.typical < figure.held < figure.root_sum_square < figure.worst
    assert all((each.alone or 0) >= 0 and (each.carries or 0) >= 0 for each in figure.effects)
    assert figure.drawn is not None
    assert (figure.drawn.number, figure.drawn.beyond, figure.drawn.unknown) == (9, 0, 0)
    assert [done for done, _ in told] == list(range(1, len(told) + 1))
    assert told[-1] == (len(told), len(told))
    assert all(before <= after for (_, before), (_, after) in pairwise(told))
    with pytest.raises(ValueError, match="worker"):
        study(evaluation, figures, 1, workers=0)


def test_a_what_if_meets_the_same_parts() -> None:
    """A value depends on its own name only: another parameter more or less changes no other draw."""
    spans = {LAG: around(1000 * MS, 300 * MS), OPENING: around(500 * MS, 400 * MS)}
    few = study_of(plan_with(spans), "fault handling time", "over-voltage", samples=8).drawn
    shifted = {
        **spans,
        JUDGES: Span.exact(exact_plan().controllers["main controller"].evaluation.period.max + MS),
    }
    more = study_of(plan_with(shifted), "fault handling time", "over-voltage", samples=8).drawn
    assert few is not None
    assert more is not None
    assert more.mean - few.mean == MS


def told(evaluation: Evaluation) -> list[tuple[object, ...]]:
    """Return what verdicts say; of phases that are given there is no quality to note."""
    return [(each.key, each.value, each.limit, each.typical, each.where) for each in evaluation.verdicts]


def test_slot_tables_are_kept_where_controllers_differ() -> None:
    plan = load_plan(CONFIGS / "quarry-truck.yaml").plan
    evaluation = Evaluation(plan)
    phases = phases_kept(evaluation)
    again = evaluation_with(plan, phases)
    assert told(again) == told(evaluation)
    table = dict(phases["reader-1"])
    table["open wire"] = (table["open wire"] + 1) % 50
    other = evaluation_with(plan, {**phases, "reader-1": table})
    kept = phases_kept(other)
    assert kept["reader-1"]["open wire"] == table["open wire"]
    assert kept["reader-2"] == phases["reader-2"]
    assert with_phases(plan.tasks, table)["open wire"].phase == table["open wire"]


# What is drawn.


def test_what_is_held_whole_is_found_in_the_schema() -> None:
    """Every rule meets a quantity of the plan with all keys or of an example; a misspelt one would not."""
    plans = [
        load_source(parse_source(FULL, "full.yaml"), CONFIGS).plan,
        *(load_plan(each).plan for each in EXAMPLES),
    ]
    paths = [path for plan in plans for path, _ in spans_of(plan)]
    ends = {held.end for held in HELD}
    met = {
        end
        for end in ends
        for path in paths
        if len(path) >= len(end)
        and all(want in ("*", step) for want, step in zip(end, path[-len(end) :], strict=True))
    }
    assert ends == met
    assert not reason_held(("protocols", "any", "bit_rate"))
    assert not reason_held(OPENING)
    assert not reason_held(PERIOD)
    assert reason_held(SET_UP)


def test_a_plan_without_tolerances_has_nothing_to_draw() -> None:
    evaluation = Evaluation(exact_plan())
    assert tightest(evaluation, judged(evaluation)) == []
    assert study(evaluation, [], 3) == ToleranceStudy((), (), 3, 0)
    found = study_of(exact_plan(), "fault handling time", "over-voltage", samples=3)
    assert found.effects == ()
    assert found.worst == found.typical == found.held == found.root_sum_square
