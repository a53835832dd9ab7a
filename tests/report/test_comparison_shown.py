"""A comparison as it is shown: on screens of any width, as data of one shape, as Markdown."""

from __future__ import annotations

import io
import json
import re
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import jsonschema
import pytest
from markdown_it import MarkdownIt
from plan_texts import FULL, changed, load_text
from rich.console import Console
from written_results import verdicts

from chainplan.cautions import CAUTIONS
from chainplan.comparison.whole import Comparison, compare
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.plan.problems import display_width
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import TIME
from chainplan.report import comparison as screen
from chainplan.report.comparison import comparison_text
from chainplan.report.comparison_data import comparison_data, comparison_json, comparison_schema
from chainplan.report.comparison_markdown import comparison_markdown
from chainplan.report.comparison_words import groups, in_one_unit, share_text
from chainplan.report.data import plan_data
from chainplan.report.figures import STATUS_WORDS, amount

CONFIGS = Path(__file__).parents[2] / "configs"
TROLLEY, LOCOMOTIVE, CONTAINER = (
    CONFIGS / f"{name}.yaml" for name in ("rail-trolley", "mine-locomotive", "storage-container")
)


def compared(*plans: tuple[Path, tuple[str, ...]]) -> Comparison:
    loaded = [load_plan(path, values) for path, values in plans]
    return compare(loaded, [Evaluation(each.plan) for each in loaded])


@lru_cache
def slower() -> Comparison:
    return compared((TROLLEY, ()), (TROLLEY, ("protocols.sequential-pair.bit_rate='250 kbit/s'",)))


@lru_cache
def three() -> Comparison:
    return compared((TROLLEY, ()), (LOCOMOTIVE, ()), (CONTAINER, ()))


def text(comparison: Comparison, width: int = 80, *, everything: bool = False) -> str:
    return comparison_text(Console(width=width, file=io.StringIO()), comparison, everything=everything)


# On the screen.


@pytest.mark.parametrize("width", [72, 80, 120])
def test_no_line_is_wider_than_the_screen(width: int) -> None:
    for comparison in (slower(), three()):
        shown = text(comparison, width, everything=True)
        assert max(map(display_width, shown.splitlines())) <= width
        assert "\x1b" not in shown


def test_the_answer_comes_first_and_the_cautions_are_there() -> None:
    shown = text(slower())
    assert shown.index("B against A: WORSE.") < shown.index("PLAN  1 change from A to B")
    assert (
        shown.index("PLAN  1 change")
        < shown.index("TARGETS")
        < shown.index("FIGURES")
        < shown.index("CAUTIONS")
    )
    flat = " ".join(shown.split())
    assert all(caution in flat for caution in CAUTIONS)


def test_each_change_has_both_values_and_both_places() -> None:
    shown = " ".join(text(slower(), 200).split())
    key = "protocols.sequential-pair.bit_rate"
    assert re.search(
        rf"changed {key} \(used by chains.line\) A 2 Mbit/s ± 1 % \(\S+parts.yaml:\d+\) B 250 kbit/s", shown
    )


def test_figures_of_a_row_are_those_of_the_verdicts() -> None:
    shown = text(slower(), 120).splitlines()
    at = next(
        number for number, line in enumerate(shown) if line.startswith("scan time: trolley; limit ≤ 80 ms")
    )
    first, second = (shown[number].split() for number in (at + 1, at + 2))
    before, after = (
        next(each for each in evaluation.verdicts if each.target == "scan time")
        for evaluation in slower().evaluations
    )
    assert (first[0], " ".join(first[1:3])) == ("A", STATUS_WORDS[before.status])
    assert (second[0], " ".join(second[1:3])) == ("B", STATUS_WORDS[after.status])
    assert before.value is not None
    assert after.value is not None
    change = (after.value - before.value) / 1e12
    assert float(second[5]) == pytest.approx(change, rel=1e-3)
    assert float(second[7]) == pytest.approx(100 * (after.value - before.value) / before.value, rel=1e-3)


def test_what_stays_the_same_is_counted_or_shown() -> None:
    few, whole = text(slower()), text(slower(), everything=True)
    assert re.search(r"\d+ targets the same in all plans, 0 of them missed \(--all shows them\)", few)
    assert "The same in all plans" in whole
    assert len(whole) > len(few)


def test_nothing_differs_is_said() -> None:
    shown = text(compared((TROLLEY, ()), (TROLLEY, ())))
    assert "B against A: nothing differs." in shown
    assert "PLAN" not in shown
    assert "TARGETS" not in shown
    assert "FIGURES" not in shown


def test_long_lists_are_cut_and_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("MOST_CHANGES", "MOST_TARGETS", "MOST_FIGURES"):
        monkeypatch.setattr(screen, name, 2)
    shown = text(three())
    for thing in ("changes", "targets", "figures"):
        assert re.search(rf"and \d+ more {thing}, which the data has", shown), thing


def test_ascii_screens_get_ascii() -> None:
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    assert comparison_text(Console(width=80, file=stream), three()).isascii()


