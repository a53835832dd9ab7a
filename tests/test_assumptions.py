"""What the figures assume: nothing that a budget rests on is silent."""

from __future__ import annotations

from collections import Counter
from functools import reduce
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from chainplan.assumptions import ASSUMPTIONS, Assumption, assumptions_of
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import KINDS
from chainplan.figures.sections import SECTIONS
from chainplan.plan.load import load_plan
from chainplan.plan.model_words import slot_at
from chainplan.report.terminal import report_text

CONFIGS = Path(__file__).parents[1] / "configs"
EXAMPLES = sorted(CONFIGS.glob("*.yaml"))


@pytest.mark.parametrize("entry", ASSUMPTIONS, ids=lambda each: each.text[:40])
def test_none_is_silent_unless_a_key_or_the_simulation_says_it(entry: Assumption) -> None:
    assert entry.printed or entry.key or entry.simulated == "independently"
    assert entry.rests
    assert set(entry.rests) <= set(SECTIONS)
    if entry.key:
        assert slot_at(tuple(entry.key.split("."))) is not None


def test_every_section_with_figures_rests_on_some() -> None:
    rested = Counter(section for entry in ASSUMPTIONS for section in entry.rests)
    assert {kind.section for kind in KINDS} <= set(rested)


def test_no_sentence_stands_twice() -> None:
    assert len({entry.text for entry in ASSUMPTIONS}) == len(ASSUMPTIONS)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_report_holds_those_that_bear_on_its_plan_and_no_other(path: Path) -> None:
    loaded = load_plan(path)
    console = Console(width=200, file=StringIO(), color_system=None)
    text = " ".join(report_text(console, loaded, Evaluation(loaded.plan), ["assumptions"]).split())
    for entry in ASSUMPTIONS:
        assert (entry.text in text) is (entry.printed and entry.bears(loaded.plan)), entry.text


def test_some_bear_on_some_examples_only() -> None:
    sets = [set(assumptions_of(load_plan(path).plan)) for path in EXAMPLES]
    assert reduce(set.union, sets) != reduce(set.intersection, sets)
