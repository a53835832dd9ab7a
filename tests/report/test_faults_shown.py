"""Single faults in the report and in the data: checked against the walk, nothing left out without a word."""

from __future__ import annotations

import io
import re
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from rich.cells import cell_len
from rich.console import Console
from written_results import written

from chainplan.after_faults import aftermath, fault_rows
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.plan.load import LoadedPlan, load_plan, load_source
from chainplan.plan.source import parse_source
from chainplan.report.fault_data import MOST_NODES_JUDGED
from chainplan.report.fault_groups import fault_groups
from chainplan.report.sections import single_faults as section
from chainplan.report.terminal import report_text

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = ["rail-trolley", "harbour-ferry", "mine-locomotive", "storage-container"]


@cache
def loaded(name: str) -> LoadedPlan:
    return load_plan(CONFIGS / f"{name}.yaml")


def shown(plan: LoadedPlan, width: int = 120, name: str = "single faults") -> str:
    console = Console(file=io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), width=width, _environ={})
    return report_text(console, plan, Evaluation(plan.plan), [name])


def words(text: str) -> str:
    return " ".join(text.split())


def long_ferry(nodes: int) -> LoadedPlan:
    """Return the ferry with so many nodes on each of its four rings."""
    text = (CONFIGS / "harbour-ferry.yaml").read_text()
    for old, new in (
        ("{modules: 5, cells: 18}", f"{{modules: {nodes // 2}, cells: 18}}"),
        ("count: 10}", f"count: {nodes}}}"),
        ('1..10"', f'1..{nodes}"'),
    ):
        assert old in text
        text = text.replace(old, new)
    return load_source(parse_source(text, "long.yaml"), CONFIGS)


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("width", [80, 120])
def test_every_fault_is_in_a_row_or_counted_as_left_out(name: str, width: int) -> None:
    text = shown(loaded(name), width)
    assert all(cell_len(line) <= width for line in text.splitlines())
    faults = Evaluation(loaded(name).plan).faults
    kinds = {outcome.fault.kind for outcome in faults.outcomes}
    table = text.split("scan\nafter it")[-1].split("Most harmful first")[0]
    starts = "|".join(sorted(kinds, key=len, reverse=True)).replace("segment open or shorted", "segment open")
    rows = re.findall(rf"^(?:(\d+) x )?(?:{starts})\b", table, re.MULTILINE)
    left = re.search(r"Not shown: (\d+) faults?", table)
    assert sum(int(times or 1) for times in rows) + (int(left[1]) if left else 0) == len(faults.outcomes)


def test_headline_of_the_ferry() -> None:
    # A node that babbles for good takes one ring of 180 cells of 720 with it; a ring survives all else but
    # the node itself (18 cells). The last segment and the back port carry nothing while a ring is whole.
    plan = load_source(parse_source(without_limits("harbour-ferry"), "ferry.yaml"), CONFIGS)
    text = words(shown(plan))
    assert (
        "leaves 75 % of the cells monitored, or more; node bank-1.10 babbling leaves least, 540 of 720"
        in text
    )
    assert "40 faults of 132 (node babbling 40)" in text
    assert "Never shown by anything that is read: 8 faults" in text


def without_limits(name: str) -> str:
    """Return an example whose own text and library have no jabber limits and no target for recovery."""
    text = (CONFIGS / f"{name}.yaml").read_text()
    library = (CONFIGS / "library" / "parts.yaml").read_text()
    library = library.split("\n", 3)[3]
    joined = text.replace("include: [library/parts.yaml]", library)
    return re.sub(r"^ *(?:jabber_limit: .*|recovery: [0-9].*)\n", "", joined, flags=re.MULTILINE)


def test_groups_hold_the_worst_of_their_faults() -> None:
    evaluation = Evaluation(loaded("harbour-ferry").plan)
    rows = fault_rows(evaluation.faults)
    after = aftermath(evaluation)
    groups = fault_groups(rows, after)
    assert [row for group in groups for row in group.rows if row not in rows] == []
    assert sum(len(group.rows) for group in groups) == len(rows)
    assert [group.first.outcome.cells for group in groups] == sorted(
        (group.first.outcome.cells for group in groups), reverse=True
    )
    for group in groups:
        assert group.scan_time == max(row.scan_time for row in group.rows)
        assert group.known == max((row.known for row in group.rows if row.known is not None), default=None)
        assert len({(row.outcome.cells, row.single_point, row.recovery_note) for row in group.rows}) == 1


