"""The `simulate` command: observed beside computed, on the terminal and as JSON; wrong channels refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from chainplan.cli.app import app

TROLLEY = str(Path(__file__).parents[2] / "configs" / "rail-trolley.yaml")
SMALL = ["--scans", "20", "--seeds", "1", "--workers", "1"]


def test_simulate_prints_every_figure_beside_its_bound() -> None:
    result = CliRunner().invoke(app, ["simulate", TROLLEY, *SMALL, "--width", "80"])
    assert result.exit_code == 0, result.output
    assert "Every bound held." in result.stdout
    for figure in ("scan time", "sample age", "skew", "wire bits per run", "fault handling time"):
        assert figure in result.stdout
    for figure in ("start-up", "fault handling time asleep", "fault known", "recovery"):
        assert f"{figure}: trolley" in result.stdout
    assert "first complete set in memory" in result.stdout
    assert "(closest of" in " ".join(result.stdout.split())
    assert "holds lethal DC" in " ".join(result.stdout.split())
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_simulate_as_json_does_not_depend_on_the_workers(tmp_path: Path) -> None:
    texts = []
    for workers in ("1", "2"):
        out = tmp_path / f"{workers}.json"
        result = CliRunner().invoke(
            app, ["simulate", TROLLEY, *SMALL[:4], "--workers", workers, "--out", str(out)]
        )
        assert result.exit_code == 0, result.output
        texts.append(out.read_text())
    assert texts[0] == texts[1]
    data = json.loads(texts[0])
    assert data["every_bound_held"] is True
    scan = next(row for row in data["figures"] if row["figure"] == "scan time")
    assert scan["largest_s"] == scan["worst_case_s"]  # the corner reaches the bound
    found = {row["figure"] for row in data["figures"]}
    assert {"start-up", "fault detection time asleep", "fault known", "recovery"} <= found
    places = [row["subject"] for row in data["figures"] if row["figure"] == "recovery"]
    assert len(places) == len(set(places)) > 1  # each place by itself
    assert data["simulations"]["done"] == data["simulations"]["wanted"]


def test_bit_errors_are_counted() -> None:
    result = CliRunner().invoke(
        app, ["simulate", TROLLEY, *SMALL, "--bit-errors", "1e-5", "--burst", "0.05,1e-5,0.05"]
    )
    assert result.exit_code == 0, result.output
    assert ", 0 hit by bit errors" not in result.stdout


@pytest.mark.parametrize("burst", ["0.1", "a,b,c", "0.1,0.5,7", "0.1,0.5,0"])
def test_wrong_burst_is_refused(burst: str) -> None:
    result = CliRunner().invoke(app, ["simulate", TROLLEY, *SMALL, "--burst", burst])
    assert result.exit_code == 2
    assert "BAD,ENTER,LEAVE" in result.stderr
