"""The printout as HTML: what stands in it, that it is well formed, accessible, alone, the same twice."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from printout_pages import (
    CONFIGS,
    VERSION,
    altered_starter,
    evaluated,
    example,
    example_evaluated,
    example_page,
    example_root,
    long_plan,
    page,
    parsed,
    tables_of,
    text_of,
)

from chainplan.assumptions import assumptions_of
from chainplan.cautions import CAUTIONS
from chainplan.plan.load import load_plan, load_source
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER
from chainplan.printout import ink
from chainplan.printout.appendix import appendix, figures_of
from chainplan.printout.document import digest
from chainplan.printout.options import Options, PlanFile
from chainplan.report import figures
from chainplan.report.figures import STATUS_WORDS

EXAMPLES = sorted(path.stem for path in CONFIGS.glob("*.yaml"))

HOSTILE = "<script>alert(1)</script> </style><b>\"&' {{ 7*7 }}"


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_verdict_is_in_it_with_its_margin(name: str) -> None:
    tables = tables_of(example_root(name))
    rows = next(rows for titles, rows in tables if titles[:4] == ["verdict", "margin", "of limit", "target"])
    for verdict in example_evaluated(name).verdicts:
        found = [
            row
            for row in rows
            if row[0] == STATUS_WORDS[verdict.status]
            and row[1] == figures.margin(verdict)
            and row[2] == figures.margin_share(verdict)
            and row[3].startswith(f"{verdict.target}: ")
            and re.search(rf"(: |, ){re.escape(verdict.subject)}(,| |$)", row[3])
            and row[4] == figures.worst(verdict)
            and row[5] == figures.limit(verdict)
        ]
        assert found, verdict


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_figure_stands_in_the_appendix_or_is_said_to_be_left_out(name: str) -> None:
    text = text_of(example_root(name))
    written = set()
    for family in appendix(*figures_of(example_evaluated(name))).families:
        for entry in family.entries:
            assert entry.named in text
            written |= {*entry.names, *(f"{each}/typical" for each in entry.names if entry.typical)}
    rest = [each for each in example_evaluated(name).sums() if each not in written]
    assert len(written) > 20
    alike = re.findall(r"Isolation of ([^:]+): segment by segment as that of", text)
    chains = {chain for group in alike for chain in re.split(r", | and \d+ more", group) if chain}
    beyond = re.search(r"(\d+) figures more are not written out here", text)
    for each in rest:
        assert each.startswith(("isolation/", "transient/")) or beyond, each
        assert beyond or each.split("/")[1].partition("#")[0] in chains, each


@pytest.mark.parametrize("name", EXAMPLES)
def test_nothing_is_fetched_and_nothing_is_run(name: str) -> None:
    root = example_root(name)
    tags = {element.tag for element in root.iter() if isinstance(element.tag, str)}
    assert not tags & {"script", "link", "img", "iframe", "object", "embed", "base", "image", "use", "form"}
    for element in root.iter():
        for key, value in element.attrib.items():
            name_of_it = str(key).rpartition("}")[2]
            assert not name_of_it.startswith("on"), (key, value)
            if name_of_it in ("href", "src"):
                assert value.startswith("#"), value
    style = "".join(text_of(each) for each in root.iter("style"))
    assert "@import" not in style
    assert "url(" not in style
    outside = re.findall(r"https?://[^\"'\s<]+", example_page(name))
    assert set(outside) <= {"http://www.w3.org/2000/svg"}  # a name, never fetched (SVG 1.1, 1.3)


@pytest.mark.parametrize("name", EXAMPLES)
def test_structure_is_accessible(name: str) -> None:
    """WCAG 2.1, success criteria 1.1.1, 1.3.1, 2.4.2, 2.4.6 and 3.1.1."""
    root = example_root(name)
    assert root.get("lang") == "en"
    title = root.find("./head/title")
    assert title is not None
    assert example(name).plan.title in text_of(title)
    levels = [int(each.tag[1]) for each in root.iter() if re.fullmatch("h[1-6]", str(each.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels)), levels
    for table in root.iter("table"):
        heads = list(table.iter("th"))
        assert heads
        assert {each.get("scope") for each in heads} <= {"col", "row", "rowgroup"}
        columns = [each for each in heads if each.get("scope") == "col"]
        if "block" not in (table.get("class") or ""):
            assert columns
            assert all(map(text_of, columns)), [text_of(each) for each in columns]
    idents = [each.get("id") for each in root.iter() if each.get("id")]
    assert len(idents) == len(set(idents))
    for link in root.iter("a"):
        assert (link.get("href") or "")[1:] in idents
    drawings = [each for each in root.iter() if str(each.tag).rpartition("}")[2] == "svg"]
    assert drawings
    for drawing in drawings:
        assert drawing.get("role") == "img"
        children = {str(child.tag).rpartition("}")[2]: child for child in drawing}
        named = [children["title"].get("id"), children["desc"].get("id")]
        assert (drawing.get("aria-labelledby") or "").split() == named
        assert len(text_of(children["desc"])) > len(text_of(children["title"])) > 5


def luminance(colour: str) -> float:
    """Relative luminance as W3C's WCAG 2.1 defines it (www.w3.org/TR/WCAG21, "relative luminance")."""
    shares = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    linear = [each / 12.92 if each <= 0.03928 else ((each + 0.055) / 1.055) ** 2.4 for each in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.1 defines it."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_the_formula_itself() -> None:
    # WCAG 2.1, definition of contrast ratio: it ranges from 1 to 21. #767676 on white is widely quoted as the
    # lightest grey that passes 4.5 (4.54; from memory).
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_text_and_lines_have_contrast() -> None:
    """WCAG 2.1: 4.5 for text (1.4.3), 3 for graphics that carry meaning (1.4.11)."""
    for text, ground in ink.TEXT_PAIRS:
        assert contrast(text, ground) >= 4.5, (text, ground)
    for graphic, ground in ink.GRAPHIC_PAIRS:
        assert contrast(graphic, ground) >= 3, (graphic, ground)


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_colour_is_used_that_was_not_judged(name: str) -> None:
    known = {value for key, value in vars(ink).items() if key.isupper() and isinstance(value, str)}
    used = set(
        re.findall(r"(?<=[:\"\s])#[0-9a-fA-F]{3,8}\b(?![^<]*</h)", example_page(name).split("</style>")[0])
    )
    used |= set(re.findall(r"(?:fill|stroke)=\"(#[^\"]+)\"", example_page(name)))
    assert used <= known
    letters = set(re.findall(r"<text [^>]*fill=\"([^\"]+)\"", example_page(name)))
    assert letters <= {text for text, ground in ink.TEXT_PAIRS if ground == ink.PAPER}


def test_the_first_page_has_title_block_and_cautions() -> None:
    options = Options("A4", "2026-11-02", "P. Reparer", "C. Hecker", "A. Prover", (PlanFile("a", b"abc"),))
    html = page(example("rail-trolley"), options)
    first = text_of(parsed(html)).split(" 1 Targets ")[0]
    plan = example("rail-trolley").plan
    for word in (
        plan.title,
        f"Revision {plan.revision}",
        "2026-11-02",
        "P. Reparer",
        "C. Hecker",
        "A. Prover",
    ):
        assert word in first, word
    assert f"chainplan {VERSION}" in first
    # SHA-256 of "abc": the example of FIPS 180-4 (its published test vector).
    assert "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" in first
    for caution in CAUTIONS:
        assert " ".join(caution.split()) in first


def test_the_plan_is_hashed_over_all_its_files_one_after_another() -> None:
    files = (PlanFile("a", b"a"), PlanFile("b", b"bc"))
    assert digest(files).startswith("ba7816bf8f01cfea")  # as above
    assert digest(()) == ""


def test_the_plans_own_date_stands_where_no_other_is_asked_for() -> None:
    assert "2026-03-02" in text_of(example_root("rail-trolley")).split("Cautions")[0]
    assert "not dated" not in example_page("rail-trolley")
    undated = altered_starter({"date: 2026-01-01\n": ""})
    assert "not dated" in page(undated)


def test_assumptions_formulas_and_sources_are_in_it() -> None:
    text = text_of(example_root("harbour-ferry"))
    for sentence in assumptions_of(load_plan(CONFIGS / "harbour-ferry.yaml").plan):
        assert " ".join(sentence.split()) in text
    trolley = text_of(example_root("rail-trolley"))
    for figure in example_evaluated("rail-trolley").sums().values():
        made = figure()
        assert " ".join(made.source.split()) in trolley
        assert " ".join(made.formula.split()) in trolley


def test_words_of_the_plan_stay_text() -> None:
    quoted = "'" + HOSTILE.replace("'", "''") + "'"
    loaded = altered_starter({"title: Starter plan": f"title: {quoted}", "  line:\n": '  <b>&"<script>:\n'})
    html = page(loaded, Options(date=HOSTILE, prepared=HOSTILE, files=(PlanFile(HOSTILE, b""),)))
    root = parsed(html)
    assert not list(root.iter("script"))
    assert not list(root.iter("b"))
    (heading,) = root.iter("h1")
    assert text_of(heading) == HOSTILE
    assert text_of(root).count(HOSTILE) > 3
    assert text_of(root).count('<b>&"<script>') > 5


def test_a_control_sign_is_shown_and_not_sent() -> None:
    html = page(example("rail-trolley"), Options(prepared="bell \a and turn \u202e about"))
    assert "bell \\x07 and turn \\u202e about" in text_of(parsed(html))
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202e]", html)


