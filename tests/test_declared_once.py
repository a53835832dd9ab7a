"""A figure is declared once: a new budget is one file and one import, a new target a key and one line.

Both are done here to a copy of the package, which is then used as its users do.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

import pytest

HOUSE = Path(__file__).parents[1] / "chainplan"
PLAN = HOUSE.parent / "configs" / "rail-trolley.yaml"

BUDGET = '''"""Memory that the readings of one scan take in the controller, in the fullest scan."""

from __future__ import annotations

from collections.abc import Iterator

from chainplan.budgets.scanning.traffic import ControllerBytes, TaskBytes
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Sum, Term
from chainplan.quantity import BITS


@budget
def readings(scans: dict[str, ControllerScan], traffic: list[ControllerBytes]) -> dict[str, Sum]:
    """What one scan of a controller brings into its memory."""
    return {each.controller: _memory(scans[each.controller], each.tasks) for each in traffic}


def _memory(scan: ControllerScan, tasks: tuple[TaskBytes, ...]) -> Sum:
    scans = [[tasks[index] for index in scan.due(number)] for number in range(scan.phases.major_cycle)]
    fullest = max(scans, key=lambda due: sum(task.payload for task in due))
    terms = tuple(Term(task.task, task.payload) for task in fullest)
    return Sum(f"host memory of {scan.controller.name}", BITS, terms, "payload of every task due in the scan")


HOST_MEMORY = Kind[Sum](
    "host memory",
    BITS,
    ("controller",),
    "bytes",
    lambda memory: memory,
    named="host-memory/{}",
    target="host_memory",
)


@HOST_MEMORY.of
def host_memories(readings: dict[str, Sum]) -> Iterator[Figure]:
    """Memory of a controller that the readings of its fullest scan take."""
    return (HOST_MEMORY(controller, item=memory) for controller, memory in readings.items())
'''

STUDY = """study: 1
title: Invented, two bit rates
plan: {plan}
parameters:
  bit rate: {{key: protocols.sequential-pair.bit_rate, values: [1 Mbit/s, 2 Mbit/s]}}
objectives: {{host memory: minimise, tightest margin: maximise}}
"""


class House(NamedTuple):
    """A copy of the package that may be changed."""

    folder: Path

    def write(self, file: str, text: str) -> None:
        (self.folder / "chainplan" / file).write_text(text, encoding="utf-8")

    def add_line(self, file: str, after: str, line: str) -> None:
        """Add one line to a file behind the only one that reads `after`."""
        path = self.folder / "chainplan" / file
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        (place,) = (number for number, each in enumerate(lines) if each.rstrip() == after)
        path.write_text("".join([*lines[: place + 1], f"{line}\n", *lines[place + 1 :]]), encoding="utf-8")

    def run(self, *arguments: str | Path, ends: int | None = None) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "chainplan", *map(str, arguments)],
            cwd=self.folder,
            env={**os.environ, "PYTHONPATH": str(self.folder), "COLUMNS": "120", "PYTHONWARNINGS": ""},
            capture_output=True,
            text=True,
            check=False,
        )
        assert ends is None or done.returncode == ends, done.stderr
        return done.stdout + done.stderr

    def data(self, *settings: str) -> dict[str, Any]:
        document: dict[str, Any] = json.loads(self.run("data", PLAN, *settings, ends=0))
        return document


@pytest.fixture
def house(tmp_path: Path) -> House:
    shutil.copytree(HOUSE, tmp_path / "chainplan", ignore=shutil.ignore_patterns("__pycache__"))
    return House(tmp_path)


def with_budget(house: House) -> None:
    house.write("budgets/host_memory.py", BUDGET)
    after = "from chainplan.budgets.faults import walk"
    house.add_line("evaluation.py", after, "from chainplan.budgets import host_memory")


def with_key(house: House, key: str) -> None:
    house.add_line("plan/schedule.py", "    scan_time: Time | None = None", f"    {key} | None = None")


def test_a_new_budget_is_one_file_one_import_and_the_key_of_its_target(house: House) -> None:
    with_budget(house)
    with_key(house, "host_memory: Bits")
    verdict = house.run("check", PLAN, "--with", "targets.host_memory=1 bit", ends=1)
    assert "missed: host memory, trolley: worst case" in verdict
    document = house.data("--with", "targets.host_memory=1000 byte")
    (figure,) = (each for each in document["figures"] if each["name"] == "host memory")
    payloads = {task["task"]: task["payload_bit"] for task in document["traffic"][0]["tasks"]}
    fullest = max(
        sum(payloads[slot["task"]] for slot in scan["slots"]) for scan in document["scans"][0]["slots"]
    )
    assert (figure["worst"], figure["unit"], figure["status"]) == (fullest, "bit", "met")
    assert document["sums"][figure["sum"]]["total"] == fullest
    explained = house.run("explain", PLAN, "host-memory/trolley", ends=0)
    assert "payload of every task due in the scan" in explained
    assert "targets.host_memory" in house.run("reference", ends=0)
    assert "fullest scan take" in " ".join(house.run("reference", ends=0).split())
    section = house.run("report", PLAN, "--section", "bytes", ends=0)
    assert "Host memory. Memory of a controller that" in section
    (house.folder / "study.yaml").write_text(STUDY.format(plan=PLAN), encoding="utf-8")
    house.run("study", "study.yaml", "--out", "table.csv", "--workers", "1")
    titles = (house.folder / "table.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert "host memory [bit]" in titles
    assert "host_memory" in house.run("schema", ends=0)


def test_a_target_on_a_figure_that_is_there_is_a_key_and_a_line(house: House) -> None:
    house.add_line("budgets/errors/losses.py", '    named="mean-scan/{}",', '    target="mean_scan_time",')
    with_key(house, "mean_scan_time: Time")
    verdict = house.run("check", PLAN, "--with", "targets.mean_scan_time=1 us", ends=1)
    assert "missed: mean scan time, trolley: worst case" in verdict
    assert "limit at most 1 us" in verdict
    assert "targets.mean_scan_time" in house.run("reference", ends=0)


def test_what_is_forgotten_is_told(house: House) -> None:
    """The key of a target; tests of the house tell of the import, and of a target that no figure has."""
    with_budget(house)
    assert "host memory: a plan has no target host_memory: add the key to Targets" in house.run("check", PLAN)
