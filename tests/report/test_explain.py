"""`explain` prints terms that a reader can add up: here a reader with nothing but the printed text does."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from strategies import plan_data
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import TYPICAL
from chainplan.figures.terms import Sum, Term
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.quantity import LENGTH, TIME, VOLTAGE, to_unit
from chainplan.report.explain import close_names, explain_figure, figure_list, matching, scale_of
from chainplan.report.figures import Look, typical, worst

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = sorted(path for path in CONFIGS.glob("*.yaml") if path.name != "parts.yaml")

NUMBER = re.compile(
    r" *(-?[0-9][0-9 ]*(?:\.[0-9 ]*[0-9])?) (fs|ps|ns|us|ms|s|V|mV|uV|um|mm|m|km|mAh|Ah|bit|%|dB|"
    r"(?:e-[0-9]+)?/h|)  (.*)"
)
PRODUCT = re.compile(r" *= (\d+) x (-?[0-9 .]+) \S*")


def add_up(text: str) -> list[tuple[Decimal, str]]:
    """Check that each block of an explanation adds up; return the blocks' totals and titles in order."""
    totals: list[tuple[Decimal, str]] = []
    running = Decimal(0)
    last = Decimal(0)
    title = ""
    for line in text.splitlines():
        heading = re.match(r"\[(\d+)\] ", line)
        if heading:
            title = heading[1]
        product = PRODUCT.fullmatch(line)
        if product:
            assert int(product[1]) * decimal(product[2]) == last, line
        number = NUMBER.fullmatch(line)
        if not number:
            continue
        last = decimal(number[1])
        if number[3].startswith("total"):
            assert running == last, f"{line}: the terms add up to {running}"
            totals.append((last, title))
            running = Decimal(0)
        else:
            running += last
    assert running == 0, "a block without a total"
    return totals


def decimal(text: str) -> Decimal:
    return Decimal(text.replace(" ", ""))


def explained(evaluation: Evaluation, width: int = 80, encoding: str = "utf-8") -> list[tuple[str, str]]:
    look = Look(width, encoding)
    return [
        (name, explain_figure(name, work_out(), evaluation.verdicts, look))
        for name, work_out in evaluation.sums().items()
    ]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
@pytest.mark.parametrize("width", [80, 120])
def test_every_figure_of_every_example_adds_up_as_printed(path: Path, width: int) -> None:
    for name, text in explained(Evaluation(load_plan(path).plan), width):
        totals = add_up(text)
        assert totals or "no term adds anything" in text, name
        assert max(map(len, text.splitlines())) <= width, name


def wired(data: dict[str, Any]) -> Plan:
    """Return a plan of the data whose reads all carry samples."""
    for task in data["tasks"].values():
        task["sends"] = "wired inputs"
    return Plan.model_validate(data)


@settings(max_examples=25, deadline=None)
@given(plan_data().map(wired))
def test_figures_of_any_plan_add_up_as_printed(plan: Plan) -> None:
    for _, text in explained(Evaluation(plan), 80, "ascii"):
        add_up(text)
        text.encode("ascii")


def test_a_total_is_the_figure_itself_in_its_unit() -> None:
    evaluation = Evaluation(load_plan(CONFIGS / "rail-trolley.yaml").plan)
    figure = evaluation.scans["trolley"].worst
    (total, _), *parts = add_up(dict(explained(evaluation))["scan/trolley"])
    assert float(total) == to_unit(figure.total, TIME, "ms")
    assert [number for _, number in parts] == ["1", "2"]


def test_the_adding_reader_notices_a_wrong_total() -> None:
    with pytest.raises(AssertionError, match="add up to"):
        add_up("  1.000 ms  one\n  2.000 ms  two\n  ---\n  3.001 ms  total\n")
    with pytest.raises(AssertionError):
        add_up("  1.000 ms  one\n  = 3 x 0.300 ms\n  ---\n  1.000 ms  total\n")


@pytest.mark.parametrize(
    ("figure", "unit", "decimals", "total"),
    [
        (Sum("a", TIME, (Term("b", 1, 3),)), "ps", 3, "0.003"),
        (Sum("a", TIME, (Term("b", 15 * 10**11),)), "ms", 1, "1.5"),
        (Sum("a", TIME, (Term("b", 2 * 3600 * 10**15),)), "s", 0, "7 200"),
        (Sum("a", VOLTAGE, (Term("b", -403_200_000),)), "V", 1, "-403.2"),
        (Sum("a", LENGTH, (Term("b", 350 * 10**6),)), "mm", 0, "350"),
    ],
)
def test_scale_is_exact(figure: Sum, unit: str, decimals: int, total: str) -> None:
    scale = scale_of(figure)
    assert (scale.unit, scale.decimals) == (unit, decimals)
    assert scale.number(figure.total) == total


NAMES = ["scan/bridge", "scan/bridge/typical", "age/bridge/cell voltages", "latency/over-voltage"]


@pytest.mark.parametrize(
    ("query", "names"),
    [
        ("scan/bridge", ["scan/bridge"]),
        ("SCAN", ["scan/bridge"]),
        ("scan typical", ["scan/bridge/typical"]),
        ("volt", ["age/bridge/cell voltages", "latency/over-voltage"]),
        ("over voltage", ["latency/over-voltage"]),
        ("nothing such", []),
        ("", []),
    ],
)
def test_words_find_figures(query: str, names: list[str]) -> None:
    assert matching(query, NAMES) == names


def test_a_misspelt_name_brings_the_nearest() -> None:
    assert close_names("latency/over-voltge", NAMES) == "latency/over-voltage"
    assert close_names("wholly different", NAMES) is None


def test_the_list_names_every_figure_of_an_example() -> None:
    evaluation = Evaluation(load_plan(CONFIGS / "rail-trolley.yaml").plan)
    listed = figure_list(evaluation, Look(80))
    assert [line.split("  ")[-1] for line in listed.splitlines()] == list(evaluation.sums())


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_list_rounds_as_the_report_does(path: Path) -> None:
    evaluation = Evaluation(load_plan(path).plan)
    rows = [line.strip().split("  ") for line in figure_list(evaluation, Look(80)).splitlines()]
    listed = {row[1]: row[0] for row in rows if len(row) == 2}
    shown = [each for each in evaluation.shown() if each.figure in listed and each.kind.explained]
    assert {each.sense for each in shown} >= {"at most", "at least"}
    for each in shown:
        if each.sums[0] is not None and each.sums[0].total == each.value:
            assert listed[each.figure] == worst(each), each
        if each.figure + TYPICAL in listed:
            assert listed[each.figure + TYPICAL] == typical(each), each


def test_every_verdict_with_a_figure_can_be_explained() -> None:
    for path in EXAMPLES:
        evaluation = Evaluation(load_plan(path).plan)
        sums = evaluation.sums()
        for verdict in evaluation.verdicts:
            if not verdict.figure:
                assert verdict.status == "not checked", verdict
                continue
            assert verdict.figure in sums, verdict


def test_names_that_can_be_meant_stand_in_the_order_of_their_numbers() -> None:
    result = CliRunner().invoke(
        app, ["explain", str(CONFIGS / "harbour-ferry.yaml"), "isolation", "references"]
    )
    names = [line.strip() for line in result.output.splitlines() if line.startswith("  isolation/")]
    assert result.exit_code == 2
    assert names == [f"isolation/ring-1#{number}/references" for number in range(1, 12)] + [
        f"isolation/ring-2#{number}/references" for number in range(1, 10)
    ]
