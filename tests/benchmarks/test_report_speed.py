"""What it costs to show the results of large plans: report and data, apart from the evaluation, print only.

Run with ``pytest -m benchmark -s tests/benchmarks/test_report_speed.py``.

Linear is a ratio of 1: time or size per node at 10 000 nodes against 100 of one chain, and per chain at 200
chains of fifty against 10. Chains alike are told once, so that theirs may be well below.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from functools import cached_property
from io import StringIO
from pathlib import Path
from time import process_time

import pytest
import yaml
from rich.console import Console
from test_growth import SEARCHES, plan_of

from chainplan.evaluation import Evaluation
from chainplan.figures.sections import SECTIONS
from chainplan.plan.load import load_plan
from chainplan.report.data import data_pieces
from chainplan.report.terminal import report_text

SHAPES = {
    "per node, one chain": ((100, 1), (10_000, 1)),
    "per chain, chains of fifty": ((500, 10), (10_000, 200)),
}
"""Nodes and chains of a plan, and of a large one."""


def evaluated(path: Path) -> Evaluation:
    """Return an evaluation in which all is worked out that a report shows, the outcome of every fault too."""
    found = Evaluation(load_plan(path).plan)
    for name, value in vars(Evaluation).items():
        if isinstance(value, cached_property):
            getattr(found, name)
    assert found.faults.outcomes
    return found


def measured(path: Path) -> Iterator[tuple[str, float]]:
    """Yield what is measured and how much: seconds, lines, bytes."""
    begin = process_time()
    loaded, evaluation = load_plan(path), evaluated(path)
    yield "evaluation", process_time() - begin
    begin = process_time()
    sections = [name for name in SECTIONS if name not in SEARCHES]
    text = report_text(Console(file=StringIO(), width=100), loaded, evaluation, sections)
    yield "report", process_time() - begin
    yield "report, lines", text.count("\n")
    begin = process_time()
    yield "data, bytes", sum(map(len, data_pieces(loaded, evaluation, "0")))
    yield "data", process_time() - begin
    tracemalloc.start()
    before, _ = tracemalloc.get_traced_memory()
    for _ in data_pieces(loaded, evaluation, "0"):
        pass
    yield "data, memory", tracemalloc.get_traced_memory()[1] - before
    tracemalloc.stop()


@pytest.mark.benchmark
@pytest.mark.parametrize("shape", SHAPES)
def test_showing_large_plans(shape: str, tmp_path: Path) -> None:
    found: list[dict[str, float]] = []
    counts: list[int] = []
    for nodes, chains in SHAPES[shape]:
        path = tmp_path / f"{nodes}-{chains}.yaml"
        path.write_text(yaml.safe_dump(plan_of(nodes, chains)), encoding="utf-8")
        found.append(dict(measured(path)))
        counts.append(nodes if chains == 1 else chains)
    print(f"\n{shape}: {counts[0]} and {counts[1]}; the ratio of the one to the other, each by its number")
    for name, few in found[0].items():
        many = found[1][name]
        print(f"  {name:15} {few:12.4g} {many:12.4g}   {many / counts[1] / (few / counts[0]):8.3f}")