def test_targets_lost_are_named_with_their_faults() -> None:
    # The trolley cut behind its first node: its efficiency falls below the target with fewer nodes to a
    # broadcast. See the walk's own tests for the figures.
    evaluation = Evaluation(loaded("rail-trolley").plan)
    after = aftermath(evaluation)
    text = words(shown(loaded("rail-trolley")))
    for outcome, verdicts in after.lost:
        assert {each.target for each in verdicts} == {"efficiency"}
        assert outcome.fault.part in text
    assert f"efficiency: trolley {len(after.lost)} " in text


def test_long_plan_shows_counts_and_says_where_the_rest_is() -> None:
    text = words(shown(long_ferry(60), 80))
    assert "A plan of more than 200 nodes: data writes fault by fault" in text
    assert re.search(r"segment open or shorted 244 ", text)  # four rings of 61 segments
    assert "Not judged" not in text
    assert "Pairs of faults" in text


def test_elided_rows_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(section, "MOST_GROUPS", 1)
    text = words(shown(loaded("rail-trolley")))
    assert "Not shown: 13 faults that leave no more unmonitored" in text


@cache
def results(name: str) -> dict[str, Any]:
    return written(loaded(name))


def by_fault(data: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    """Return every fault of the data by its kind and part, with what it does."""
    return {
        (fault["kind"], fault["part"]): {**alike, **fault}
        for alike in data["faults"]
        for fault in alike["faults"]
    }


@pytest.mark.parametrize("name", EXAMPLES)
def test_data_hold_every_fault(name: str) -> None:
    data = results(name)["single_faults"]
    evaluation = Evaluation(loaded(name).plan)
    faults = evaluation.faults
    found = by_fault(data)
    assert sum(len(alike["faults"]) for alike in data["faults"]) == len(found) == len(faults.outcomes)
    for outcome in faults.outcomes:
        each = found[outcome.fault.kind, outcome.fault.part]
        assert each["known_s"] == (outcome.known.time.total / 10**15 if outcome.known else None)
        recovery = faults.recovery(outcome)
        assert each["recovery_s"] == (None if recovery.total is None else recovery.total / 10**15)
        assert (each["recovery_s"] is None) == bool(each["recovery_note"])
        blind = {
            node.name
            for chain, (first, last) in each["not_monitored"].items()
            for node in evaluation.network.chains[chain].nodes[first - 1 : last]
        }
        assert blind == {node.name for node in faults.unmonitored_nodes(outcome)}
        assert len(blind) == each["unmonitored_nodes_count"]
        cells = sum(evaluation.network.nodes[node].cells for node in blind)
        assert cells == each["unmonitored_cells_count"] == outcome.cells
    harm = [(alike["unmonitored_cells_count"], alike["unmonitored_nodes_count"]) for alike in data["faults"]]
    assert harm == sorted(harm, reverse=True)
    counted = [each for (kind, _), each in found.items() if kind != "controller dead"]
    assert data["single_points_count"] == sum(each["single_point"] for each in counted)
    assert data["cells_monitored_least_ratio"] == pytest.approx(
        min(each["cells_monitored_ratio"] for each in counted)
    )
    judged = [each for each in counted if each["targets_lost"] is not None]
    assert len(judged) == data["targets_judged_after_count"]


@pytest.mark.parametrize("name", EXAMPLES)
def test_data_say_which_targets_each_fault_loses(name: str) -> None:
    evaluation = Evaluation(loaded(name).plan)
    after = aftermath(evaluation, MOST_NODES_JUDGED)
    lost: dict[tuple[str, str], tuple[Figure, ...]] = {
        (outcome.fault.kind, outcome.fault.part): verdicts for outcome, verdicts in after.lost
    }
    controllers: dict[tuple[str, str], str] = {
        (each.fault.kind, each.fault.part): each.fault.controller for each in evaluation.faults.outcomes
    }
    for key, each in by_fault(results(name)["single_faults"]).items():
        own = {
            (target["target"], target["subject"])
            for target in each["targets_lost"] or ()
            if target["subject"].partition(", ")[0] in (controllers[key], *evaluation.plan.hazards)
        }
        assert own == {verdict.key for verdict in lost.get(key, ())}


def test_data_of_the_locomotive_by_hand() -> None:
    # open chains of six nodes at a port each, 12 cells a node below and 18 above: one break of each blinds
    # all 180 cells, 1 + 1 + 1 + 6 things can take each away whole (segment, node, port; six babblers)
    found = by_fault(results("mine-locomotive")["single_faults"])
    assert Counter(kind for kind, _ in found) == {
        "segment open or shorted": 12,
        "node silent": 12,
        "node babbling": 12,
        "port dead": 2,
        "controller dead": 1,
    }
    cut = found["segment open or shorted", "upper#3"]
    assert cut["not_monitored"] == {"upper": [3, 6]}
    assert cut["unmonitored_cells_count"] == 4 * 18
