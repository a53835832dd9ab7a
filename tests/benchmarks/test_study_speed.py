"""How fast a study runs, beside other ways to the same rows, and what it costs in memory: print only.

Run with ``pytest -m benchmark -s tests/benchmarks/test_study_speed.py``.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from statistics import median
from time import perf_counter

import pytest

from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.study.candidates import candidates
from chainplan.study.job import Evaluator, Job, job_of
from chainplan.study.load import LoadedStudy, load_study
from chainplan.study.parameters import Candidate
from chainplan.study.plans import Plans
from chainplan.study.run import Backend, run

ROOT = Path(__file__).parents[2]
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}

STUDY = """\
study: 1
title: A plan with twelve boards
plan: plan.yaml
parameters:
  length: {{key: chains.line.segments.length, from: 100 mm, to: 2 m, spacing: geometric}}
  bit rate: {{key: protocols.sequential-pair.bit_rate, from: 500 kbit/s, to: 4 Mbit/s, tolerance: 1 %}}
  retries: {{key: controllers.tractor.retry_reserve, from: 0, to: 3}}
  debounce: {{key: hazards.over-voltage.debounce, values: [1, 2, 3, 4, 5]}}
objectives: {{scan time: minimise, tightest margin: maximise}}
sample: {{points: {points}, sequence: sobol}}
"""

GRID = """\
study: 1
title: A plan with twelve boards, a grid
plan: plan.yaml
parameters:
  length: {key: chains.line.segments.length, from: 100 mm, to: 2 m, spacing: geometric, steps: 10}
  bit rate: {key: protocols.sequential-pair.bit_rate, from: 1 Mbit/s, to: 4 Mbit/s, steps: 10}
  retries: {key: controllers.tractor.retry_reserve, from: 0, to: 9}
  debounce: {key: hazards.over-voltage.debounce, from: 1, to: 10}
objectives: {scan time: minimise, tightest margin: maximise}
"""

MEMORY = """\
import resource, sys
from chainplan.cli.app import app
try:
    app(["study", sys.argv[1], "--workers", "1", "--out", sys.argv[2]])
except SystemExit:
    pass
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
"""


def study_of(folder: Path, points: int) -> Path:
    """Write a study on the yard tractor with twelve boards."""
    text = (ROOT / "configs" / "studies" / "plans" / "yard-tractor.yaml").read_text(encoding="utf-8")
    text = text.replace("../../library", str(ROOT / "configs" / "library")).replace(
        "modules: 4", "modules: 6"
    )
    text = text.replace("count: 8}", "count: 12}").replace("main.1..8", "main.1..12")
    (folder / "plan.yaml").write_text(text, encoding="utf-8")
    path = folder / f"study-{points}.yaml"
    path.write_text(STUDY.format(points=points), encoding="utf-8")
    return path


def processor_time() -> float:
    """Return the seconds that this process and those it has started have spent working."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


@pytest.fixture
def opened(tmp_path: Path) -> tuple[LoadedStudy, Job, list[Candidate]]:
    loaded = load_study(study_of(tmp_path, 512))
    return loaded, job_of(loaded), list(candidates(loaded.parameters, loaded.study.sample))


@pytest.mark.benchmark
def test_a_candidate_beside_other_ways_to_it(opened: tuple[LoadedStudy, Job, list[Candidate]]) -> None:
    loaded, job, chosen = opened
    plans, evaluator = Plans(loaded.plan, loaded.parameters), Evaluator(job)

    def rebuilt(candidate: Candidate) -> object:
        evaluation = Evaluation(load_plan(loaded.plan_file, plans.settings(candidate)).plan)
        return [each.of(evaluation) for each in job.measures], evaluation.missed

    def by_command(candidate: Candidate) -> object:
        options = [part for each in plans.settings(candidate) for part in ("--with", each)]
        command = [sys.executable, "-m", "chainplan", "report", loaded.plan_file, *options]
        return subprocess.run(command, env=ENVIRONMENT, cwd=ROOT, capture_output=True, check=False).returncode

    ways = {
        "plan alone": (plans.plan, 200),
        "study, one core": (lambda candidate: evaluator.row(1, candidate), 60),
        "load_plan + evaluate": (rebuilt, 20),
        "report command": (by_command, 2),
    }
    print(f"\n12 boards, 4 parameters, {len(chosen)} Sobol points: processor time each, median of 5 rounds")
    found = {}
    for name, (work, number) in ways.items():
        work(chosen[-1])
        rounds = []
        for _ in range(5):
            begin = processor_time()
            for candidate in chosen[:number]:
                work(candidate)
            rounds.append((processor_time() - begin) / number * 1e3)
        found[name] = median(rounds)
    for name, each in found.items():
        ratio = each / found["study, one core"]
        print(f"  {name:22}{each:9.2f} ms {1e3 / each:9.1f} candidates/s   {ratio:7.2f} x the study")


@pytest.mark.benchmark
def test_a_candidate_of_a_grid_beside_a_drawn_one(
    opened: tuple[LoadedStudy, Job, list[Candidate]], tmp_path: Path
) -> None:
    (tmp_path / "grid.yaml").write_text(GRID, encoding="utf-8")
    grid = load_study(tmp_path / "grid.yaml")
    _, drawn_job, drawn = opened
    ways = {
        "drawn": (drawn_job, drawn),
        "grid": (job_of(grid), list(candidates(grid.parameters, None))[:2000]),
    }
    print("\n12 boards, 4 parameters: processor time a candidate, median of 5 rounds")
    found = {}
    for name, (job, chosen) in ways.items():
        rounds = []
        for _ in range(5):
            evaluator = Evaluator(job)
            begin = processor_time()
            for number, candidate in enumerate(chosen):
                evaluator.row(number, candidate)
            rounds.append((processor_time() - begin) / len(chosen) * 1e3)
        found[name] = median(rounds)
        print(f"  {name:6}{found[name]:8.2f} ms   {found[name] / found['drawn']:5.2f} x a drawn one")


@pytest.mark.benchmark
def test_scaling_over_cores(opened: tuple[LoadedStudy, Job, list[Candidate]]) -> None:
    _, job, chosen = opened
    print(f"\n{len(chosen)} candidates on {os.cpu_count()} cores, start of the processes included")
    alone = 0.0
    for workers in dict.fromkeys([1, 2, os.cpu_count() or 1]):
        begin = perf_counter()
        assert sum(len(batch) for batch in run(job, enumerate(chosen, start=1), Backend(workers))) == len(
            chosen
        )
        taken = perf_counter() - begin
        alone = alone or taken
        print(f"  {workers:3} workers: {taken:7.2f} s, {len(chosen) / taken:7.1f}/s, {alone / taken:5.2f} x")


@pytest.mark.benchmark
@pytest.mark.skipif(sys.platform == "win32", reason="needs resource")
def test_memory_does_not_grow_with_candidates(tmp_path: Path) -> None:
    print("\nlargest memory of the whole command, one worker")
    for points in (1_000, 10_000):
        path = study_of(tmp_path, points)
        done = subprocess.run(
            [sys.executable, "-c", MEMORY, str(path), str(tmp_path / "out.csv")],
            env=ENVIRONMENT,
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
        kib = json.loads(done.stderr.split()[-1])
        size = (tmp_path / "out.csv").stat().st_size
        print(f"  {points:6} candidates: {kib / 1024:7.1f} MiB, table of {size / 1e6:.2f} MB")
