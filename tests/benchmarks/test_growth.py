"""How evaluation grows with the number of nodes: time and memory per node, print only.

Run with ``pytest -m benchmark -s tests/benchmarks/test_growth.py``.

Figures are per node, and as a multiple of those of the plan with 100 nodes: 1 is linear growth.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from functools import cached_property
from io import StringIO
from pathlib import Path
from time import process_time
from typing import Any

import pytest
import yaml
from rich.console import Console

from chainplan.after_faults import fault_rows
from chainplan.evaluation import Evaluation
from chainplan.figures.sections import ON_REQUEST, SECTIONS
from chainplan.plan.load import load_plan
from chainplan.report.data import data_pieces
from chainplan.report.terminal import report_text

SEARCHES = ("headroom", *ON_REQUEST)
"""Sections that evaluate the plan many times, up to a size of their own."""

BESIDE = ("fault walk", "report", "data")
"""What is no part of an evaluation: it goes over the plan once for every fault, or prints."""

LARGEST_WALK = 1000
"""Nodes up to which these are done."""

EXAMPLE = Path(__file__).parents[2] / "configs" / "rail-trolley.yaml"
NODES = (10, 100, 1000, 10_000)
BASE = 100


def plan_of(nodes: int, chains: int) -> dict[str, Any]:
    """Return the rail trolley with so many nodes, in equal chains with a string and a controller each."""
    data: dict[str, Any] = yaml.safe_load(EXAMPLE.read_text(encoding="utf-8"))
    each = nodes // chains
    copy = "-{n}" if chains > 1 else ""
    for section in ("strings", "controllers", "chains"):
        for part in data[section].values():
            part["count"] = chains
    string, line = data["strings"]["main"], data["chains"]["line"]
    string["stack"] = [
        {"modules": each // 2, "cells": 12},
        {"disconnect": "service plug", "allowance": "20 V"},
        {"modules": each // 2, "cells": 12},
    ]
    string["boards"] = [{"type": "board-12", "count": each}]
    line["head"] = f"trolley{copy}:1"
    line["order"] = [f"main{copy}.1..{each}"]
    data["controllers"]["trolley"]["scan_period"] = "1000 s"
    data["include"] = [str(EXAMPLE.parent / "library" / "parts.yaml")]
    return data


def steps(path: Path, nodes: int) -> dict[str, Callable[[], object]]:
    """Return what a command does one after another; the results of a step are kept for the next ones."""
    kept: dict[str, Any] = {}

    def load() -> None:
        kept["loaded"] = load_plan(path)
        kept["evaluation"] = Evaluation(kept["loaded"].plan)

    def budget(name: str) -> Callable[[], object]:
        return lambda: getattr(kept["evaluation"], name)

    def report() -> str:
        printed = [name for name in SECTIONS if name not in SEARCHES]
        return report_text(Console(file=StringIO(), width=100), kept["loaded"], kept["evaluation"], printed)

    budgets = [name for name, value in vars(Evaluation).items() if isinstance(value, cached_property)]
    found = {"load": load, **{name: budget(name) for name in budgets}}
    if nodes <= LARGEST_WALK:
        found["fault walk"] = lambda: fault_rows(kept["evaluation"].faults)
        found["report"] = report
        found["data"] = lambda: "".join(data_pieces(kept["loaded"], kept["evaluation"], "0"))
    return found


def seconds(work: Callable[[], object]) -> float:
    begin = process_time()
    work()
    return process_time() - begin


def measured(path: Path, nodes: int) -> tuple[dict[str, float], float]:
    """Return each step's seconds, the best of several runs, and the bytes an evaluation needs at most."""
    best: dict[str, float] = {}
    spent = 0.0
    for _ in range(5):
        for name, work in steps(path, nodes).items():
            taken = seconds(work)
            spent += taken
            best[name] = min(taken, best.get(name, taken))
        if spent > 15:
            break
    tracemalloc.start()
    for name, work in steps(path, nodes).items():
        if name not in BESIDE:
            work()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return best, most


@pytest.mark.benchmark
@pytest.mark.parametrize("shape", ["one chain", "chains of fifty"])
def test_time_and_memory_per_node(shape: str, tmp_path: Path) -> None:
    spent: dict[str, dict[int, float]] = {}
    for nodes in NODES:
        path = tmp_path / f"{nodes}.yaml"
        chains = 1 if shape == "one chain" else max(nodes // 50, 1)
        path.write_text(yaml.safe_dump(plan_of(nodes, chains)), encoding="utf-8")
        taken, memory = measured(path, nodes)
        evaluated = sum(
            value for name, value in taken.items() if name not in ("fault walk", "report", "data")
        )
        for name, value in [*taken.items(), ("evaluation", evaluated), ("memory", memory)]:
            spent.setdefault(name, {})[nodes] = value / nodes
    print(f"\n{shape}: per node, us (memory: byte); and as a multiple of that at {BASE} nodes")
    print(f"  {'':15}" + "".join(f"{nodes:>18}" for nodes in NODES))
    for name, row in spent.items():
        scale = 1 if name == "memory" else 1e6
        cells = (
            f"{row[nodes] * scale:10.1f} {row[nodes] / row[BASE]:6.2f}x" for nodes in NODES if nodes in row
        )
        print(f"  {name:15}" + "".join(cells))


def ring_of(nodes: int, style: str, set_up_by: str) -> dict[str, Any]:
    """Return one ring of so many nodes on two ports, all values read in one style."""
    data = plan_of(nodes, 1)
    controller = data["controllers"]["trolley"]
    controller |= {"ports": [1, 2], "set_up_by": set_up_by, "recovery": {"switch": "500 us"}}
    data["chains"]["line"] |= {"shape": "ring", "back": "trolley:2"}
    for task in data["tasks"].values():
        if task.get("kind") != "write":
            task["read_style"] = style
    return data


@pytest.mark.benchmark
@pytest.mark.parametrize("set_up_by", ["one core", "each port"])
def test_every_single_fault_of_one_long_ring(set_up_by: str, tmp_path: Path) -> None:
    """Linear growth, but for polled reads that one core sets up: each fault replays their rotation."""
    path = tmp_path / "ring.yaml"
    print(f"\none ring, set up by {set_up_by}: s for all faults with their rows")
    for style in ("polled", "sequential", "summation"):
        line = f"  {style:12}"
        for nodes in (250, 500, 1000, 2000):
            path.write_text(yaml.safe_dump(ring_of(nodes, style, set_up_by)), encoding="utf-8")
            evaluation = Evaluation(load_plan(path).plan)
            assert evaluation.scans
            taken = seconds(lambda evaluation=evaluation: fault_rows(evaluation.faults))  # type: ignore[misc]
            line += f"  {nodes:5}: {taken:6.2f}"
        print(line)
