"""The `tolerances` command: bars that add up, the signs of the screen, JSON, refusals, an interrupt."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest
from made_up_figures import made_up
from rich.cells import cell_len
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.quantity import COUNT, LEVEL, RATE, RATIO, TIME, Span
from chainplan.report.effects import effect_lines, ruler_for
from chainplan.report.figures import Look
from chainplan.tolerance.study import Effect, FigureStudy
from chainplan.tolerance.trials import TolerancedQuantity

ROOT = Path(__file__).parents[2]
TROLLEY = str(ROOT / "configs" / "rail-trolley.yaml")
FEW = ["--samples", "12", "--workers", "1"]
AGE = ["age/trolley/cell", "voltages"]


@cache
def run(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["tolerances", TROLLEY, *arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def effect(name: str, alone: int | None, carries: int | None) -> Effect:
    return Effect(TolerancedQuantity((name,), Span(0, 1, 2), ""), alone, carries, "high end")


def figure(*effects: Effect, worst: int, typical: int) -> FigureStudy:
    verdict = made_up("sample age", "a", worst, "at most", 2 * abs(worst), TIME, "age/a")
    return FigureStudy(verdict, (), "value", worst, typical, typical, effects, worst, None)


# The bars.


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_columns_add_up_as_they_are_printed(width: int, encoding: str) -> None:
    """Three thirds and an interaction: rounded one by one they would miss the whole by a step."""
    third = 10**13 // 3
    made = figure(*(effect(name, third, third + 7) for name in "abc"), worst=11 * 10**12, typical=0)
    lines = effect_lines(made, Look(width, encoding))
    numbers = [re.findall(r"([+-]\d+\.\d+) ms", line) for line in lines]
    rows = [tuple(map(Fraction, found)) for found in numbers if found]
    *parts, total, rest, whole = rows
    assert len(parts) == 3
    for column in (0, 1):
        assert sum(row[column] for row in parts) == total[column]
        assert total[column] + rest[column] == whole[column] == 11
    assert max(map(cell_len, lines)) <= width
    assert "".join(lines).isascii() == (encoding == "ascii")


def test_bars_have_one_scale_and_one_zero() -> None:
    made = figure(
        effect("up", 10**12, 4 * 10**12),
        effect("down", 0, -2 * 10**12),
        effect("none", None, 0),
        worst=10**13,
        typical=0,
    )
    lines = effect_lines(made, Look(100))
    up, down, none = (line for line in lines if line.startswith(("up", "down", "none")))
    zero = up.index("│")
    assert down.index("│") == none.index("│") == zero
    length_up, length_down = (line.count("█") + sum(map(line.count, "▌▐")) / 2 for line in (up, down))
    assert length_up == pytest.approx(2 * length_down, abs=1)
    assert down.rindex("█") < zero < up.index("█")
    assert not set("█▌▐") & set(none)
    assert "no bound" in none


def test_narrow_screens_get_two_lines_an_effect() -> None:
    name = "a" * 60
    lines = effect_lines(figure(effect(name, 10**12, 10**12), worst=10**12, typical=0), Look(80))
    assert f"{name}  high end" in lines
    assert max(map(cell_len, lines)) <= 80


def test_a_ruler_has_a_whole_part_and_no_digit_beyond_a_tick() -> None:
    ruler = ruler_for(24 * 10**12, 10**11, TIME)  # 24 ms, of which 0.1 ms is to be told apart
    assert ruler.unit == "ms"
    assert ruler.text(ruler.steps(24_123_456_789_012)) == "24.12346 ms"
    assert ruler.text(ruler.bound(24_123_451_000_000, up=True)) == "24.12346 ms"
    assert ruler.text(ruler.bound(24_123_459_000_000, up=False)) == "24.12345 ms"
    assert ruler.text(ruler.steps(-5 * 10**11), "+") == "-0.50000 ms"
    assert ruler_for(24 * 10**12, 10**11, TIME, digits=2).decimals == 2
    assert ruler_for(3, 1, COUNT).text(3) == "3"
    assert ruler_for(2 * 10**6, 1, LEVEL).decimals == 6
    assert ruler_for(7 * 10**17, 7 * 10**17, RATE).text(7, "+").endswith("e-15/h")
    assert ruler_for(10**12, 10**12, RATIO).unit == "%"


# The screen.


def test_the_screen_says_what_drives_and_what_is_not_drawn() -> None:
    text = run(*AGE, *FEW)
    assert max(map(cell_len, text.splitlines())) <= 80
    words = " ".join(text.split())
    assert 'node_types.node-12.conversions."cell voltages".time' in words
    assert "extreme value" in words
    assert "root sum square" in words
    assert "drawn, furthest of 12" in words
    assert "The limit is missed by 0 of 12 Monte Carlo sets of parts" in words
    assert "do nothing to it" in words
    assert "the host waits for their largest value" in words
    assert "software and frames differ each time" in words
    assert "holds lethal DC" in words
    assert "\x1b" not in text


def test_without_words_the_least_margins_come_first() -> None:
    text = run("--samples", "0", "--workers", "1")
    assert "imbalance in 30 days by supply: main" in text
    assert "cells covered" not in text  # no margin, but no tolerance moves it
    assert "none drawn" in text
    assert "drawn, mean" not in text


def test_a_figure_that_nothing_drawn_moves_is_said_so() -> None:
    text = run("barrier", *FEW)
    assert "Nothing that is drawn moves this figure" in text
    assert "Followed is what is needed" in text
    assert "Moved by no tolerance: barrier creepage: line; barrier clearance: line." in text


def test_of_targets_on_one_sum_the_tightest_is_shown() -> None:
    assert "utilisation: trolley" in run("scan/trolley", *FEW)
    text = run("scan", "fits", *FEW, "--width", "120")
    assert "scan fits its period: trolley" in text
    assert "utilisation" not in text
    assert 80 < max(map(cell_len, text.splitlines())) <= 120


def test_a_what_if_changes_the_study() -> None:
    text = run(*AGE, *FEW, "--with", "controllers.trolley.scan_period=100 ms")
    assert "controllers.trolley.scan_period" not in text


# The data.


def test_the_data_add_up_and_do_not_depend_on_the_workers(tmp_path: Path) -> None:
    texts = []
    for workers in ("1", "2"):
        out = tmp_path / f"{workers}.json"
        assert run(*AGE, "--samples", "12", "--seed", "5", "--workers", workers, "--out", str(out)) == ""
        texts.append(out.read_text(encoding="utf-8"))
    assert texts[0] == texts[1]
    data = json.loads(texts[0])
    assert (data["samples"], data["seed"], data["tolerances_version"]) == (12, 5, 1)
    (found,) = data["figures"]
    verdict = next(
        each
        for each in Evaluation(load_plan(TROLLEY).plan).verdicts
        if (each.target, each.subject) == ("sample age", "trolley, cell voltages")
    )
    assert found["worst_s"] == (verdict.value or 0) / 1e15
    assert sum(each["share"] for each in found["effects"]) == pytest.approx(1)  # a sum: nothing interacts
    assert sum(each["alone_s"] for each in found["effects"]) == pytest.approx(
        found["worst_s"] - found["typical_s"]
    )
    assert found["typical_s"] < found["held_whole_s"] < found["drawn"]["furthest_s"] < found["worst_s"]
    assert found["drawn"]["beyond_worst"] == 0
    assert [each["percent"] for each in found["drawn"]["percentiles"]] == [50, 95, 99, 99.9]
    names = {each["parameter"] for each in data["parameters"]}
    assert {each["parameter"] for each in found["effects"]} <= names
    assert all(each["drawn"] == (each["why_not_drawn"] is None) for each in data["parameters"])
    assert len(data["cautions"]) >= 4


# Refusals and the end.


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["no", "such", "thing"], "no judged figure"),
        (["utilisatoin"], 'did you mean "utilisation"?'),
        ([*FEW, "--with", "controllers.trolley.scan_period=soon"], "scan_period"),
        (["--samples", "-1"], "--samples"),
    ],
)
def test_what_cannot_be_used_is_refused(arguments: list[str], said: str) -> None:
    result = CliRunner().invoke(app, ["tolerances", TROLLEY, *arguments])
    assert result.exit_code == 2
    assert said in result.stderr
    assert result.stdout == ""


def test_an_interrupt_ends_it_quietly(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    with subprocess.Popen(
        [
            sys.executable,
            "-m",
            "chainplan",
            "tolerances",
            TROLLEY,
            "--samples",
            "100000",
            "--workers",
            "2",
            "-o",
            str(out),
        ],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    ) as process:
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        for _ in range(200):  # until the workers are there
            time.sleep(0.05)
            if children.exists() and len(children.read_text().split()) >= 2:
                break
        time.sleep(1)  # well within the trials
        os.killpg(process.pid, signal.SIGINT)  # as a terminal sends it: to the workers, too
        written, said = process.communicate(timeout=30)
    assert (process.returncode, written, said) == (130, b"", b"")
    assert list(tmp_path.iterdir()) == []
