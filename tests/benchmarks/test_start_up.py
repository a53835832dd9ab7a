"""How long the commands take from start to end, beside bare programs on the same machine: print only.

Run with ``pytest -m benchmark -s tests/benchmarks/test_start_up.py``.

Every pair is run alternately, so that a busy machine slows both; the medians and their ratio are printed.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from statistics import median
from time import perf_counter

import pytest

ROOT = Path(__file__).parents[2]
ROUNDS = 21

# As an installed program starts, its code is stored compiled; otherwise Python would compile it every time.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}

BARE = """\
import typer

app = typer.Typer()


@app.callback()
def program() -> None: ...


@app.command()
def nothing() -> None:
    '''Do nothing.'''


app()
"""

IMPORTS = """\
import networkx
from pydantic import BaseModel
from rich.table import Table
"""


def run(program: list[str]) -> tuple[float, float]:
    """Run a program with no output; return the seconds it took, and those of the processor."""
    begin = perf_counter()
    process = subprocess.Popen(
        [sys.executable, *program], cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.DEVNULL
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode in (0, 1), program  # 1: a target is missed
    return perf_counter() - begin, used.ru_utime + used.ru_stime


def compare(title: str, bare: list[str], ours: list[str]) -> None:
    """Run two programs alternately and print their medians and ratios."""
    run(bare)  # the first run of each stores compiled code and warms the disk's cache
    run(ours)
    pairs = [(run(bare), run(ours)) for _ in range(ROUNDS)]
    for index, clock in enumerate(("elapsed", "processor")):
        below = median(pair[0][index] for pair in pairs)
        above = median(pair[1][index] for pair in pairs)
        print(f"  {title:28} {clock:10} {below:7.3f} s {above:7.3f} s  ratio {above / below:5.2f}")


@pytest.fixture
def bare_program(tmp_path: Path) -> str:
    (tmp_path / "bare.py").write_text(BARE)
    return str(tmp_path / "bare.py")


@pytest.fixture
def importing_program(tmp_path: Path) -> str:
    (tmp_path / "importing.py").write_text(IMPORTS + BARE)
    return str(tmp_path / "importing.py")


def examples() -> Iterable[str]:
    return sorted(str(path.relative_to(ROOT)) for path in (ROOT / "configs").glob("*.yaml"))


@pytest.mark.benchmark
@pytest.mark.skipif(not hasattr(os, "wait4"), reason="needs the processor time of a child")
def test_help_beside_a_bare_program(bare_program: str) -> None:
    print(f"\nhelp screen: bare typer program, chainplan (medians of {ROUNDS} pairs)")
    compare("--help", [bare_program, "--help"], ["-m", "chainplan", "--help"])


@pytest.mark.benchmark
@pytest.mark.skipif(not hasattr(os, "wait4"), reason="needs the processor time of a child")
def test_check_beside_a_program_that_only_imports(importing_program: str) -> None:
    print(f"\ncheck: typer program that imports and does nothing, chainplan (medians of {ROUNDS} pairs)")
    for plan in examples():
        compare(Path(plan).stem, [importing_program, "nothing"], ["-m", "chainplan", "check", plan])
