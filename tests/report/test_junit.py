"""JUnit XML of a check: its schemas, what it says of every target, odd names."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from junit_schemas import ANT_REPORTS, BUILD_SERVERS
from lxml import etree
from made_up_figures import made_up

import chainplan
from chainplan.figures.figure import Figure
from chainplan.quantity import TIME
from chainplan.report.checked import CheckedPlan, case_names
from chainplan.report.figures import limit, margin, worst
from chainplan.report.junit import junit_text

CONFIGS = Path(__file__).parents[2] / "configs"
BEGUN = datetime(2026, 2, 3, 4, 5, 6, tzinfo=UTC)
UNUSABLE = CheckedPlan("plans/bad.yaml", "", "", (), (), "", "bad.yaml:1:4: error: <no> & 'end'\n  ^", 0.001)


@cache
def checked(name: str) -> CheckedPlan:
    loaded = chainplan.load(CONFIGS / f"{name}.yaml")
    verdicts = chainplan.evaluate(loaded.plan).verdicts
    return CheckedPlan(
        f"configs/{name}.yaml", loaded.plan.title, "A", ("a.b = 3 ms",), verdicts, "", "", 0.25
    )


def read(*plans: CheckedPlan) -> ElementTree.Element:
    return ElementTree.fromstring(junit_text(plans, "9.8.7", BEGUN).encode("utf-8"))


def odd(name: str, status: str) -> Figure:
    value = {"met": 1, "missed": 3, "not checked": None}[status]
    return made_up(name, name, value, "at most", 2, TIME, name, where=name, note=name)


def odd_plan(name: str) -> CheckedPlan:
    verdicts = tuple(odd(name, status) for status in ("met", "missed", "not checked"))
    return CheckedPlan(f"{name}.yaml", name, name, (name,), verdicts, name, "", 12.3456)


def assert_valid(text: str, schema: str) -> None:
    etree.XMLSchema(etree.fromstring(schema.encode("utf-8"))).assertValid(
        etree.fromstring(text.encode("utf-8"))
    )


@pytest.mark.parametrize("schema", [ANT_REPORTS, BUILD_SERVERS], ids=["ant reports", "build servers"])
def test_it_satisfies_the_schemas(schema: str) -> None:
    plans = [
        checked("mine-locomotive"),
        checked("rail-trolley"),
        UNUSABLE,
        odd_plan("a\x00 <&>\"']]> b\ud800"),
    ]
    assert_valid(junit_text(plans, "1", BEGUN), schema)
    with pytest.raises(etree.DocumentInvalid):  # the schema does refuse something
        assert_valid('<testsuites><testsuite name="x"/></testsuites>', schema)


@settings(max_examples=40)
@given(name=st.text(min_size=1, max_size=30))
def test_any_name_leaves_it_valid_and_ascii(name: str) -> None:
    text = junit_text([odd_plan(name), UNUSABLE._replace(problems=name, file=name)], name, BEGUN)
    assert text.isascii()
    assert_valid(text, BUILD_SERVERS)


@pytest.mark.parametrize("name", ["mine-locomotive", "harbour-ferry"])
def test_every_target_is_a_case_with_its_outcome(name: str) -> None:
    plan = checked(name)
    (suite,) = read(plan)
    cases = suite.findall("testcase")
    assert [case.get("name") for case in cases] == case_names(plan.verdicts)
    assert {case.get("classname") for case in cases} == {f"configs.{name}"}
    for case, verdict in zip(cases, plan.verdicts, strict=True):
        outcome = {"met": [], "missed": ["failure"], "not checked": ["skipped"]}[verdict.status]
        assert [child.tag for child in case] == outcome
        if verdict.status == "missed":
            message = case[0].get("message", "")
            assert f"worst case {worst(verdict)}, limit {limit(verdict, words=True)}" in message
            assert f"margin {margin(verdict)}" in message
            assert message in (case[0].text or "")
            assert verdict.where in (case[0].text or "")
    total = {key: int(suite.get(key, "")) for key in ("tests", "failures", "errors", "skipped")}
    assert total == {
        "tests": len(plan.verdicts),
        "failures": sum(verdict.status == "missed" for verdict in plan.verdicts),
        "errors": 0,
        "skipped": sum(verdict.status == "not checked" for verdict in plan.verdicts),
    }


def test_a_plan_that_cannot_be_used_is_an_error_with_its_problems() -> None:
    suite = read(UNUSABLE, checked("rail-trolley"))[0]
    assert (suite.get("tests"), suite.get("errors"), suite.get("failures")) == ("1", "1", "0")
    error = suite.find("testcase/error")
    assert error is not None
    assert error.get("message") == "bad.yaml:1:4: error: <no> & 'end'"
    assert error.text == UNUSABLE.problems


def test_names_of_cases_do_not_hang_on_figures() -> None:
    before = checked("mine-locomotive").verdicts
    after = [
        made_up(*each.key, 1, each.sense, 7, each.dimension, where="elsewhere", note="other")
        for each in before
    ]
    assert case_names(before) == case_names(after)
    assert len(set(case_names(before))) == len(before)


def test_names_that_are_alike_are_told_apart() -> None:
    twice = [odd("a", "met"), odd("a", "missed"), odd("b", "met")]
    assert case_names(twice) == ["a: a", "a: a (2)", "b: b"]


def test_the_suite_says_when_how_long_and_of_what() -> None:
    suite = read(checked("rail-trolley"))[0]
    assert (suite.get("timestamp"), suite.get("time")) == ("2026-02-03T04:05:06", "0.250")
    found = {each.get("name"): each.get("value") for each in suite.iter("property")}
    assert found["chainplan version"] == "9.8.7"
    assert found["set"] == "a.b = 3 ms"
    assert found["plan title"] == "Rail inspection trolley"
    assert "Danger of death" in (suite.findtext("system-out") or "")


@pytest.mark.parametrize(
    ("file", "name"),
    [
        ("plan.yaml", "plan"),
        ("./a/b.c.yaml", "a.b.c"),
        ("/x/y.yaml", "x.y"),
        ("../p.yaml", "p"),
        ("", "plan"),
    ],
)
def test_class_names_follow_the_path(file: str, name: str) -> None:
    (suite,) = read(UNUSABLE._replace(file=file))
    assert suite.get("package") == name
