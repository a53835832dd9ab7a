"""The `study` command: tables, plots, exit codes, and how it goes on after Ctrl-C."""

from __future__ import annotations

import csv
import io
import json
import os
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from lxml import etree
from pyarrow import parquet
from typer.testing import CliRunner, Result
from written_results import figures

from chainplan.cli.app import app

ROOT = Path(__file__).parents[2]
STUDIES = ROOT / "configs" / "studies"
BOARDS = STUDIES / "boards-of-12-or-24.yaml"
REACH = STUDIES / "bit-rate-or-reach.yaml"
TROLLEY = ROOT / "configs" / "rail-trolley.yaml"


def study(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["study", *map(str, arguments)])


def table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))


def short(tmp_path: Path, parameters: str, rest: str = "") -> Path:
    path = tmp_path / "study.yaml"
    path.write_text(
        f"study: 1\ntitle: Short\nplan: {TROLLEY}\n"
        "objectives: {scan time: minimise, cable length: minimise}\n"
        f"parameters:\n{parameters}\n{rest}",
        encoding="utf-8",
    )
    return path


LENGTHS = "  length: {key: chains.line.segments.length, values: [200 mm, 1 m]}"
LIMITS = "  limit: {key: targets.scan_time, values: [1 ms, 80 ms]}"


# Results.


def test_a_study_on_the_screen_and_in_a_table(tmp_path: Path) -> None:
    out = tmp_path / "boards.csv"
    result = study(BOARDS, "--out", out, "--workers", 1, "--width", 80)
    assert result.exit_code == 0, result.output
    for words in ("18  meet all targets", "PARETO FRONT", "on the Pareto front", "holds lethal DC"):
        assert words in " ".join(result.stdout.split(" ")), words
    assert max(map(len, result.stdout.splitlines())) <= 80
    rows = table(out)
    assert [row["candidate"] for row in rows] == [str(number) for number in range(1, 19)]
    assert {row["status"] for row in rows} == {"met"}
    columns = [
        "candidate",
        "boards (parameter)",
        "values per read",
        "bit rate [Mbit/s]",
        "status",
        "scan time [s]",
    ]
    assert list(rows[0])[:6] == columns
    front = [row for row in rows if row["Pareto front"] == "yes"]
    assert [(row["scan time [s]"], row["barriers"]) for row in front] == sorted(
        {(row["scan time [s]"], row["barriers"]) for row in front}
    )
    assert not list(tmp_path.glob("*.unfinished"))


def test_the_table_is_rfc_4180(tmp_path: Path) -> None:
    out = tmp_path / "table.csv"
    five = "{strings.main.boards: [{type: board-12, count: 5}]}"
    boards = f'  boards: {{choices: {{"as, \\"planned\\"": {{}}, five: {five}}}}}'
    assert study(short(tmp_path, boards), "--out", out, "--workers", 1).exit_code == 0
    content = out.read_bytes()
    lines = content.split(b"\r\n")
    assert lines.pop() == b""  # RFC 4180, 2.1: every record ends with CRLF
    assert b"\n" not in b"".join(lines)
    assert b'"as, ""planned"""' in content  # 2.6, 2.7
    as_planned, too_many = table(out)
    assert as_planned["boards"] == 'as, "planned"'
    assert too_many["status"] == "unusable"
    assert "monitor cells 49 to 60" in too_many["reason"]
    assert {len(row) for row in csv.reader(io.StringIO(content.decode(), newline=""))} == {len(as_planned)}


def test_a_name_in_the_table_is_no_formula(tmp_path: Path) -> None:
    out = tmp_path / "table.csv"
    path = short(tmp_path, "  '=parameter': {choices: {'=1+1': {}, '@two': {title: x}, three: {title: y}}}")
    assert study(path, "--out", out, "--workers", 1).exit_code == 0
    assert [row["'=parameter"] for row in table(out)] == ["'=1+1", "'@two", "three"]


def test_parquet_holds_the_same_table(tmp_path: Path) -> None:
    texts, typed = tmp_path / "table.csv", tmp_path / "table.parquet"
    path = short(tmp_path, f"{LENGTHS}\n{LIMITS}")
    for out in (texts, typed):
        assert study(path, "--out", out, "--workers", 1).exit_code == 0
    found = parquet.read_table(typed)
    rows: list[dict[str, Any]] = found.to_pylist()
    assert found.column_names == list(table(texts)[0])
    for one, other in zip(table(texts), rows, strict=True):
        for name, cell in other.items():
            assert one[name] == cell or float(one[name]) == cell
    assert str(found.schema.field("scan time [s]").type) == "double"


