"""Results as data: strict JSON, one shape, units in the keys, figures that add up, the same every time."""

from __future__ import annotations

import json
from itertools import chain
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from strategies import plan_data

from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.report.data import SCHEMA_VERSION, data_text
from chainplan.report.data_schema import Results, data_schema

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = sorted(path for path in CONFIGS.glob("*.yaml") if path.name != "parts.yaml")


def results(path: Path) -> dict[str, Any]:
    loaded = load_plan(path)
    text = data_text(loaded, Evaluation(loaded.plan), "1.2.3")
    document: dict[str, Any] = json.loads(text, parse_constant=refuse)
    return document


def refuse(word: str) -> None:
    raise AssertionError(f"{word} is no JSON")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_has_the_shape_of_the_schema(path: Path) -> None:
    document = results(path)
    Results.model_validate(document)
    jsonschema.Draft202012Validator.check_schema(data_schema())
    jsonschema.validate(document, data_schema())


def test_the_schema_refuses_another_shape() -> None:
    document = results(CONFIGS / "rail-trolley.yaml")
    document["verdicts"][0]["worst_ms"] = 17.6
    with pytest.raises(ValueError, match="worst_ms"):
        Results.model_validate(document)


def test_versions_are_said() -> None:
    document = results(CONFIGS / "rail-trolley.yaml")
    assert document["schema_version"] == SCHEMA_VERSION == 1
    assert document["tool"] == {"name": "chainplan", "version": "1.2.3"}
    assert document["plan"]["title"] == "Rail inspection trolley"


def test_the_same_plan_gives_the_same_bytes() -> None:
    path = CONFIGS / "mine-locomotive.yaml"
    first, second = (data_text(loaded, Evaluation(loaded.plan), "1") for loaded in map(load_plan, [path] * 2))
    assert first == second
    assert first.isascii()


def terms_add_up(node: dict[str, Any], total: str, parts: str) -> None:
    unit = next(key for key in node if key.startswith(f"{total}_")).removeprefix(f"{total}_")
    if node[parts]:
        added = sum(part["times"] * part[f"each_{unit}"] for part in node[parts])
        assert added == pytest.approx(node[f"{total}_{unit}"], rel=1e-12, abs=1e-15)
    for part in node[parts]:
        terms_add_up(part, "each", "parts_of_each")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_figures_add_up_and_belong_to_verdicts(path: Path) -> None:
    document = results(path)
    for figure in document["figures"].values():
        terms_add_up(figure, "total", "terms")
    for verdict in document["verdicts"]:
        assert verdict["figure"] in document["figures"] or verdict["status"] == "not checked"
    for hazard in document["hazards"]:
        figure = document["figures"][f"latency/{hazard['hazard']}"]
        assert figure["total_s"] == hazard["FHTI_worst_s"]
        assert hazard["FHTI_worst_s"] == pytest.approx(hazard["FDTI_worst_s"] + hazard["FRTI_worst_s"])


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_verdicts_follow_from_their_own_figures(path: Path) -> None:
    for verdict in results(path)["verdicts"]:
        unit = next(key for key in verdict if key.startswith("worst_")).removeprefix("worst_")
        worst, limit = verdict[f"worst_{unit}"], verdict[f"limit_{unit}"]
        if worst is None or limit is None:
            assert verdict["status"] == "not checked"
            continue
        held = {"at most": worst <= limit, "below": worst < limit, "at least": worst >= limit}
        assert (verdict["status"] == "met") == held[verdict["sense"]], verdict
        margin = worst - limit if verdict["sense"] == "at least" else limit - worst
        assert verdict[f"margin_{unit}"] == pytest.approx(margin, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_worst_case_of_a_segment_is_one_of_its_cases(path: Path) -> None:
    for each in results(path)["isolation"]["chains"]:
        for segment in each["segments"]:
            for key in ("stress", "conductors"):
                worst = max(case[f"{key}_V"] for case in segment["cases"])
                assert worst == segment[f"{key}_V"], segment["segment"]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_slots_cover_the_major_cycle_once_and_none_is_longer_than_the_busiest(path: Path) -> None:
    for controller in results(path)["controllers"]:
        scan = controller["scan"]
        assert scan["slots_complete"]
        numbers = sorted(chain.from_iterable(kind["scans"] for kind in scan["slots"]))
        assert numbers == list(range(scan["major_cycle_scans"]))
        ends = {number: kind["slots"][-1]["end_s"] for kind in scan["slots"] for number in kind["scans"]}
        assert max(ends.values()) == ends[scan["busiest_scan"]] == scan["phases"]["busiest_slots_s"]
        assert scan["worst_s"] == pytest.approx(max(ends.values()) + scan["retry_reserve_s"])


@settings(max_examples=15, deadline=None)
@given(plan_data())
def test_any_plan_gives_data_of_this_shape(data: dict[str, dict[str, dict[str, str]]]) -> None:
    for task in data["tasks"].values():
        task["sends"] = "wired inputs"
    loaded = load_plan(EXAMPLES[0])._replace(plan=Plan.model_validate(data))
    Results.model_validate_json(data_text(loaded, Evaluation(loaded.plan), "1"))


def test_a_file_name_that_is_no_text_does_not_break_the_data() -> None:
    loaded = load_plan(CONFIGS / "rail-trolley.yaml")
    odd = loaded._replace(file="caf\udce9.yaml")
    document = json.loads(data_text(odd, Evaluation(loaded.plan), "1"))
    assert document["plan"]["file"] == "caf\ufffd.yaml"
