"""Verdicts: every target of a plan is judged or said not to be, at its limit and one tick beside it."""

from __future__ import annotations

from fractions import Fraction

import pytest
from made_up_figures import made_up

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure, Sense, Status
from chainplan.plan.includes import Sources
from chainplan.plan.model import Plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER
from chainplan.plan.understood import fill_in
from chainplan.quantity import TIME, VOLTAGE


def evaluation(changes: dict[str, str]) -> Evaluation:
    text = STARTER
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    sources = Sources(parse_source(text, "starter.yaml"))
    assert not fill_in(sources).left
    return Evaluation(Plan.model_validate(sources.data))


def judged(results: Evaluation, target: str) -> Figure:
    [verdict] = [each for each in results.verdicts if each.target == target]
    return verdict


@pytest.mark.parametrize(
    ("sense", "value", "status"),
    [
        ("at most", 10, "met"),
        ("at most", 11, "missed"),
        # ISO 26262-1:2018: the fault handling time must be lower than the ftti; equality is a miss.
        ("below", 9, "met"),
        ("below", 10, "missed"),
        ("at least", 10, "met"),
        ("at least", 9, "missed"),
        ("at most", None, "not checked"),
    ],
)
def test_status_at_the_limit(sense: Sense, value: int | None, status: Status) -> None:
    assert made_up("t", "s", value, sense, 10, TIME, "f").status == status


def test_margin_is_negative_beyond_the_limit_whichever_way_that_is() -> None:
    assert made_up("t", "s", 12, "at most", 10, TIME, "f").margin == -2
    assert made_up("t", "s", 7, "at least", 10, TIME, "f").margin == -3
    assert made_up("t", "s", 7, "at least", 10, TIME, "f").margin_share == Fraction(-3, 10)
    assert made_up("t", "s", 0, "at most", 0, TIME, "f").margin_share is None


def test_host_bus_load_by_hand() -> None:
    # Per run of a 6 + 6 block read of 16 bit values from four nodes: trigger 2 + 2 byte; twice a request of
    # 2 + 2 byte and four answers of 1 + 12 + 2 byte: 132 byte. Cell voltages and open wire meet: 264 byte.
    # 2112 bit at 4 Mbit/s, and 2 us for each of 2 * 5 transfers: 548 us, of the shortest scan period 99.9 ms.
    results = evaluation({"  efficiency: 35 %": "  host_bus_load: 0.548 %"})
    verdict = judged(results, "host bus load")
    assert verdict.value == -(-548 * 10**12 // 99_900)
    assert verdict.status == "missed"
    figure = results.sums()[verdict.figure]()
    assert figure.total == parse_quantity("548 us", TIME).max


def test_host_bus_load_without_a_host_bus_is_not_checked() -> None:
    start = STARTER.index("    host_bus:")
    line = STARTER[start : STARTER.index("\n", start) + 1]
    verdict = judged(evaluation({line: "", "  efficiency: 35 %": "  host_bus_load: 50 %"}), "host bus load")
    assert verdict.status == "not checked"
    assert verdict.note


def test_isolation_of_the_head_segment_by_hand() -> None:
    # 48 cells of 3.65 V: an earth fault at HV+ lifts the whole string voltage to the first board.
    verdict = judged(evaluation({}), "barrier working voltage")
    assert verdict.value == parse_quantity("175.2 V", VOLTAGE).max
    assert verdict.limit == parse_quantity("1000 V", VOLTAGE).min
    assert verdict.where.startswith("line#1, ")
    assert "earth fault at HV+" in verdict.where


def test_the_worst_segment_is_named_also_when_another_one_carries_less_against_less() -> None:
    weak = {"  my capacitor:": "  weak: {kind: capacitor, working_voltage: 50 V}\n  my capacitor:"}
    worse = {"    head_segment:": "    exceptions: {3: {barrier: weak}}\n    head_segment:"}
    verdict = judged(evaluation(weak | worse), "barrier working voltage")
    assert verdict.status == "missed"
    assert verdict.where.startswith("line#3, near barrier weak: ")
    # 24 cells of 3.65 V below the plug: 87.6 V to 43.8 V apart becomes 175.2 V - 43.8 V when it is open.
    assert verdict.value == parse_quantity("131.4 V", VOLTAGE).max


def test_distances_that_the_plan_does_not_give_are_not_met() -> None:
    verdict = judged(
        evaluation({"      creepage: 8 mm             # [!] between": "      # between"}),
        "creepage between boards",
    )
    assert verdict.status == "not checked"
    assert verdict.note.startswith("the plan gives no creepage here")


def test_skew_without_a_trigger_is_not_checked() -> None:
    results = evaluation({"cell voltages: {reads": "cell voltages: {kind: read, reads"})
    assert judged(results, "skew").status == "not checked"


def test_targets_of_tasks_that_sample_nothing_are_not_passed_over() -> None:
    results = evaluation({"skew: {cell voltages: 500 us}": "skew: {cell voltages: 500 us, balancing: 1 ms}"})
    [verdict] = [each for each in results.verdicts if each.target == "skew" and each.subject == "balancing"]
    assert verdict.status == "not checked"
    assert verdict.note == "this task fetches no samples"


def test_names_of_sums_are_stable_words_for_explain() -> None:
    names = list(evaluation({}).sums())
    for name in (
        "scan/main controller",
        "scan/main controller/typical",
        "age/main controller/cell voltages",
        "skew/main controller/cell voltages",
        "bytes/main controller",
        "bytes/main controller/temperatures",
        "wire/main controller",
        "payload/main controller",
        "host-bus/main controller",
        "latency/over-voltage",
        "isolation/line#1/references",
        "isolation/line#4/conductors",
    ):
        assert name in names, name


def test_efficiency_is_the_ratio_of_its_two_sums() -> None:
    results = evaluation({})
    sums = results.sums()
    payload, wire = sums["payload/main controller"]().total, sums["wire/main controller"]().total
    assert Fraction(payload, wire) == results.traffic[0].efficiency
