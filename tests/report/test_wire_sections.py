"""Length, reach and errors in the report and in the data, and the warning of cables planned too fast."""

from __future__ import annotations

import io

import pytest
from hypothesis import given, settings
from rich.console import Console
from strategies import plan_data as any_plan
from wire_plans import CONFIGS, Data, evaluated, wire_plan
from written_results import figures, written

from chainplan.cautions import budget_warnings
from chainplan.evaluation import Evaluation
from chainplan.figures.sections import ON_REQUEST, SECTIONS
from chainplan.plan.load import LoadedPlan, load_plan
from chainplan.plan.model import Plan
from chainplan.report.terminal import report_text

SIGNAL: Data = {"lowest": "1 MHz", "highest": "10 MHz", "transmit": "0 dB", "threshold": "-12 dB"}


def loaded(data: Data) -> LoadedPlan:
    some = load_plan(CONFIGS / "rail-trolley.yaml")
    return LoadedPlan(Plan.model_validate(data), some.file, some.sources, ())


def report(data: Data | LoadedPlan, *sections: str, width: int = 100) -> str:
    plan = data if isinstance(data, LoadedPlan) else loaded(data)
    console = Console(file=io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), width=width)
    return report_text(console, plan, Evaluation(plan.plan), sections)


def squeezed(text: str) -> str:
    return " ".join(text.split())


class TestLength:
    def test_makes_of_segment_in_one_row_each(self) -> None:
        text = squeezed(report(load_plan(CONFIGS / "harbour-ferry.yaml"), "link budget"))
        assert "ring-1, ring-2, ring-3, ring-4" in text
        assert "2..5, 7..10" in text
        assert "600 mm of twisted pair" in text
        assert (
            "after the request in the worst case, from bank-1.10; typical 7.475 us; the host waits 15 us"
            in text
        )

    def test_what_is_not_known_is_said(self) -> None:
        text = squeezed(report(wire_plan(), "link budget"))
        assert "Protocol wire describes no signal, so loss is not checked." in text
        assert "the plan gives no answer window" in text
        text = squeezed(report(wire_plan(protocol={"signal": SIGNAL}), "link budget"))
        assert "cable pair has no loss in the plan" in text
        assert "unknown" in text

    def test_matched_ends_are_said(self) -> None:
        data = wire_plan(cable={"loss_class": "category 5e"}, protocol={"signal": SIGNAL})
        text = squeezed(report(data, "link budget"))
        assert "Ends taken as matched: no impedance of driver, receiver, cable pair in the plan." in text

    def test_addresses(self) -> None:
        data = wire_plan(nodes=3)
        data["node_types"]["node"]["address_limit"] = 13
        assert "Addresses: 3 of 13 in use" in squeezed(report(data, "link budget"))

    def test_many_chains(self) -> None:
        data = wire_plan(nodes=12, controller={"ports": 12})
        line = data["chains"].pop("line")
        for number in range(1, 13):
            own = {"head": f"C:{number}", "order": [f"S.{number}"]}
            data["chains"][f"line {number}"] = line | own
        text = squeezed(report(data, "link budget"))
        assert "Not shown: 4 chains that are no tighter. The summary judges them too." in text


class TestReach:
    def test_rows_with_what_stops_them(self) -> None:
        data = wire_plan(nodes=3, cable={"loss_class": "category 5e"}, protocol={"signal": SIGNAL})
        data["node_types"]["node"]["address_limit"] = 13
        text = squeezed(report(data, "limits"))
        # 12 dB at 6.46602 dB per 100 m
        assert "1 m 185.5 m one segment longer: one of 1..3 link margin (line)" in text
        assert "3 13 boards, added at the far end node addresses (line)" in text

    def test_what_is_missed_anyhow_is_named_the_wire_first(self) -> None:
        text = squeezed(report(load_plan(CONFIGS / "mine-locomotive.yaml"), "limits"))
        assert (
            "Missed even at zero length or with a single board, and left out: link margin (lower, upper)"
            in text
        )
        assert "less than the plan has" in text

    def test_an_open_end_and_unknown_loss(self) -> None:
        text = squeezed(report(wire_plan(), "limits"))
        assert "100 km or more" not in text
        assert "not checked one segment longer" in text
        assert "a cable, connector or barrier gives no loss" in text
        assert "Loss is not known everywhere on this chain" in text

    def test_a_large_plan(self) -> None:
        assert "The limits are not searched: the plan has 201 nodes" in squeezed(
            report(wire_plan(nodes=201), "limits")
        )

    def test_only_on_request(self) -> None:
        assert set(ON_REQUEST) <= set(SECTIONS)
        text = report(load_plan(CONFIGS / "rail-trolley.yaml"))
        assert "\nLIMITS" not in text
        assert "section reach, on request" in squeezed(text)


