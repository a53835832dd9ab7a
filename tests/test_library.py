"""chainplan as a library: tables for notebooks, plain data, data frames, and types for a user's script."""

from __future__ import annotations

import json
import subprocess
import sys
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pandas
import pytest
from lxml import html
from made_up_figures import made_up
from written_results import verdicts

import chainplan
from chainplan import frames
from chainplan.cautions import CAUTIONS
from chainplan.figures.figure import WHOLE
from chainplan.notebook import HEADINGS, MOST_ROWS, verdicts_html
from chainplan.plan.load import LoadedPlan
from chainplan.quantity import RATIO, TIME
from chainplan.report.data import data_pieces
from chainplan.report.figures import limit, margin, worst
from chainplan.results import Verdicts

ROOT = Path(__file__).parents[1]
CONFIGS = ROOT / "configs"


@cache
def loaded(name: str) -> LoadedPlan:
    return chainplan.load(CONFIGS / f"{name}.yaml")


@cache
def evaluated(name: str) -> chainplan.Results:
    return chainplan.evaluate(loaded(name))


# Tables for notebooks.


class Tags(HTMLParser):
    """Every tag, and every text between tags."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag != "br":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def cells(text: str) -> list[list[str]]:
    rows = html.fragment_fromstring(text, create_parent=True).iterfind(".//tbody/tr")
    return [[cell.text_content() for cell in row] for row in rows]


def test_a_notebook_shows_all_targets_missed_first() -> None:
    results = evaluated("mine-locomotive")
    text = results._repr_html_()
    found = cells(text)
    assert len(found) == len(results.verdicts) <= MOST_ROWS
    missed = [row for row in found if "MISSED" in row[0]]
    assert found[: len(missed)] == missed
    for row, verdict in zip(missed, results.missed, strict=True):
        assert row[1:6] == [
            verdict.target,
            verdict.subject,
            worst(verdict),
            limit(verdict),
            margin(verdict),
        ]
    assert "Mine locomotive, first draft" in text
    below = html.fragment_fromstring(text, create_parent=True).find(".//small")
    assert below is not None
    assert list(below.itertext()) == list(CAUTIONS)


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "a & b", '"><img src=x>', "\x1b[31m", "</td>"])
def test_names_become_no_markup(name: str) -> None:
    verdict = made_up(name, name, 3, "below", 2, TIME, name, where=name, note=name)
    text = verdicts_html([verdict], name)
    wanted = ["table", "caption", "thead", "tr", *["th"] * len(HEADINGS), "tbody", "tr", "td", "b"]
    wanted += ["td"] * (len(HEADINGS) - 1)
    assert Tags(text).tags == [*wanted, "p", "small", *["br"] * (len(CAUTIONS) - 1)]
    ((_, target, subject, *_),) = cells(text)
    assert target == subject == name.replace("\x1b", "\\x1b")


def test_a_long_table_is_cut_and_says_so() -> None:
    met = made_up("a", "b", 1, "at most", 2, TIME, "")
    text = Verdicts([*[met] * MOST_ROWS, made_up("a", "b", 3, "at most", 2, TIME, "")])._repr_html_()
    found = cells(text)
    assert "MISSED" in found[0][0]
    assert found[-1] == ["and 1 more"]
    assert len(found) == MOST_ROWS + 1


def test_verdicts_are_still_a_tuple() -> None:
    verdicts = evaluated("rail-trolley").verdicts
    assert isinstance(verdicts, tuple)
    assert isinstance(verdicts[0], chainplan.Figure)
    assert "<table>" in verdicts._repr_html_()


# Plain data.


@pytest.mark.parametrize("name", ["rail-trolley", "mine-locomotive"])
def test_plain_data_are_what_data_writes(name: str) -> None:
    plain = evaluated(name).to_dict()
    assert plain == json.loads("".join(data_pieces(loaded(name), evaluated(name), chainplan.__version__)))


def test_a_plan_alone_has_the_same_data_but_for_its_file_and_warnings() -> None:
    alone = chainplan.evaluate(loaded("rail-trolley").plan).to_dict()
    whole = evaluated("rail-trolley").to_dict()
    assert alone["plan"].pop("file") == ""
    assert whole["plan"].pop("file").endswith("rail-trolley.yaml")
    assert {key: value for key, value in alone.items() if key != "warnings"} == {
        key: value for key, value in whole.items() if key != "warnings"
    }


# Data frames.


@pytest.mark.parametrize("name", ["rail-trolley", "mine-locomotive"])
def test_a_frame_holds_the_figures_of_the_data(name: str) -> None:
    frame = evaluated(name).frame()
    assert list(frame.columns) == list(frames.COLUMNS)
    assert set(frame.dtypes[list(frames.FIGURES)]) == {pandas.api.types.pandas_dtype("float64")}
    records = verdicts(evaluated(name).to_dict())
    assert len(frame) == len(records)
    for row, record in zip(frame.to_dict("records"), records, strict=True):
        for key in ("status", "sense", "unit", "sum", "where", "note"):
            assert row[key] == record[key]
        assert (row["target"], row["subject"]) == (record["name"], ", ".join(record["subject"].values()))
        for key in (*frames.FIGURES, "margin_share"):
            value = record[key]
            assert pandas.isna(row[key]) if value is None else row[key] == value
    assert (frame.status == "missed").sum() == len(evaluated(name).missed)


def test_units_are_those_of_the_verdict() -> None:
    class One:
        verdicts = (made_up("a", "b", WHOLE // 2, "at most", WHOLE, RATIO, ""),)

    row = frames.verdicts_frame(One).iloc[0]  # type: ignore[arg-type]
    assert (row.worst, row.limit, row.margin, row.unit) == (0.5, 1.0, 0.5, "ratio")
    assert pandas.isna(row.typical)


def test_without_pandas_the_error_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(ImportError, match=r"need pandas.*pip install 'chainplan\[frames\]'"):
        evaluated("rail-trolley").frame()


def test_a_script_imports_nothing_that_only_shows() -> None:
    code = (
        "import sys, chainplan\n"
        f"chainplan.evaluate(chainplan.load({str(CONFIGS / 'rail-trolley.yaml')!r})).verdicts\n"
        "print(*sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=True, text=True)
    assert not {"chainplan.notebook", "chainplan.frames", "pandas", "rich", "typer"} & set(
        done.stdout.split()
    )


# Types.

USER = """\
from pathlib import Path