def test_the_plot_is_a_drawing_that_says_what_it_shows(tmp_path: Path) -> None:
    plot = tmp_path / "plot.svg"
    assert study(short(tmp_path, f"{LENGTHS}\n{LIMITS}"), "--plot", plot, "--workers", 1).exit_code == 0
    root = etree.parse(plot).getroot()
    names = {"svg": "http://www.w3.org/2000/svg"}
    assert root.get("role") == "img"
    labels = root.get("aria-labelledby").split()
    assert [root.find(f"svg:{name}", names).get("id") for name in ("title", "desc")] == labels
    about = root.find("svg:desc", names).text
    assert "scan time, minimise" in about
    assert "2 candidates: misses a target" in about
    circles = root.findall(".//svg:circle", names)
    filled = [circle for circle in circles if circle.get("fill") != "none"]
    assert len(filled) == 2  # one front mark, and one in the legend: told apart without colour
    assert "href" not in plot.read_text()


def test_exit_codes(tmp_path: Path) -> None:
    impossible = short(tmp_path, "  limit: {key: targets.scan_time, values: [1 ms, 2 ms]}")
    result = study(impossible, "--workers", 1)
    assert result.exit_code == 1
    assert "Nearest to it: no. 1, which misses scan time." in " ".join(result.stdout.split())
    wanted = short(tmp_path, "  limit: {key: targets.scan_time, values: [1 ms, 2 ms]}", "must_meet: [skew]\n")
    assert study(wanted, "--workers", 1).exit_code == 0
    assert study(short(tmp_path, "  a: {key: a, values: [1]}")).exit_code == 2
    assert study(tmp_path / "nothing.yaml").exit_code == 2


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--out", "table.xlsx"], "FILE.csv or FILE.parquet"),
        (["--plot", "plot.png"], "FILE.svg"),
        (["--out", "no/such/directory/table.csv"], "cannot be written"),
        (["--joblib", "no such backend"], "a backend of joblib"),
    ],
)
def test_what_cannot_be_written_is_said_before_anything_runs(options: list[str], words: str) -> None:
    result = study(BOARDS, *options)
    assert result.exit_code == 2
    assert words in result.stderr
    assert not result.stdout


def test_the_command_it_prints_is_the_candidate(tmp_path: Path) -> None:
    out = tmp_path / "table.csv"
    result = study(BOARDS, "--out", out, "--workers", 1, "--width", 200)
    begin = result.stdout.index("chainplan report")
    command = shlex.split(result.stdout[begin : result.stdout.index("CAUTIONS")].replace("\\\n", ""))
    data = CliRunner().invoke(app, ["data", *command[2:]])
    assert data.exit_code == 0, data.output
    scans = [each["worst"] for each in figures(json.loads(data.stdout), "scan time")]
    front = [float(row["scan time [s]"]) for row in table(out) if row["Pareto front"] == "yes"]
    assert scans == [min(front)]


# Interrupted.


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="needs process groups")
def test_ctrl_c_and_going_on(tmp_path: Path) -> None:
    drawn = tmp_path / "drawn.yaml"
    text = REACH.read_text(encoding="utf-8").replace("points: 240", "points: 80")
    drawn.write_text(text.replace("plans/", f"{STUDIES}/plans/"), encoding="utf-8")
    out, whole = tmp_path / "table.csv", tmp_path / "whole.csv"
    rows = tmp_path / "table.csv.unfinished"
    command = [sys.executable, "-m", "chainplan", "study", str(drawn), "--workers", "2", "--out", str(out)]
    running = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    waited = time.monotonic()
    while not (rows.exists() and rows.read_bytes().count(b"\n") > 3):
        assert running.poll() is None
        assert time.monotonic() - waited < 60
        time.sleep(0.01)
    os.killpg(running.pid, signal.SIGINT)  # as a terminal does: to all processes of it
    stdout, stderr = running.communicate(timeout=60)
    assert running.returncode == 130, stderr
    assert "interrupted after" in stderr
    assert "of 80 candidates" in stderr
    assert "Traceback" not in stderr
    assert not stdout
    assert not out.exists()
    # Another study does not touch its rows.
    other = study(BOARDS, "--out", out)
    assert other.exit_code == 2
    assert "another study" in other.stderr
    assert "--restart" in other.stderr
    # The same one goes on, and ends as if it had never stopped.
    result = study(drawn, "--out", out, "--workers", 1)
    assert result.exit_code == 0
    assert "going on after" in result.stderr
    assert not rows.exists()
    assert study(drawn, "--out", whole, "--workers", 1).exit_code == 0
    assert out.read_bytes() == whole.read_bytes()


def test_restart_throws_old_rows_away(tmp_path: Path) -> None:
    out = tmp_path / "table.csv"
    (tmp_path / "table.csv.unfinished").write_text("of another study\n")
    path = short(tmp_path, LENGTHS)
    assert study(path, "--out", out, "--workers", 1).exit_code == 2
    assert study(path, "--out", out, "--workers", 1, "--restart").exit_code == 0
    assert len(table(out)) == 2