class TestErrors:
    def test_controller_and_tasks(self) -> None:
        text = squeezed(report(load_plan(CONFIGS / "mine-locomotive.yaml"), "errors"))
        assert "in the worst case (an upper bound); typical" in text
        assert "Undetected errors: not known, errors on chain lower come in bursts" in text
        assert "✓ met 4 4 120 bit polled-pair: answer, polled" in text

    def test_a_wrong_claim(self) -> None:
        check = {"width": "16 bit", "polynomial": 0x1021, "hamming_distance": 6}
        text = squeezed(report(wire_plan(protocol={"check": check}), "errors"))
        assert "✗ MISSED 4 6 80 bit wire: answer, polled" in text

    def test_residual_errors(self) -> None:
        text = squeezed(report(wire_plan(protocol={"bit_errors": {"independent": 1e-6}}), "errors"))
        assert "Undetected errors of all chains: " in text
        assert "at 0.01 per bit from sender to receiver" in text

    def test_a_chain_without_bit_errors(self) -> None:
        data = wire_plan(nodes=2, controller={"ports": 2})
        line = data["chains"]["line"]
        data["chains"]["other"] = line | {
            "order": ["S.2"],
            "head": "C:2",
            "bit_errors": {"independent": 1e-6},
        }
        line["order"] = ["S.1"]
        assert "Not worked out: no bit errors in the plan for line." in squeezed(report(data, "errors"))

    def test_nothing_to_say(self) -> None:
        text = report(wire_plan(protocol={"check": {"width": "0 bit"}}), "errors")
        assert "ERRORS" not in text
        assert "CHECK CODES" not in text


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("section", ["link budget", "limits", "errors"])
def test_no_line_is_too_wide(section: str, width: int) -> None:
    for name in ("rail-trolley", "mine-locomotive"):
        text = report(load_plan(CONFIGS / f"{name}.yaml"), section, width=width)
        assert max(map(len, text.splitlines())) <= width


class TestData:
    def test_the_search_is_written_on_request(self) -> None:
        plan = load_plan(CONFIGS / "rail-trolley.yaml")
        assert written(plan)["limits"] is None
        (chain,) = written(plan, reach=True)["limits"]["chains"]
        boards = chain["limits"][-1]
        assert (boards["of"], boards["now"], boards["unit"]) == ("boards", 4, "count")
        assert isinstance(boards["most"], int)
        assert {limit["unit"] for limit in chain["limits"][:-1]} == {"m"}

    def test_unknowns_are_null(self) -> None:
        document = written(loaded(wire_plan()))
        assert document["links"] == []
        (wait,) = figures(document, "wait for an answer")
        assert (wait["limit"], wait["status"]) == (None, None)
        (residual,) = figures(document, "residual errors per hour")
        assert (residual["worst"], residual["note"]) == (None, "the plan gives no bit errors")

    def test_figures_are_those_of_the_verdicts(self) -> None:
        plan = load_plan(CONFIGS / "rail-trolley.yaml")
        document = written(plan)
        (left,) = figures(document, "link margin")
        assert left["worst"] == min(each["left_worst_dB"] for each in document["links"])
        assert left["unit"] == "dB"
        (controller,) = document["errors"]
        (lost,) = figures(document, "scans lost per hour")
        assert lost["worst"] > 0
        assert lost["unit"] == "per_hour"
        assert lost["subject"]["controller"] == controller["controller"]


@settings(max_examples=8, deadline=None)
@given(any_plan())
def test_any_plan_can_be_searched_and_written(data: Data) -> None:
    plan = loaded(data)
    written(plan, reach=True)
    assert "LIMITS" in report(plan, "link budget", "limits", "errors")


def test_a_time_out_shorter_than_the_wait_for_an_answer() -> None:
    # By hand: the answer begins a turn-around of 2 us after the request, and what short cables take twice.
    for time_out, warned in (("2 us", True), ("3 us", False), ("0 us", False)):
        evaluation = evaluated(wire_plan(protocol={"time_out": time_out}))
        warnings = [each for each in budget_warnings(evaluation) if "the time-out is" in each]
        assert len(warnings) == warned, time_out


def test_cables_planned_faster_than_their_class() -> None:
    """534 + 36/sqrt(f) ns per 100 m (ANSI/TIA-568, from memory): 570 ns at 1 MHz are 0.5852 c."""
    for speed, warned in (("0.59 c", True), ("0.585 c", False)):
        data = wire_plan(cable={"loss_class": "category 5e", "velocity": speed}, protocol={"signal": SIGNAL})
        warnings = [each for each in budget_warnings(evaluated(data)) if each.startswith("cable pair")]
        assert bool(warnings) is warned
    without_signal = wire_plan(cable={"loss_class": "category 5e", "velocity": "0.9 c"})
    assert not list(budget_warnings(evaluated(without_signal)))
