"""Controllers that are alike are shown once, by all their names; of too many that differ the busiest."""

from __future__ import annotations

import re
from io import StringIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml
from rich.console import Console

from chainplan.evaluation import Evaluation
from chainplan.figures.sections import ON_REQUEST, SECTIONS
from chainplan.plan.load import LoadedPlan, load_plan
from chainplan.report.alike import gathered, tightest
from chainplan.report.sections.common import MOST_CONTROLLERS
from chainplan.report.terminal import report_text

EXAMPLE = Path(__file__).parents[2] / "configs" / "rail-trolley.yaml"
EACH = ("scan", "slots", "bytes", "start-up", "balancing", "errors")
"""Sections with a part for every controller."""

SEARCHES = ("headroom", *ON_REQUEST)

Data = dict[str, Any]


def example() -> Data:
    data: Data = yaml.safe_load(EXAMPLE.read_text(encoding="utf-8"))
    return data | {"include": [str(EXAMPLE.parent / "library" / "parts.yaml")]}


def saved(data: Data, tmp_path: Path) -> LoadedPlan:
    path = tmp_path / "plan.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")
    return load_plan(path)


def copied(copies: int, tmp_path: Path) -> LoadedPlan:
    """Return the rail trolley in so many copies, each with a string and a controller."""
    data = example()
    for section in ("strings", "controllers", "chains"):
        for part in data[section].values():
            part["count"] = copies
    data["chains"]["line"] |= {"head": "trolley-{n}:1", "order": ["main-{n}.1..4"]}
    return saved(data, tmp_path)


def differing(number: int, tmp_path: Path) -> LoadedPlan:
    """Return the rail trolley with so many controllers, each in more haste than the one before."""
    data = example()
    string, trolley, line = (
        data[section].pop(name)
        for section, name in (("strings", "main"), ("controllers", "trolley"), ("chains", "line"))
    )
    for place in range(1, number + 1):
        data["strings"][f"main {place}"] = string
        data["controllers"][f"trolley {place}"] = trolley | {"scan_period": f"{200 - place} ms"}
        data["chains"][f"line {place}"] = line | {
            "head": f"trolley {place}:1",
            "order": [f"main {place}.1..4"],
        }
    return saved(data, tmp_path)


def text_of(loaded: LoadedPlan, *sections: str) -> str:
    return report_text(Console(file=StringIO(), width=100), loaded, Evaluation(loaded.plan), sections)


def headings(text: str) -> list[str]:
    """Return the headings of a report: what stands over a line across."""
    rows = text.split("\n")
    return [above for above, row in pairwise(rows) if row.startswith("━")]


def test_forty_copies_are_reported_like_one(tmp_path: Path) -> None:
    one, forty = (copied(number, tmp_path) for number in (2, 40))
    whole = [name for name in SECTIONS if name not in SEARCHES]
    few, many = (text_of(loaded, *whole) for loaded in (one, forty))
    assert len(many.split("\n")) <= len(few.split("\n"))
    assert "trolley-1..40" in many


@pytest.mark.parametrize("section", EACH)
def test_a_section_names_all_controllers_alike_once(section: str, tmp_path: Path) -> None:
    text = text_of(copied(7, tmp_path), section)
    assert len([line for line in headings(text) if "trolley-1..7: " in line]) == 1
    assert "trolley-2" not in text


@pytest.mark.parametrize("section", EACH)
def test_controllers_that_differ_are_all_shown(section: str, tmp_path: Path) -> None:
    shown = re.findall(r"trolley \d", "\n".join(headings(text_of(differing(3, tmp_path), section))))
    assert sorted(set(shown)) == ["trolley 1", "trolley 2", "trolley 3"]


def test_values_alike_are_one_row_and_every_controller_is_named(tmp_path: Path) -> None:
    text = text_of(copied(7, tmp_path), "sample age")
    rows = [line for line in text.split("\n") if line.startswith("cell voltages")]
    assert len(rows) == 1
    assert text.count("trolley-1..7") == len(example()["tasks"]) - 1  # one task is a write


def test_of_too_many_that_differ_the_busiest_are_shown_and_the_rest_is_counted(tmp_path: Path) -> None:
    loaded = differing(MOST_CONTROLLERS + 2, tmp_path)
    text = text_of(loaded, "scan")
    shown = re.findall(r"^SCAN  (.*): the", text, re.M)
    assert shown == [f"trolley {place}" for place in range(3, MOST_CONTROLLERS + 3)]
    assert "Not shown: 2 controllers more, none of them busier. data writes them." in " ".join(text.split())


def test_gathered_keeps_the_order_of_the_first() -> None:
    assert gathered([3, 1, 4, 1, 5, 9, 2, 6], lambda number: number % 3) == [[3, 9, 6], [1, 4, 1], [5, 2]]


def test_tightest_keeps_the_order() -> None:
    assert tightest([3, 1, 2, 1], 4, lambda number: number) == [3, 1, 2, 1]
    assert tightest([3, 1, 2, 1], 3, lambda number: number) == [1, 2, 1]
    assert tightest([3, 1, 2, 1], 1, lambda number: number) == [1]
