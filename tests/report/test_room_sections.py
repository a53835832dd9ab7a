"""What the sections on monitoring and the uplink say, the terse form, and the same as data."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console
from written_results import figures, written

from chainplan.plan.load import LoadedPlan, load_source
from chainplan.plan.source import parse_source
from chainplan.report.figures import Look
from chainplan.report.terminal import report_text
from chainplan.report.terse import terse_text
from chainplan.results import evaluate

CONFIGS = Path(__file__).parents[2] / "configs"


def loaded(name: str, *changes: tuple[str, str]) -> LoadedPlan:
    """Load an example with some of its text exchanged; what is exchanged stands in it once."""
    text = (CONFIGS / f"{name}.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return load_source(parse_source(text, f"{name}.yaml"), CONFIGS)


def section(plan: LoadedPlan, name: str, width: int = 100) -> str:
    console = Console(file=io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), width=width)
    text = report_text(console, plan, evaluate(plan.plan), [name])
    assert max(map(cell_len, text.splitlines())) <= width
    return text


# Monitoring
# --------------------------------------------------------------------------------------------------

NO_SWITCHES = ("  switches: {reads: switch check, every: 50, value: 2 bit}\n", "")
NO_SWITCH_HAZARD = (
    "  switch: {kind: balancing switch stuck, ftti: 10 s, reaction: string contactor}\n",
    "",
)


def words(text: str) -> str:
    """Return a text without its line breaks, as a reader reads it."""
    return " ".join(text.split())


def test_a_plan_that_watches_everything_has_no_list_of_gaps() -> None:
    text = section(loaded("quarry-truck"), "monitoring")
    assert "324 of 324 cells" in text
    assert "18 of 18 nodes" in text
    assert "Not covered" not in text
    assert "Tasks that show no hazard" not in text


def test_what_nothing_shows_is_listed() -> None:
    text = section(loaded("quarry-truck", NO_SWITCHES, NO_SWITCH_HAZARD), "monitoring")
    assert "- balancing switch stuck: the whole pack (324 cells): no task reads switch check" in words(text)
    assert "0 of 324 cells" in text


def test_strings_that_a_task_leaves_out_are_listed() -> None:
    change = (
        "open wire, every: 50, value: 16 bit}",
        "open wire, every: 50, value: 16 bit, chains: [line-2]}",
    )
    text = words(section(loaded("quarry-truck", change), "monitoring"))
    assert (
        "open sense wire: string string-1, string string-3 (216 cells): no task reads open wire there" in text
    )


def test_tasks_and_kinds_without_a_hazard_are_listed() -> None:
    text = words(section(loaded("mine-locomotive"), "monitoring"))
    assert "open wire: shows open sense wire, of which the plan names no hazard" in text
    assert "cell under-voltage, under-temperature, open sense wire: shown by a task, but" in text


def test_monitoring_as_data() -> None:
    found = written(loaded("quarry-truck", NO_SWITCHES, NO_SWITCH_HAZARD))
    kinds = {kind["kind"]: kind for kind in found["monitoring"]}
    stuck = kinds["balancing switch stuck"]
    assert (stuck["covered"], stuck["total"], stuck["tested_least_often_by"]) == (0, 324, None)
    assert [gap["string"] for gap in stuck["gaps"]] == ["string-1", "string-2", "string-3"]
    assert stuck["gaps"][0]["boards"] == [1, 2, 3, 4, 5, 6]
    upset = kinds["register upset"]
    assert (upset["covered"], upset["counted"], upset["hazards"]) == (18, "node", ["registers"])
    reader, _, task = upset["tested_least_often_by"].partition(", ")
    (interval,) = (
        each
        for each in figures(found, "test interval")
        if each["subject"] == {"controller": reader, "task": task}
    )
    assert interval["typical"] == 1.0
    assert found["idle_tasks"] == []


# Uplink --------------------------------------------------------------------------------------------------


def test_a_plan_without_an_uplink_says_so() -> None:
    plan = loaded("rail-trolley")
    assert "The plan names no bus above the controllers." in section(plan, "uplink")
    assert written(plan)["messages"] == []


def test_every_message_and_every_final_age_is_shown() -> None:
    text = section(loaded("quarry-truck"), "uplink", 140)
    for name in ("0x102", "limits-3", "from reader-3", "0x1A0", "pack details", "from another unit"):
        assert name in text
    assert "reader-3 to limits-3 to master to pack limits" in words(text)
    # What the master passes on is at the vehicle only with the master's own message.
    ages = text.split("END-TO-END AGE")[1]
    assert "worst of 3 controllers" in ages
    assert ages.count("= age just before the next value") == 3


OVERLOAD = ("traction: {bus: drive, identifier: 0x100, data: 8 byte, period: 5 ms ± 1 %}", "")


def test_a_message_without_a_bound_is_missed_in_every_form() -> None:
    flood = "traction: {bus: drive, identifier: 0x100, data: 8 byte, period: 1 ms}"
    plan = loaded("mine-locomotive", (OVERLOAD[0], flood))
    text = section(plan, "uplink", 120)
    row = next(line for line in text.splitlines() if "0x310" in line)
    assert "MISSED" in row
    assert "no bound" in row
    assert "more than the whole bus" in words(text)
    summary = section(plan, "targets", 120)
    assert "no bound" in summary
    terse = terse_text("plan", evaluate(plan.plan).verdicts, Look(80, "utf-8"))
    assert "missed: response time, drive, cell state: worst case no bound, limit at most 8 ms" in terse
    document = written(plan)
    state = next(message for message in document["messages"] if message["message"] == "cell state")
    assert state["response_worst_s"] is None
    assert "whole bus" in state["unbounded"]
    response = next(
        each for each in figures(document, "response time") if each["subject"]["message"] == "cell state"
    )
    assert (response["worst"], response["status"]) == (None, "missed")
    (age,) = figures(document, "end-to-end age")
    assert (age["worst"], age["status"], age["sum"]) == (None, "missed", "")


def test_a_hazard_without_a_bound_is_said_with_its_reason() -> None:
    drive = "drive: {bus: vehicle, identifier: 0x080, data: 8 byte, period: 10 ms ± 1 %}"
    plan = loaded(
        "quarry-truck", (drive, "drive: {bus: strings, identifier: 0x1, data: 8 byte, period: 0.1 ms}")
    )
    table = section(plan, "fault handling", 120)
    row = next(line for line in table.splitlines() if "pack over-voltage" in line)
    assert "MISSED" in row
    assert row.rstrip().endswith("no bound  < 400 ms")
    assert "more than the whole bus" in words(table)
    terse = terse_text("plan", evaluate(plan.plan).verdicts, Look(80, "utf-8"))
    (line,) = (each for each in terse.splitlines() if "handling time, pack over-voltage" in each)
    assert "worst case no bound, limit below 400 ms [" in line
    assert "more than the whole bus" in line


def test_long_lists_of_messages_are_cut_and_say_so() -> None:
    others = "\n".join(
        f"    other {number}: {{bus: drive, identifier: {0x600 + number}, data: 1 byte, period: 10 s}}"
        for number in range(60)
    )
    plan = loaded("mine-locomotive", ("    lamps:", f"{others}\n    lamps:"))
    text = section(plan, "uplink")
    assert "cell state" in text
    assert "Not shown: 25 messages more that load the bus." in text


def test_uplink_as_data() -> None:
    document = written(loaded("quarry-truck"))
    strings, vehicle = (
        [message for message in document["messages"] if message["bus"] == bus]
        for bus in ("strings", "vehicle")
    )
    assert [message["identifier"] for message in strings][:4] == [0x100, 0x101, 0x102, 0x200]
    assert strings[0]["CAN_FD"] is True
    assert (vehicle[0]["sender"], vehicle[0]["deadline_s"]) == (None, None)
    latest = {
        family: max(each["response_worst_s"] for each in strings if each["family"] == family)
        for family in {each["family"] for each in strings if each["deadline_s"] is not None}
    }
    for response in figures(document, "response time"):
        if response["subject"]["bus"] == "strings":
            assert response["worst"] == latest.pop(response["subject"]["message"])
    assert latest == {}
    passed = {message["message"]: message["passed_on"] for message in document["messages"]}
    assert passed["limits-1"] is True
    assert passed["pack limits"] is False


@pytest.mark.parametrize("name", ["monitoring", "uplink"])
def test_sections_fit_a_narrow_screen_in_ascii(name: str) -> None:
    for example in ("quarry-truck", "mine-locomotive"):
        plan = loaded(example)
        console = Console(file=io.TextIOWrapper(io.BytesIO(), encoding="ascii"), width=72)
        text = report_text(console, plan, evaluate(plan.plan), [name])
        text.encode("ascii")
        assert max(map(len, text.splitlines())) <= 72


# Slots -----------------------------------------------------------------------------------------------------


def test_the_port_that_a_task_is_sent_from_is_shown_where_not_all_are_alike() -> None:
    status = "  status: {"
    text = section(loaded("harbour-ferry", (status, f"{status}sent_from: back, ")), "slots")
    tasks = dict(
        line.split()[:: len(line.split()) - 1]
        for line in text.splitlines()
        if line.endswith(("head", "back"))
    )
    assert tasks == {
        "cell": "head",
        "temperatures": "head",
        "open": "head",
        "status": "back",
        "balancing": "head",
    }
    assert "sent from" not in section(loaded("harbour-ferry"), "slots")
