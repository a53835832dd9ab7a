"""Ten megabytes of anything fit into one gigabyte of address space; memory that ends is told."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from programs import Program

from chainplan.plan.source import MAX_BYTES
from chainplan.plan.starter import STARTER

LIMITED = """
import resource
resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30))
resource.setrlimit(resource.RLIMIT_CPU, (40, 40))
"""
SIZE = 10_000_000

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux")


def full(part: str, size: int) -> str:
    return part * (size // len(part))


PLANS = {
    "items": "a: [" + full("a,", MAX_BYTES - 10) + "]\n",
    "names": "".join(f"n{number}: 1\n" for number in range(MAX_BYTES // 12)),
    "long text": STARTER.replace("Starter plan", "x" * (MAX_BYTES - 10_000)),
    "wide letters": STARTER.replace("Starter plan", "😀" * ((MAX_BYTES - 10_000) // 4)),
    "notes": STARTER + full("# note\n", MAX_BYTES - 10_000),
    "blocks": "title: |\n" + full("  x\n", MAX_BYTES - 10),
    "settings": "a: &a [x]\n" + "b: [" + full("*a, ", MAX_BYTES - 20) + "]\n",
}
"""Plans as large as one may be."""

HEAD = "$timescale 1 ns $end\n$var wire 1 ! line $end\n$enddefinitions $end\n"


GOOD = 3_000_000
"""Bytes of captures in which there is nothing wrong, each of which takes its time."""


def changes() -> Iterator[str]:
    length = 0
    for number in range(GOOD):
        change = f"#{number * 1000}\n{number % 2}!\n"
        length += len(change)
        if length > GOOD:
            return
        yield change


CAPTURES = {
    "changes.vcd": HEAD + "".join(changes()),
    "signals.vcd": "$timescale 1 ns $end\n"
    + full("$var wire 1 ! line $end\n", SIZE)
    + "$enddefinitions $end\n",
    "comment.vcd": HEAD + "$comment " + "x" * SIZE,
    "one-word.vcd": HEAD + "#" + "1" * SIZE,
    "rows.csv": "time [ns],line\n"
    + "".join(f"{number * 1000},{number % 2}\n" for number in range(GOOD // 12)),
    "columns.csv": "time [ns]," + full("line,", SIZE) + "\n",
    "one-row.csv": "time [ns],line\n" + "1" * SIZE,
    "quoted.csv": 'time [ns],line\n"' + full("x\n", SIZE),
}


@pytest.mark.parametrize("text", PLANS.values(), ids=PLANS)
def test_plans(text: str, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")
    check_ended(Program(["check", "../plan.yaml"], tmp_path / "folder", prepare=LIMITED))


@pytest.mark.parametrize("name", CAPTURES)
def test_captures(name: str, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / name).write_text(CAPTURES[name], encoding="utf-8")
    (tmp_path / "plan.yaml").write_text(STARTER, encoding="utf-8")
    arguments = ["capture", "../plan.yaml", f"../{name}", "--channel", "line=main controller:1"]
    check_ended(Program(arguments, tmp_path / "folder", prepare=LIMITED))


def check_ended(program: Program) -> None:
    """It ended by itself, with a result or a message that somebody can read."""
    ended = program.end()
    assert ended.code in (0, 1, 2)
    assert "Traceback" not in ended.err
    assert "MemoryError" not in ended.err
    assert len(ended.err) < 10_000


WORKING = {
    "check": ["check", "../plan.yaml"],
    "report": ["report", "../plan.yaml"],
    "simulate": ["simulate", "../plan.yaml", "--scans", "20", "--seeds", "2", "--workers", "2"],
    "tolerances": ["tolerances", "../plan.yaml", "--samples", "10", "--workers", "2"],
    "printout": ["printout", "../plan.yaml", "--out", "result.html"],
    "study": ["study", "../study.yaml", "--workers", "2", "--out", "result.csv"],
    "help": ["--help"],
}
STUDY = """\
study: 1
title: Short
plan: plan.yaml
objectives: {scan time: minimise}
parameters: {limit: {key: targets.scan_time, values: [50 ms, 60 ms, 70 ms]}}
"""


@pytest.mark.parametrize("megabytes", [24, 40, 56, 57, 58, 59, 60, 62, 66, 72, 80])
@pytest.mark.parametrize("arguments", WORKING.values(), ids=WORKING)
def test_memory_that_ends(arguments: list[str], megabytes: int, tmp_path: Path) -> None:
    """With the code and the words for it; not with 1, which says that a target is missed. Nothing hangs.

    The interpreter and what is written in C may be ended by the system where they ask for memory in vain.
    """
    (tmp_path / "folder").mkdir()
    (tmp_path / "plan.yaml").write_text(STARTER, encoding="utf-8")
    (tmp_path / "study.yaml").write_text(STUDY, encoding="utf-8")
    limit = f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({megabytes} << 20,) * 2)"
    ended = Program(arguments, tmp_path / "folder", prepare=limit).end()
    assert ended.code in (0, 3) or ended.code < 0, ended.err
    assert "Traceback" not in ended.err
    if ended.code == 3:
        assert "could not be finished: " in ended.err or " candidates; run it again to go on" in ended.err
    left = {path.name for path in (tmp_path / "folder").iterdir()}
    assert left <= {"result.html", "result.csv", "result.csv.unfinished"}
    assert ended.code == 0 or not left & {"result.html", "result.csv"}
