"""The terminal report: no line too wide, nothing that needs colour, every section there, text made safe."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from rich.cells import cell_len
from rich.console import Console
from strategies import plan_data

from chainplan.cautions import CAUTIONS
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.figures.sections import ON_REQUEST, SECTIONS
from chainplan.plan.load import LoadedPlan, load_plan, load_source
from chainplan.plan.model import Plan
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER
from chainplan.report.sections.targets import alike, in_order
from chainplan.report.terminal import report_text

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = sorted(path for path in CONFIGS.glob("*.yaml") if path.name != "parts.yaml")

ANSI = re.compile(r"\x1b\[[0-9;]*m")


def screen(width: int, encoding: str = "utf-8", *, terminal: bool = False, no_color: bool = False) -> Console:
    """Return a console over a stream of an encoding, piped or a colour terminal, whatever runs the test."""
    return Console(
        file=io.TextIOWrapper(io.BytesIO(), encoding=encoding),
        width=width,
        force_terminal=terminal,
        color_system="standard" if terminal else None,
        no_color=no_color,
        _environ={"TERM": "xterm-256color"},
    )


def report(loaded: LoadedPlan, console: Console, sections: Iterable[str] = ()) -> str:
    return report_text(console, loaded, Evaluation(loaded.plan), list(sections))


def loaded_starter(changes: dict[str, str]) -> LoadedPlan:
    text = STARTER
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    return load_source(parse_source(text, "starter.yaml"), CONFIGS)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_no_line_is_wider_than_the_screen(path: Path, width: int, encoding: str) -> None:
    text = report(load_plan(path), screen(width, encoding))
    text.encode(encoding)
    for line in text.splitlines():
        assert cell_len(line) <= width, line
        assert line == line.rstrip(), "blanks at the end of a line"


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_piped_reports_have_no_control_characters(path: Path) -> None:
    text = report(load_plan(path), screen(80))
    assert text.replace("\n", "").isprintable()


def test_colour_stands_only_beside_words_that_say_the_same() -> None:
    text = report(load_plan(CONFIGS / "mine-locomotive.yaml"), screen(80, terminal=True))
    plain = report(load_plan(CONFIGS / "mine-locomotive.yaml"), screen(80))
    assert ANSI.sub("", text) == plain
    coloured = re.findall(r"\x1b\[(?:1;)?3([0-9])m([^\x1b]*)", text)
    assert {colour for colour, _ in coloured} == {"1", "2"}  # red and green
    for colour, words in coloured:
        meant = "met" if colour == "2" else "MISSED|misses"
        assert re.search(meant, words) or not words.strip(), words


def test_without_colour_nothing_is_lost() -> None:
    loaded = load_plan(CONFIGS / "mine-locomotive.yaml")
    text = report(loaded, screen(80, terminal=True, no_color=True))
    assert not re.search(r"\x1b\[[0-9;]*3[0-9]", text)
    assert "✗ MISSED" in ANSI.sub("", text)


def test_whole_report_of_an_example_has_every_section_and_caution() -> None:
    text = report(load_plan(CONFIGS / "harbour-ferry.yaml"), screen(120))
    for title in (
        "TARGETS",
        "SCAN ",
        "SLOTS",
        "BYTES",
        "FAULT HANDLING",
        "SAMPLE AGE",
        "ISOLATION",
        "CAUTIONS",
    ):
        assert title in text, title
    words = " ".join(text.split())
    for sentence in CAUTIONS:
        assert " ".join(sentence.split()) in words.replace(" - ", " "), sentence


@pytest.mark.parametrize("section", SECTIONS)
def test_sections_can_be_had_alone(section: str) -> None:
    loaded = load_plan(CONFIGS / "rail-trolley.yaml")
    alone = report(loaded, screen(80), [section])
    whole = report(loaded, screen(80), SECTIONS)
    title = "Rail inspection trolley"
    assert alone.startswith(title)
    assert len(alone) < len(whole)
    body = alone.split("every 100 ms.\n", 1)[1]
    assert body.strip("\n") in whole


def test_worst_case_and_typical_are_always_said() -> None:
    text = report(load_plan(CONFIGS / "rail-trolley.yaml"), screen(80))
    sections = re.split(r"\n(?=[A-Z][A-Z ]+  \S)", text)
    for section in sections[1:]:
        if not section.startswith(("BYTES", "ASSUMPTIONS", "CAUTIONS")):
            assert "worst" in section, section


def test_missed_targets_come_first_then_the_tightest() -> None:
    order = in_order(Evaluation(load_plan(CONFIGS / "mine-locomotive.yaml").plan).verdicts)
    ranks = [("missed", "not checked", "met").index(verdict.status) for verdict in order]
    assert ranks == sorted(ranks)
    shares = [
        verdict.margin_share for verdict in order if verdict.status == "met" and not verdict.kind.yes_no
    ]
    assert shares == sorted(share for share in shares if share is not None)


def test_verdicts_alike_are_written_once_and_counted_all() -> None:
    evaluation = Evaluation(load_plan(CONFIGS / "harbour-ferry.yaml").plan)
    groups = alike(evaluation.verdicts)
    assert sum(map(len, groups)) == len(evaluation.verdicts)
    rings = next(group for group in groups if group[0].target == "barrier working voltage")
    assert [verdict.subject for verdict in rings] == ["ring-1", "ring-2", "ring-3", "ring-4"]
    text = report(load_plan(CONFIGS / "harbour-ferry.yaml"), screen(120), ["targets"])
    assert f"{len(evaluation.verdicts)} targets" in text


def test_names_of_the_plan_are_no_markup() -> None:
    loaded = loaded_starter(
        {"title: Starter plan": 'title: "[red]bold[/red] :smile: [/]"', "  line:\n": '  "[b]line[red]":\n'}
    )
    text = ANSI.sub("", report(loaded, screen(80, terminal=True)))
    assert text.startswith("[red]bold[/red] :smile: [/]\n")
    assert "chain [b]line[red]" in text


def test_a_note_of_several_lines_stays_several_lines() -> None:
    start = STARTER.index("about: >-")
    about = STARTER[start : STARTER.index("# --- The parts")]
    loaded = loaded_starter({about: "about: |\n  one\n  two\n\n"})
    lines = report(loaded, screen(80), ["targets"]).splitlines()
    assert lines[lines.index("one") :][:2] == ["one", "two"]


def test_long_and_wide_names_are_folded_not_cut() -> None:
    long = "x" * 80
    wide = "蓄" * 40
    loaded = loaded_starter(
        {
            "cell voltages: {reads": f"{long}: {{reads",
            "age: {cell voltages": f"age: {{{long}",
            "skew: {cell voltages": f"skew: {{{long}",
            "sample: {cell voltages": f"sample: {{{long}",
            "  line:\n": f"  {wide}:\n",
        }
    )
    for width in (80, 120):
        text = report(loaded, screen(width))
        assert max(cell_len(line) for line in text.splitlines()) <= width
        assert text.count("x") >= 80
        assert text.count("蓄") >= 40


@settings(max_examples=15, deadline=None)
@given(plan_data())
def test_any_plan_can_be_reported(data: dict[str, dict[str, dict[str, str]]]) -> None:
    _reported(data, [name for name in SECTIONS if name not in ("headroom", *ON_REQUEST)])


@settings(max_examples=3, deadline=None)
@given(plan_data())
def test_any_plan_s_headroom_can_be_reported(data: dict[str, dict[str, dict[str, str]]]) -> None:
    _reported(data, ["headroom"])


def _reported(data: dict[str, dict[str, dict[str, str]]], sections: list[str]) -> None:
    for task in data["tasks"].values():
        task["sends"] = "wired inputs"
    loaded = load_plan(EXAMPLES[0])._replace(plan=Plan.model_validate(data))
    for line in report(loaded, screen(80), sections).splitlines():
        assert cell_len(line) <= 80


def test_unknown_figures_are_not_met() -> None:
    evaluation = Evaluation(load_plan(CONFIGS / "rail-trolley.yaml").plan)
    unknown: list[Figure] = [each for each in evaluation.verdicts if each.status == "not checked"]
    assert unknown
    text = report(load_plan(CONFIGS / "rail-trolley.yaml"), screen(120), ["targets"])
    assert "meets every target that could be checked" in text
    assert f"{len(unknown)} not checked" in text
