"""The Markdown summary as a CommonMark reader with tables sees it (markdown-it, a general library)."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_figures import made_up
from markdown_it import MarkdownIt
from markdown_it.token import Token

import chainplan
from chainplan.cautions import CAUTIONS
from chainplan.plan.problems import escape
from chainplan.quantity import TIME
from chainplan.report.checked import CheckedPlan
from chainplan.report.figures import limit, margin, margin_share, worst
from chainplan.report.markdown import HEADINGS, markdown_text

CONFIGS = Path(__file__).parents[2] / "configs"
READER = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])


@cache
def checked(name: str) -> CheckedPlan:
    loaded = chainplan.load(CONFIGS / f"{name}.yaml")
    return CheckedPlan(
        f"{name}.yaml", loaded.plan.title, "A", (), chainplan.evaluate(loaded.plan).verdicts, "", "", 0.1
    )


def shown(inline: Token) -> str:
    """Return what a reader sees of inline text; fails where a name became markup."""
    kinds = {child.type for child in inline.children or ()}
    assert kinds <= {"text", "text_special", "softbreak", "hardbreak"}, (inline.content, kinds)
    return "".join(child.content if "break" not in child.type else "\n" for child in inline.children or ())


def inlines(text: str, opening: str) -> list[str]:
    tokens = READER.parse(text)
    return [shown(tokens[index + 1]) for index, token in enumerate(tokens) if token.type == opening]


def rows(text: str) -> list[list[str]]:
    cells = inlines(text, "td_open")
    return [cells[start : start + len(HEADINGS)] for start in range(0, len(cells), len(HEADINGS))]


def test_the_table_holds_every_target_missed_first() -> None:
    plan = checked("mine-locomotive")
    text = markdown_text([plan])
    assert inlines(text, "th_open") == list(HEADINGS)
    found = rows(text)
    order = {"missed": 0, "not checked": 1, "met": 2}
    wanted = sorted(plan.verdicts, key=lambda verdict: order[verdict.status])
    assert len(found) == len(wanted)
    for row, verdict in zip(found, wanted, strict=True):
        assert verdict.status.casefold() in row[0].casefold()
        assert row[1:3] == [verdict.target, verdict.subject]
        assert row[3:7] == [worst(verdict), limit(verdict), margin(verdict), margin_share(verdict)]
        assert verdict.where in row[7]


def test_it_ends_with_the_cautions() -> None:
    last = inlines(markdown_text([checked("rail-trolley")]), "paragraph_open")[-1]
    assert last.split("\n") == list(CAUTIONS)


def test_a_plan_that_cannot_be_used_is_shown_with_its_problems() -> None:
    problems = "x.yaml:1:4: error: `a|b` ```` <script>\n   ^"
    text = markdown_text([CheckedPlan("x.yaml", "", "", (), (), "", problems, 0.1), checked("rail-trolley")])
    assert inlines(text, "heading_open")[0] == "x.yaml: cannot be used"
    fences = [token.content for token in READER.parse(text) if token.type == "fence"]
    assert fences == [problems + "\n"]


ODD = (
    "a|b",
    "<b>x</b>",
    "[x](y)",
    "![x](y)",
    "`a`",
    "*a* _b_",
    "a\\|b",
    "&amp;",
    "- x",
    "# x",
    "~~x~~",
    "1. x",
)


@pytest.mark.parametrize("name", ODD)
def test_names_are_shown_as_they_are(name: str) -> None:
    check_name(name)


@settings(max_examples=60)
@given(name=st.text("ab|\\`*_[]<>&#!-+~$:/()\n {}.1=", min_size=1, max_size=20).map(str.strip).filter(bool))
def test_any_name_is_shown_as_it_is(name: str) -> None:
    check_name(name)


def check_name(name: str) -> None:
    verdict = made_up(name, name, 3, "below", 2, TIME, name, where=name)
    text = markdown_text([CheckedPlan(name, name, name, (name,), (verdict,), f"warning: {name}", "", 0.1)])
    safe = escape(name)
    assert inlines(text, "heading_open") == [f"{safe}: MISSED: 1 of 1 target missed"]
    ((_, target, subject, *_, where),) = rows(text)
    assert (target, subject, where) == (safe, safe, safe)
    assert inlines(text, "paragraph_open")[1] == f"Set: {safe}"
    assert inlines(text, "paragraph_open")[0].endswith(f"plan: {safe}, revision {safe}")
