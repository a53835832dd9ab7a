"""The first screen of every example, as it was looked at and kept; and what it promises for any plan.

After a change that is meant to show, write the kept screens anew and read the difference:
``python tests/report/test_first_screen.py``.
"""

from __future__ import annotations

import io
from fractions import Fraction
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from chainplan.evaluation import Evaluation
from chainplan.headroom.quick import quick_fixes
from chainplan.headroom.trials import Trial
from chainplan.plan.load import LoadedPlan, load_plan, load_source
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER
from chainplan.report.bars import draw_bars
from chainplan.report.first_screen import MOST_LINES, first_misses, first_screen_text, told_misses

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"
KEPT = Path(__file__).parent / "screens"
NAMES = [*sorted(path.stem for path in CONFIGS.glob("*.yaml")), "starter"]
WIDTHS = (80, 120, 200)


def loaded(name: str) -> LoadedPlan:
    if name == "starter":
        return load_source(parse_source(STARTER, "starter.yaml"), CONFIGS)
    return load_plan(CONFIGS / f"{name}.yaml")


def screen(plan: LoadedPlan, width: int, encoding: str = "utf-8") -> str:
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(file=stream, width=width, color_system=None, force_terminal=False)
    evaluation = Evaluation(plan.plan)
    return first_screen_text(
        console, plan, evaluation, quick_fixes(evaluation, first_misses(evaluation.verdicts))
    )


def kept(name: str, width: int) -> Path:
    return KEPT / f"{name}-{width}.txt"


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", NAMES)
def test_screens_are_those_that_were_kept(name: str, width: int) -> None:
    text = screen(loaded(name), width).replace(f"{CONFIGS}/", "configs/")
    assert text == kept(name, width).read_text(encoding="utf-8")


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("name", NAMES)
def test_it_fits_one_screen_and_carries_the_cautions(name: str, encoding: str) -> None:
    text = screen(loaded(name), 80, encoding)
    text.encode(encoding)
    lines = text.splitlines()
    assert len(lines) <= MOST_LINES
    assert max(map(cell_len, lines)) <= 80
    words = " ".join(text.split())
    for caution in ("lethal DC voltage", "A planning aid", "local codes", "own text", "qualified persons"):
        assert caution in words


def test_every_fix_that_it_names_meets_its_target_and_misses_no_other() -> None:
    from chainplan.headroom.parameters import moved

    evaluation = Evaluation(loaded("mine-locomotive").plan)
    missed = {each.key for each in evaluation.missed}
    fixes = quick_fixes(evaluation, [group[0] for group in told_misses(evaluation.verdicts)])
    assert fixes
    for key, move in fixes.items():
        after = Evaluation(moved(evaluation, (move,)).plan)
        still = {each.key for each in Trial(after).evaluation.missed}
        assert key not in still
        assert still <= missed


def test_what_endangers_first_is_told_first() -> None:
    groups = told_misses(Evaluation(loaded("mine-locomotive").plan).verdicts)
    sections = [group[0].kind.section for group in groups]
    assert sections.index("isolation") < sections.index("fault handling") < sections.index("uplink")


def test_bars_have_one_scale_and_say_where_they_are_broken() -> None:
    within, full, beyond, far = draw_bars(
        [Fraction(1, 2), Fraction(1), Fraction(3, 2), Fraction(9)], 41, ascii_only=True
    )
    assert {bar.index("|") for bar in (within, full, beyond, far)} == {20}
    assert (within.count("#"), full.count("#"), beyond.count("#")) == (10, 20, 30)
    assert far.endswith(">")
    assert ">" not in within + full + beyond


def test_a_limit_that_is_just_exceeded_never_looks_met() -> None:
    (bar,) = draw_bars([Fraction(10_001, 10_000)], 20, ascii_only=True)
    assert bar.rstrip().endswith("|#")


if __name__ == "__main__":
    for name in NAMES:
        for width in WIDTHS:
            text = screen(loaded(name), width).replace(f"{CONFIGS}/", "configs/")
            kept(name, width).write_text(text, encoding="utf-8")
