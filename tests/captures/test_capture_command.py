"""The `capture` command: what it prints, its exit codes, its data, its memory."""

from __future__ import annotations

import json
import tracemalloc
from pathlib import Path

import pytest
from recorded import CONFIGS, MS, NS, US, busy_spans, compare, example, first_head, only, vcd_of
from typer.testing import CliRunner

from chainplan.captures import source
from chainplan.cli.app import app
from chainplan.witness.draw import Draw

TROLLEY = str(CONFIGS / "rail-trolley.yaml")


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """A capture that is inside the plan, and one with a frame stretched by a microsecond."""
    directory = tmp_path_factory.mktemp("captures")
    evaluation = example("rail-trolley")
    spans = busy_spans(evaluation, first_head(evaluation), 25)
    (directory / "good.vcd").write_bytes(vcd_of({"line": spans}, scale=NS))
    # The longest of the answers: it ends too late, and the next one comes too soon after it.
    place = max(
        range(len(spans) - 1),
        key=lambda place: (
            (spans[place][1] - spans[place][0]) // US * US - (spans[place + 1][0] - spans[place][1])
        ),
    )
    start, end = spans[place]
    spans[place] = start, end + US
    (directory / "bad.vcd").write_bytes(vcd_of({"line": spans}, scale=NS))
    return {
        "good": str(directory / "good.vcd"),
        "bad": str(directory / "bad.vcd"),
        "at": f"{start / 10**15:.6f}",
    }


@pytest.mark.parametrize("width", ["80", "120"])
def test_inside_and_outside(captures: dict[str, str], width: str) -> None:
    good = CliRunner().invoke(app, ["capture", TROLLEY, captures["good"], "-c", "line=1", "--width", width])
    assert good.exit_code == 0, good.output
    assert "Everything is inside the plan." in good.stdout
    bad = CliRunner().invoke(app, ["capture", TROLLEY, captures["bad"], "-c", "line=line", "--width", width])
    assert bad.exit_code == 1, bad.output
    assert captures["at"] in bad.stdout
    for result in (good, bad):
        assert "holds lethal DC" in " ".join(result.stdout.split())
        assert max(map(len, result.stdout.splitlines())) <= int(width)
        for quantity in ("frame length", "gap", "scan period", "scan jitter"):
            assert quantity in result.stdout


@pytest.mark.parametrize(
    ("signal", "refusal"),
    [
        ("bench.wire.line", ""),
        ("bench/wire/line", ""),
        ("wire.line", ""),
        ("wire/line", ""),
        ("line", ""),
        ("ire.line", "the file has no such signal"),
        ("bench.line", "the file has no such signal"),
    ],
)
def test_the_last_parts_of_a_signal_name_it(captures: dict[str, str], signal: str, refusal: str) -> None:
    result = CliRunner().invoke(app, ["capture", TROLLEY, captures["good"], "-c", f"{signal}=1"])
    assert (result.exit_code, refusal in result.output) == (2 if refusal else 0, True), result.output


def test_findings_not_shown_are_counted(captures: dict[str, str]) -> None:
    result = CliRunner().invoke(app, ["capture", TROLLEY, captures["bad"], "-c", "line=1", "--findings", "1"])
    assert "Not shown: 1 of 2 findings." in result.stdout


def test_data_has_units_and_the_same_findings(captures: dict[str, str], tmp_path: Path) -> None:
    out = tmp_path / "capture.json"
    command = ["capture", TROLLEY, captures["bad"], "-c", "line=1"]
    printed = CliRunner().invoke(app, [*command, "--json"])
    written = CliRunner().invoke(app, [*command, "--out", str(out)])
    assert (printed.exit_code, written.exit_code, written.stdout) == (1, 1, "")
    assert out.read_text(encoding="ascii") == printed.stdout
    data = json.loads(printed.stdout)
    assert data["inside"] is False
    (channel,) = data["channels"]
    assert channel["findings_in_all"] == 2
    finding = channel["findings"][0]
    assert finding["measured_s"] > finding["allowed_max_s"]
    assert f"{finding['time_fs'] / 10**15:.6f}" == captures["at"]
    rows = {row["quantity"]: row for row in channel["rows"]}
    period = rows["scan period"]
    assert period["allowed_min_s"] <= period["least_s"] <= period["largest_s"] <= period["allowed_max_s"]
    assert sum(row["outside"] for row in channel["rows"]) == 2


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ([], "--channel SIGNAL=PORT, at least once; PORT one of trolley:1"),
        (["-c", "line"], "expected: SIGNAL=PORT, such as line=trolley:1"),
        (["-c", "line=troley:1"], "did you mean: trolley:1"),
        (["-c", "lime=1"], "did you mean: bench.wire.line"),
        (["-c", "line=1", "--idle", "5"], "--idle: "),
        (["-c", "line=1", "--clock-error", "50 ms"], "--clock-error: "),
        (["-c", "line=1", "-c", "bench.wire.line=1"], "the same signal is taken twice"),
    ],
)
def test_what_cannot_be_done_says_why(captures: dict[str, str], options: list[str], message: str) -> None:
    result = CliRunner().invoke(app, ["capture", TROLLEY, captures["good"], *options])
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stdout == ""


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for name in (tmp_path / "none.vcd", tmp_path):
        result = CliRunner().invoke(app, ["capture", TROLLEY, str(name), "-c", "line=1"])
        assert result.exit_code == 2
        assert "cannot be read" in result.stderr
    (tmp_path / "damaged.vcd").write_bytes(b"$timescale 1 ns $end\n$enddefinitions $end\n#0\nwhat\n")
    result = CliRunner().invoke(app, ["capture", TROLLEY, str(tmp_path / "damaged.vcd"), "-c", "line=1"])
    assert result.exit_code == 2
    assert "no such signal" in result.stderr


def test_memory_does_not_grow_with_the_capture(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight times the capture, nearly the same peak: only a window of frames is held."""
    monkeypatch.setattr(source, "PIECE", 2**11)
    evaluation = example("rail-trolley")
    (scan,) = evaluation.scans.values()
    cycle = scan.phases.major_cycle * scan.controller.settings.scan_period.typical
    once = busy_spans(evaluation, first_head(evaluation), scan.phases.major_cycle, Draw("typical"))
    peaks = []
    for cycles in (3, 24):
        spans = [(start + each * cycle, end + each * cycle) for each in range(cycles) for start, end in once]
        data = vcd_of({"line": spans}, end=cycles * cycle + MS)
        compare(evaluation, data)  # what is remembered of the plan is there before
        tracemalloc.start()
        channel = only(compare(evaluation, data))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert channel.inside
        assert channel.measured.frames == len(spans)
    assert peaks[1] < 1.3 * peaks[0]
