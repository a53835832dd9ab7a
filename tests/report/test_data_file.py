"""Results as data: strict JSON, one shape, units in the keys, figures that add up, the same every time."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import plan_data

from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.report.data import SCHEMA_VERSION, data_pieces
from chainplan.report.data_schema import Results, data_schema
from chainplan.report.json_pieces import json_pieces
from chainplan.report.units import with_unit

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = sorted(path for path in CONFIGS.glob("*.yaml") if path.name != "parts.yaml")


def results(path: Path) -> dict[str, Any]:
    loaded = load_plan(path)
    text = "".join(data_pieces(loaded, Evaluation(loaded.plan), "1.2.3"))
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
    assert document["schema_version"] == SCHEMA_VERSION == 2
    assert document["tool"] == {"name": "chainplan", "version": "1.2.3"}
    assert document["plan"]["title"] == "Rail inspection trolley"


def test_the_same_plan_gives_the_same_bytes() -> None:
    path = CONFIGS / "mine-locomotive.yaml"
    first, second = (
        "".join(data_pieces(loaded, Evaluation(loaded.plan), "1")) for loaded in map(load_plan, [path] * 2)
    )
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
    figures = document["figures"]
    for figure in figures.values():
        if "same_as" in figure:
            assert "terms" in figures[figure["same_as"]]
        else:
            terms_add_up(figure, "total", "terms")
    for verdict in document["verdicts"]:
        assert verdict["figure"] in document["figures"] or verdict["status"] == "not checked"
    for hazard in document["hazards"]:
        figure = figures[f"latency/{hazard['hazard']}"]
        figure = figures[figure["same_as"]] if "same_as" in figure else figure
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
    for alike in results(path)["isolation"]["segments"]:
        for key in ("stress", "conductors"):
            worst = max(case[f"{key}_V"] for case in alike["cases"])
            assert worst == alike[f"{key}_V"], alike["segments"]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_segment_is_in_one_record_with_its_own_figures(path: Path) -> None:
    evaluation = Evaluation(load_plan(path).plan)
    records = {name: alike for alike in results(path)["isolation"]["segments"] for name in alike["segments"]}
    segments = {each.segment.name: each for each in evaluation.isolation.segments}
    assert records.keys() == segments.keys()
    for name, segment in segments.items():
        assert records[name]["stress_V"] == segment.references.voltage / 10**6
        assert records[name]["stress_case"] == segment.references.situation.name
        assert records[name]["conductors_V"] == segment.conductors.voltage / 10**6
        assert [check["status"] for check in records[name]["checks"]] == [
            check.status for check in segment.checks
        ]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_figure_is_written_or_that_of_a_segment_alike(path: Path) -> None:
    document = results(path)
    alike = {
        name: kind["segments"][0] for kind in document["isolation"]["segments"] for name in kind["segments"]
    }
    figures = document["figures"]
    for name, work_out in Evaluation(load_plan(path).plan).sums().items():
        budget, _, subject = name.partition("/")
        if name not in figures:
            assert budget == "isolation"
            segment, _, between = subject.rpartition("/")
            figure = figures[f"isolation/{alike[segment]}/{between}"]
        else:
            figure = figures[name]
        figure = figures[figure["same_as"]] if "same_as" in figure else figure
        total = next(value for key, value in figure.items() if key.startswith("total_"))
        own = work_out()
        assert total == next(iter(with_unit("total", own.total, own.dimension).values()))


@given(
    st.dictionaries(
        st.text(max_size=4),
        st.recursive(
            st.none()
            | st.booleans()
            | st.integers()
            | st.floats(allow_nan=False, allow_infinity=False)
            | st.text(),
            lambda inner: (
                st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
            ),
        ),
        max_size=4,
    )
)
def test_pieces_make_the_whole_document(document: dict[str, Any]) -> None:
    text = "".join(json_pieces(document.items()))
    assert json.loads(text, parse_constant=refuse) == document
    assert text.isascii()
    assert text.endswith("}\n")


def test_a_number_without_a_form_in_json_is_refused() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        list(json_pieces([("worst_s", float("nan"))]))


def test_a_part_is_not_worked_out_before_the_one_ahead_is_written() -> None:
    asked: list[str] = []

    def entries() -> Iterator[tuple[str, Any]]:
        for name in ("first", "second"):
            asked.append(name)
            yield name, [{"record": 1}, {"record": 2}]

    pieces = json_pieces(entries())
    text = ""
    while '{"record": 2}' not in text:
        text += next(pieces)
    assert asked == ["first"]


def bytes_of(nodes: int, chains: int, tmp_path: Path) -> int:
    """Return how long the data of the rail trolley with so many nodes are, in chains alike."""
    data = yaml.safe_load((CONFIGS / "rail-trolley.yaml").read_text(encoding="utf-8"))
    data["include"] = [str(CONFIGS / "library" / "parts.yaml")]
    each = nodes // chains
    for section in ("strings", "controllers", "chains"):
        for part in data[section].values():
            part["count"] = chains
    data["strings"]["main"]["stack"] = [{"modules": each, "cells": 12}]
    data["strings"]["main"]["boards"] = [{"type": "board-12", "count": each}]
    data["chains"]["line"] |= {"head": "trolley-{n}:1", "order": ["main-{n}.1.." + str(each)]}
    data["controllers"]["trolley"]["scan_period"] = "100 s"
    path = tmp_path / "long.yaml"
    path.write_text(yaml.safe_dump(data), encoding="utf-8")
    loaded = load_plan(path)
    return len("".join(data_pieces(loaded, Evaluation(loaded.plan), "1")))


def test_the_data_grow_no_faster_than_the_plan(tmp_path: Path) -> None:
    """What any plan has, such as its cautions, a longer one has no more of: so less than in proportion."""
    assert bytes_of(800, 2, tmp_path) < 4 * bytes_of(200, 2, tmp_path)
    assert bytes_of(800, 8, tmp_path) < 3 * bytes_of(200, 2, tmp_path)  # chains alike share records


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
    Results.model_validate_json("".join(data_pieces(loaded, Evaluation(loaded.plan), "1")))


def test_a_file_name_that_is_no_text_does_not_break_the_data() -> None:
    loaded = load_plan(CONFIGS / "rail-trolley.yaml")
    odd = loaded._replace(file="caf\udce9.yaml")
    document = json.loads("".join(data_pieces(odd, Evaluation(loaded.plan), "1")))
    assert document["plan"]["file"] == "caf\ufffd.yaml"
