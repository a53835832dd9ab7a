"""Start-up, sleep, balancing and supply in the report and in the data."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from written_results import figures, written

from chainplan.evaluation import Evaluation
from chainplan.plan.load import LoadedPlan, load_plan
from chainplan.plan.model import Plan
from chainplan.report.terminal import report_text

CONFIGS = Path(__file__).parents[2] / "configs"
SECTIONS = ("start-up", "balancing", "self-consumption")


def loaded(name: str, **changes: Any) -> LoadedPlan:
    plan = load_plan(CONFIGS / f"{name}.yaml")
    return LoadedPlan(plan.plan.model_copy(update=changes), plan.file, plan.sources, ())


def report(plan: LoadedPlan, *sections: str, width: int = 100) -> str:
    console = Console(width=width, file=None, color_system=None, force_terminal=False)
    return report_text(console, plan, Evaluation(plan.plan), sections or SECTIONS)


def without(plan: Plan, *keys: str) -> Plan:
    """Return a plan whose node types lack these keys."""
    kinds = {
        name: type(kind).model_construct(
            kind.model_fields_set - set(keys),
            **{key: value for key, value in dict(kind).items() if key not in keys},
        )
        for name, kind in plan.node_types.items()
    }
    return plan.model_copy(update={"node_types": kinds})


class TestReport:
    def test_milestones(self) -> None:
        text = report(loaded("rail-trolley"), "start-up")
        # 120 ms, then 60 us and 4 * 500 us and cables, then 4 * (60 us + 80 us), rounded up
        assert "controller ready                     120 ms" in text
        assert "all nodes awake                    122.1 ms" in text
        assert "all nodes addressed                122.7 ms" in text
        assert "Nobody watches for these while asleep: over-temperature, sense wire, lost chain." in text

    def test_a_start_that_is_not_in_the_plan(self) -> None:
        plan = loaded("rail-trolley")
        controllers = {
            name: each.model_copy(update={"start": None}) for name, each in plan.plan.controllers.items()
        }
        text = report(loaded("rail-trolley", controllers=controllers), "start-up")
        assert "Not counted: the controller's own start is not in the plan." in text

    def test_what_is_not_known_is_said(self) -> None:
        plan = loaded("rail-trolley")
        bare = without(plan.plan, "wake", "currents", "balancing")
        text = report(LoadedPlan(bare, plan.file, plan.sources, ()))
        assert "Not worked out: the type of node main.1 gives no `wake` time." in text
        assert "BALANCING" not in text
        assert "SELF-CONSUMPTION" not in text

    def test_without_sleep_nothing_is_said_of_it(self) -> None:
        assert "ASLEEP" not in report(loaded("storage-container"))

    def test_turns_and_pauses_are_said(self) -> None:
        assert "paused by cell voltages" in report(loaded("rail-trolley"), "balancing")
        ferry = report(loaded("harbour-ferry"), "balancing")
        assert "never paused; odd and even in turn" in ferry
        assert "Where odd and even cells take turns, a cell has half of that." in " ".join(ferry.split())

    def test_strings_alike_are_drawn_once(self) -> None:
        text = report(loaded("harbour-ferry"), "self-consumption")
        assert text.count("SELF-CONSUMPTION") == 1
        assert "bank-1, bank-2, bank-3, bank-4" in text
        assert "awake 30 % of the time" in text

    @pytest.mark.parametrize("width", [72, 80, 120])
    @pytest.mark.parametrize(
        "name", ["rail-trolley", "harbour-ferry", "storage-container", "mine-locomotive"]
    )
    def test_nothing_is_broken_at_any_width(self, name: str, width: int) -> None:
        text = report(loaded(name), width=width)
        assert max(map(len, text.splitlines())) <= width


class TestData:
    @pytest.mark.parametrize("keys", [(), ("wake",), ("currents",), ("balancing",)])
    def test_the_shape_holds_whatever_is_missing(self, keys: tuple[str, ...]) -> None:
        plan = loaded("rail-trolley")
        bare = LoadedPlan(without(plan.plan, *keys), plan.file, plan.sources, ())
        assert written(bare)["not_watched_asleep"] is not None

    def test_figures(self) -> None:
        data = written(loaded("mine-locomotive"))
        ready = {"milestone": "controller ready", "worst_s": 0.4, "typical_s": 0.25}
        assert data["start_up"][0] == {"controller": "cab", **ready}
        assert data["not_watched_asleep"] == ["lost chain"]
        usual, in_turn = data["balancing"]
        assert (usual["mean_current_worst_A"], in_turn["mean_current_worst_A"]) == (0.09, 0.09)
        drawn = data["self_consumption"]
        nodes = [name for alike in drawn["nodes"] for name in alike["nodes"]]
        assert sorted(nodes) == sorted(f"main.{k}" for k in range(1, 13))
        # 15 uA against 20 uA for 720 h
        spreads = {each["awake"]: each["worst_Ah"] for each in drawn["imbalance_in_30_days"]}
        assert spreads["never"] == pytest.approx(5e-6 * 720)
        (verdict,) = figures(data, "imbalance in 30 days by supply")
        assert verdict["worst"] == spreads["as used"] == data["sums"][verdict["sum"]]["total"]
        assert verdict["unit"] == "Ah"