def test_alike_targets_stand_together_and_each_once() -> None:
    found = groups(three())
    assert sum(group.targets for group in found) == len(three().targets)


def test_control_characters_of_a_plan_never_reach_the_screen() -> None:
    plans = [load_text(text) for text in (FULL, FULL.replace("note: invented", 'note: "a\\nb"', 1))]
    shown = text(compare(plans, [Evaluation(each.plan) for each in plans]))
    assert "a\\nb" in shown


# As data.


def test_the_data_has_the_shape_of_its_schema() -> None:
    for comparison in (slower(), three()):
        jsonschema.validate(comparison_data(comparison, "1.2.3"), comparison_schema())
    rarer = compared((TROLLEY, ()), (TROLLEY, ("tasks.balancing.every=20",)))
    document = json.loads(comparison_json(rarer, "1.2.3"))
    assert document["against_reference"][0]["figures"]
    jsonschema.Draft202012Validator.check_schema(comparison_schema())
    jsonschema.validate(document, comparison_schema())
    assert document["cautions"] == list(CAUTIONS)
    document["targets"] = [document["targets"][0]]
    document["targets"][0]["plans"][0]["worst_ms"] = 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, comparison_schema())


def test_the_data_says_of_each_plan_what_its_own_data_says() -> None:
    document = comparison_data(three(), "1")
    for number, (loaded, evaluation) in enumerate(zip(three().plans, three().evaluations, strict=True)):
        results = plan_data(loaded, evaluation, "1")
        own = {(each["name"], ", ".join(each["subject"].values())): each for each in verdicts(results)}
        found = {
            (row["target"], row["subject"]): row["plans"][number]
            for row in document["targets"]
            if row["plans"][number] is not None
        }
        assert set(found) == set(own)
        for key, verdict in found.items():
            same = {name: value for name, value in own[key].items() if name in verdict}
            assert {name: verdict[name] for name in same} == same
            assert {"status", "worst", "unit", "margin_share"} <= set(same)
        assert document["plans"][number]["counts"] == results["counts"]


def test_the_same_comparison_gives_the_same_bytes() -> None:
    first, second = (comparison_json(compared((TROLLEY, ()), (LOCOMOTIVE, ())), "1") for _ in range(2))
    assert first == second
    assert first.isascii()


# As Markdown.


def test_markdown_has_its_tables_and_nothing_of_a_plan_is_markup() -> None:
    edits = (("title: Every key of the schema", "title: '| *bold* <b> [x](y)'"), ("every: 10,", "every: 20,"))
    plans = [load_text(FULL), load_text(changed(*edits))]
    written = comparison_markdown(compare(plans, [Evaluation(each.plan) for each in plans]))
    tokens = MarkdownIt("commonmark").enable("table").parse(written)
    heads = sum(token.type == "table_open" for token in tokens)
    assert heads == 3
    inline = [child for token in tokens if token.type == "inline" for child in token.children or ()]
    assert not {child.type for child in inline} & {"em_open", "html_inline", "link_open"}
    assert any("| *bold* <b> [x](y)" in child.content for child in inline)


def test_markdown_rows_have_as_many_cells_as_their_heads() -> None:
    tables = re.findall(r"(?:^\|.*\n)+", comparison_markdown(three()), flags=re.MULTILINE)
    assert len(tables) >= 3
    for table in tables:
        assert len({len(re.findall(r"(?<!\\)\|", row)) for row in table.splitlines()}) == 1


@pytest.mark.parametrize(
    ("share", "shown"),
    [((1, 4), "+25 %"), ((-1, 3), "-33.3 %"), ((1, 9999), "+<0.1 %"), ((-1, 9999), "-<0.1 %")],
)
def test_shares(share: tuple[int, int], shown: str) -> None:
    assert share_text(Fraction(*share)) == shown


@pytest.mark.parametrize(
    ("figures", "shown"),
    [
        (("40 s", "2 h"), ["40 s", "7200 s"]),
        (("40 ms", "2 h"), ["0.04 s", "7200 s"]),
        (("1 us", "9 h"), ["0.000001 s", "32400 s"]),
        (("1 ms", "300 h"), ["0.0000002778 h", "300 h"]),
        (("0 s", "3 ms", "4 s"), ["0 ms", "3 ms", "4000 ms"]),
        (("3 ms", "4 ms"), ["3 ms", "4 ms"]),
    ],
)
def test_figures_of_a_row_stand_in_one_unit(figures: tuple[str, ...], shown: list[str]) -> None:
    ticks = [parse_quantity(each, TIME).typical for each in figures]
    dimension = in_one_unit([None, *ticks], TIME)
    assert [amount(each, dimension) for each in ticks] == shown


def test_a_target_that_grows_from_milliseconds_to_seconds_keeps_its_unit() -> None:
    slow = ("tasks.temperatures.every=100",)
    rows = [each for each in groups(compared((TROLLEY, ()), (TROLLEY, slow))) if "temperatures" in each.title]
    assert rows
    for row in rows:
        shown = [line.worst for line in row.lines] + [row.limit]
        assert len({each.rpartition(" ")[2] for each in shown}) == 1, row
