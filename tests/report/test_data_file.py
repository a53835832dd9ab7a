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
from written_results import figures, refuse, written

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import KINDS
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.report.data import SCHEMA_VERSION, data_pieces, data_schema
from chainplan.report.json_pieces import json_pieces
from chainplan.report.units import number

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = sorted(path for path in CONFIGS.glob("*.yaml") if path.name != "parts.yaml")


def results(path: Path) -> dict[str, Any]:
    return written(load_plan(path))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_has_the_shape_of_the_schema(path: Path) -> None:
    assert results(path).keys() == data_schema()["properties"].keys()


def test_the_schema_refuses_another_shape() -> None:
    document = results(CONFIGS / "rail-trolley.yaml")
    jsonschema.validate(document, data_schema())
    document["figures"][0]["worst_ms"] = 17.6
    with pytest.raises(jsonschema.ValidationError, match="worst_ms"):
        jsonschema.validate(document, data_schema())
    del document["figures"][0]["worst_ms"], document["figures"][0]["worst"]
    with pytest.raises(jsonschema.ValidationError, match="'worst' is a required property"):
        jsonschema.validate(document, data_schema())


def test_every_record_and_every_key_that_needs_it_is_described() -> None:
    schema = data_schema()
    for name, record in schema["$defs"].items():
        assert record["description"], name
        assert record["required"] == list(record["properties"]), name
    assert "not checked" in str(schema["$defs"]["FigureRecord"]["properties"]["status"])
    assert schema["$defs"]["FigureRecord"]["properties"]["sum"]["description"].startswith("Name of its arith")


def test_versions_are_said() -> None:
    document = results(CONFIGS / "rail-trolley.yaml")
    assert document["schema_version"] == SCHEMA_VERSION == 4
    assert document["tool"] == {"name": "chainplan", "version": "1.2.3"}
    assert document["plan"]["title"] == "Rail inspection trolley"


def test_the_same_plan_gives_the_same_bytes() -> None:
    path = CONFIGS / "mine-locomotive.yaml"
    first, second = (
        "".join(data_pieces(loaded, Evaluation(loaded.plan), "1")) for loaded in map(load_plan, [path] * 2)
    )
    assert first == second
    assert first.isascii()


def test_all_figures_make_one_table() -> None:
    """As a reader would: pandas, a general library, makes a data frame of them in one line."""
    pandas = pytest.importorskip("pandas")
    document = results(CONFIGS / "mine-locomotive.yaml")
    frame = pandas.json_normalize(document["figures"])
    assert len(frame) == len(document["figures"])
    counts = frame["status"].value_counts()
    assert dict(counts) == {status: number for status, number in document["counts"].items() if number}
    scan = frame[(frame["name"] == "scan time") & (frame["subject.controller"] == "cab")]
    assert float(scan["worst"].iloc[0]) == document["sums"][scan["sum"].iloc[0]]["total"]


def terms_add_up(node: dict[str, Any], total: str, parts: str) -> None:
    if node[parts]:
        added = sum(part["times"] * part["each"] for part in node[parts])
        assert added == pytest.approx(node[total], rel=1e-12, abs=1e-15)
    for part in node[parts]:
        terms_add_up(part, "each", "parts_of_each")


def sum_of(document: dict[str, Any], name: str) -> dict[str, Any]:
    """Return a sum by its name, or the one that has the same terms."""
    found: dict[str, Any] = document["sums"][name]
    return sum_of(document, found["same_as"]) if "same_as" in found else found


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_sums_add_up_and_belong_to_figures(path: Path) -> None:
    document = results(path)
    for name in document["sums"]:
        terms_add_up(sum_of(document, name), "total", "terms")
    kinds = {kind.name: kind for kind in KINDS}
    for figure in document["figures"]:
        assert figure["sum"] in document["sums"] or not figure["sum"]
        if figure["sum"] and kinds[figure["name"]].explained:
            own = sum_of(document, figure["sum"])
            total = abs(own["total"]) if own["unit"] == "V" else own["total"]  # a voltage has its direction
            if own["unit"] == figure["unit"]:  # bytes per sample, and efficiency, come from bits
                assert total == figure["worst"], figure
    parts = {"fault detection time": "FDTI", "fault reaction time": "FRTI"}
    for name, term in parts.items():
        for figure in figures(document, name):
            terms = {each["label"]: each for each in sum_of(document, figure["sum"])["terms"]}
            assert terms[term]["total"] == figure["worst"]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_verdicts_follow_from_their_own_figures(path: Path) -> None:
    document = results(path)
    for verdict in document["figures"]:
        worst, limit = verdict["worst"], verdict["limit"]
        if verdict["status"] is None:
            assert (limit, verdict["margin"], verdict["margin_share"]) == (None, None, None)
            continue
        if worst is None or limit is None:
            assert verdict["status"] == "not checked"
            continue
        held = {"at most": worst <= limit, "below": worst < limit, "at least": worst >= limit}
        assert (verdict["status"] == "met") == held[verdict["sense"]], verdict
        margin = worst - limit if verdict["sense"] == "at least" else limit - worst
        assert verdict["margin"] == pytest.approx(margin, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_worst_case_of_a_segment_is_one_of_its_cases(path: Path) -> None:
    for alike in results(path)["isolation"]["segments"]:
        for key in ("stress", "conductors"):
            worst = max(each[f"{key}_V"] for each in alike["combinations"])
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
def test_every_sum_is_written_or_that_of_a_segment_alike(path: Path) -> None:
    document = results(path)
    alike = {
        name: kind["segments"][0] for kind in document["isolation"]["segments"] for name in kind["segments"]
    }
    for name, work_out in Evaluation(load_plan(path).plan).sums().items():
        budget, _, subject = name.partition("/")
        found = name
        if name not in document["sums"]:
            assert budget in ("isolation", "transient")
            segment, _, between = subject.rpartition("/")
            found = f"{budget}/{alike[segment]}/{between}"
        own = work_out()
        assert sum_of(document, found)["total"] == number(own.total, own.dimension)


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
    document = results(path)
    times = {each["subject"]["controller"]: each["worst"] for each in figures(document, "scan time")}
    for scan in document["scans"]:
        numbers = sorted(chain.from_iterable(kind["scans"] for kind in scan["slots"]))
        assert numbers == list(range(scan["major_cycle_scans"]))
        ends = {number: kind["slots"][-1]["end_s"] for kind in scan["slots"] for number in kind["scans"]}
        assert max(ends.values()) == ends[scan["busiest_scan"]] == scan["phases"]["busiest_slots_s"]
        worst = times[scan["controller"]]
        assert worst == pytest.approx(max(ends.values()) + scan["retry_reserve_s"])


@settings(max_examples=15, deadline=None)
@given(plan_data())
def test_any_plan_gives_data_of_this_shape(data: dict[str, dict[str, dict[str, str]]]) -> None:
    for task in data["tasks"].values():
        task["sends"] = "wired inputs"
    written(load_plan(EXAMPLES[0])._replace(plan=Plan.model_validate(data)))


def test_a_file_name_that_is_no_text_does_not_break_the_data() -> None:
    loaded = load_plan(CONFIGS / "rail-trolley.yaml")
    odd = loaded._replace(file="caf\udce9.yaml")
    document = json.loads("".join(data_pieces(odd, Evaluation(loaded.plan), "1")))
    assert document["plan"]["file"] == "caf\ufffd.yaml"
