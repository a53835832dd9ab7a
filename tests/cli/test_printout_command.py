"""`printout` as a user runs it: files written, exit codes, one clear message where a PDF cannot be made."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from chainplan.cli import printout
from chainplan.cli.guard import UserError
from chainplan.headroom import budget
from chainplan.plan.starter import STARTER
from chainplan.printout import appendix

CONFIGS = Path(__file__).parents[2] / "configs"


def run(plan: Path, out: Path | str, settings: list[str] | None = None) -> int:
    return printout.run(str(plan), str(out), "A4", "", "", "", "", settings)


@pytest.fixture
def starter(tmp_path: Path) -> Path:
    plan = tmp_path / "plan.yaml"
    plan.write_text(STARTER, encoding="utf-8")
    return plan


@pytest.fixture(autouse=True)
def _short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(appendix, "MOST_FIGURES", 4)
    monkeypatch.setattr(budget, "MOST_NODES", 0)  # headroom, a search, has tests of its own


def test_a_plan_that_meets_is_written_and_leaves_with_0(
    starter: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "page.html"
    assert run(starter, out) == 0
    text = out.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "Starter plan" in text
    said = capsys.readouterr()
    assert said.out == ""
    assert f"{out} is written: met: " in said.err


def test_the_hash_is_that_of_the_file_as_it_lies_there(starter: Path, tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    run(starter, out)
    assert hashlib.sha256(starter.read_bytes()).hexdigest() in out.read_text(encoding="utf-8")


def test_included_files_are_hashed_and_named_from_the_plans_folder(tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    run(CONFIGS / "rail-trolley.yaml", out)
    text = out.read_text(encoding="utf-8")
    assert "<td>rail-trolley.yaml</td>" in text
    assert "<td>library/parts.yaml</td>" in text
    assert str(CONFIGS) not in text


def test_a_plan_that_misses_is_written_all_the_same_and_leaves_with_1(starter: Path, tmp_path: Path) -> None:
    out = tmp_path / "page.htm"
    assert run(starter, out, ["targets.scan_time=1 us"]) == 1
    assert "This layout misses targets in the worst case." in out.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["page.doc", "page", "-", "html"])
def test_a_name_that_does_not_say_what_to_write_is_refused(starter: Path, tmp_path: Path, name: str) -> None:
    with pytest.raises(UserError, match=r"FILE\.html or FILE\.pdf"):
        run(starter, tmp_path / name)
    assert not (tmp_path / name).exists()


def command(plan: Path, out: Path, *, before: Path) -> subprocess.CompletedProcess[str]:
    """Run the program with a folder of modules in front of all others."""
    return subprocess.run(
        [sys.executable, "-m", "chainplan", "printout", str(plan), "--out", str(out)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": f"{before}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"},
    )


@pytest.mark.parametrize(
    ("fault", "wanted"),
    [
        ("raise ImportError('no module')", "pip install 'chainplan[pdf]'"),
        (
            "print('a banner'); raise OSError('cannot load library \\'libpango-1.0-0\\': file not found')",
            "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0",
        ),
    ],
)
def test_where_a_pdf_cannot_be_made_one_message_says_what_to_install(
    starter: Path, tmp_path: Path, fault: str, wanted: str
) -> None:
    (tmp_path / "weasyprint.py").write_text(fault, encoding="utf-8")
    out = tmp_path / "page.pdf"
    done = command(starter, out, before=tmp_path)
    assert done.returncode == 2
    assert wanted in done.stderr
    assert "--out FILE.html" in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert "banner" not in done.stderr
    assert not out.exists()


def test_html_needs_no_weasyprint(starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)  # importing it fails
    out = tmp_path / "page.html"
    assert run(starter, out) == 0
    with pytest.raises(UserError, match="weasyprint"):
        run(starter, tmp_path / "page.pdf")