import chainplan

loaded = chainplan.load(Path("plan.yaml"))
results: chainplan.Results = chainplan.evaluate(loaded)
late: list[str] = [verdict.target for verdict in results.missed if verdict.margin is not None]
status: str = results.verdicts[0].status
data: dict[str, object] = results.to_dict()
page: str = results._repr_html_()
try:
    chainplan.load("other.yaml")
except chainplan.PlanError as error:
    print([problem.message for problem in error.problems])
"""

WRONG = """\
import chainplan

results = chainplan.evaluate(chainplan.load("plan.yaml"))
number: int = results.verdicts[0].target  # wrong type
results.verdicts[0].magrin  # no such name
chainplan.evaluate("plan.yaml")  # a name, not a plan
"""


def test_a_users_script_is_checked_strictly(tmp_path: Path) -> None:
    """Run a type checker in strict mode on a script: what is right passes, what is wrong is told.

    It keeps what it has read, or it would read all of pydantic again every time.
    """
    (tmp_path / "right.py").write_text(USER, encoding="utf-8")
    (tmp_path / "wrong.py").write_text(WRONG, encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--strict", "--config-file", ""]
    command += ["--cache-dir", str(ROOT / ".mypy_cache" / "user"), "right.py", "wrong.py"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False, text=True, timeout=300)
    told = [line.split(": error: ") for line in done.stdout.splitlines() if ": error: " in line]
    assert [place for place, _ in told] == ["wrong.py:4", "wrong.py:5", "wrong.py:6"], done.stdout
    assert done.returncode == 1