def test_the_same_plan_gives_the_same_page() -> None:
    assert page(example("rail-trolley")) == example_page("rail-trolley")


def test_a_missed_plan_says_so_at_the_top() -> None:
    first = text_of(example_root("mine-locomotive")).split(" 1 Targets ")[0]
    assert "This layout misses targets in the worst case." in first


def test_letter_and_a4() -> None:
    assert re.search(r"@page \{\s*size: A4;", example_page("rail-trolley"))
    assert re.search(r"@page \{\s*size: Letter;", page(example("rail-trolley"), Options("Letter")))


def test_what_was_set_from_outside_stands_in_the_title_block() -> None:
    loaded = load_plan(CONFIGS / "rail-trolley.yaml", ["controllers.trolley.scan_period=90 ms"])
    first = text_of(parsed(page(loaded))).split("Cautions")[0]
    assert "Altered controllers.trolley.scan_period = 90 ms (instead of: " in first


def test_a_long_plan_stays_short() -> None:
    html = page(long_plan(400))
    root = parsed(html)
    assert len(html) < 400_000
    assert "195 nodes alike" in text_of(root)
    assert "figures more are not written out here; the command explain writes each of them" in text_of(root)


def test_the_figures_of_targets_are_written_out_however_long_the_plan() -> None:
    loaded = long_plan(300)
    evaluation = evaluated(loaded)
    written, _, beyond = figures_of(evaluation)
    cited = {verdict.figure for verdict in evaluation.verdicts if verdict.figure}
    assert len(written) + len(beyond) == len(evaluation.sums()) > 600
    assert len(written) < 200
    assert cited & set(evaluation.sums()) <= set(written)


def test_a_plan_without_targets_prints() -> None:
    start = STARTER.index("\ntargets:")
    loaded = load_source(parse_source(STARTER[:start] + "\n", "bare.yaml"), CONFIGS)
    assert not loaded.plan.targets.model_fields_set
    assert "Cautions" in text_of(parsed(page(loaded)))
