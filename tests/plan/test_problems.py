import ast
import pickle
import sys
from difflib import SequenceMatcher
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from chainplan.plan import problems as problems_module
from chainplan.plan.problems import (
    Place,
    PlanError,
    Problem,
    Text,
    display_width,
    dotted,
    escape,
    nearest,
    place_in_line,
    render,
    render_all,
    shown,
    whole_file,
)


def excerpt(line: str, column: int, length: int) -> tuple[str, str]:
    """The two lines of a rendered problem that show the line of the file, without their gutter."""
    shown_line, carets = render(
        Problem("m", place_in_line("plan.yaml", 12, column, line, length))
    ).splitlines()[1:3]
    assert shown_line[:8].rstrip() == "   12 |"
    assert carets[:8] == "      | "
    return shown_line[8:], carets[8:]


def test_a_problem_is_rendered_with_its_line_its_caret_and_what_was_expected() -> None:
    place = place_in_line("plan.yaml", 12, 12, "    every: 10 ms", 5)
    problem = Problem(
        "a period is counted in scans",
        place,
        "tasks.cells.every",
        "10 ms",
        "a whole number of scans, such as 10",
        "10",
    )
    assert render(problem) == (
        "plan.yaml:12:12: error: `tasks.cells.every`: a period is counted in scans\n"
        "   12 |     every: 10 ms\n"
        "      |            ^^^^^\n"
        "   expected: a whole number of scans, such as 10\n"
        "   did you mean: 10"
    )


def test_a_problem_without_a_place_is_one_line() -> None:
    assert render(Problem("no plan", severity="warning")) == "warning: no plan"
    assert render(Problem("no plan", whole_file("p.yaml"))) == "p.yaml: error: no plan"


def test_a_value_is_named_where_the_line_does_not_show_it() -> None:
    place = place_in_line("p", 1, 4, "a: *shared", 7)
    assert "   found: 10 ms" in render(Problem("m", place, "a", "10 ms")).splitlines()
    assert "found" not in render(Problem("m", place, "a", "*shared"))
    assert "   found: 10 ms" in render(Problem("m", None, "a", "10 ms")).splitlines()
    long = place_in_line("p", 1, 4, "a: " + "x" * 100, 100)
    assert "found" not in render(Problem("m", long, "a", shown("x" * 100)))


def test_numbers_of_long_files_keep_the_gutters_in_line() -> None:
    lines = render(Problem("m", Place("p", 1234567, 1, "abc", 3))).splitlines()
    assert lines[1:] == ["1234567 | abc", "        | ^^^"]


@pytest.mark.parametrize(
    ("line", "column", "length", "text", "carets"),
    [
        ("a: bcd", 4, 3, "a: bcd", "   ^^^"),
        ("\ta:\tb", 5, 1, "    a:  b", "        ^"),
        ("a:\t\tb c", 3, 2, "a:      b c", "  ^^^^^^"),
        ("電池: 1", 5, 1, "電池: 1", "      ^"),
        ("a: 電池", 4, 2, "a: 電池", "   ^^^^"),
        ("e\u0301\u0301: x", 6, 1, "e\u0301\u0301: x", "   ^"),
        ("a: \x1b[31m", 4, 1, "a: \\x1b[31m", "   ^^^^"),
        ("\x1b: x", 4, 1, "\\x1b: x", "      ^"),
        ("a:", 3, 1, "a:", "  ^"),
        ("", 1, 1, "", "^"),
        ("abc", 9, 1, "abc", "   ^"),
        ("abc", 2, 99, "abc", " ^^"),
        ("abc", 2, -5, "abc", " ^"),
    ],
)
def test_the_caret_stands_under_the_text_it_marks(
    line: str, column: int, length: int, text: str, carets: str
) -> None:
    assert excerpt(line, column, length) == (text, carets)


def test_a_place_made_by_hand_needs_no_caret() -> None:
    assert render(Problem("m", Place("p", 1, 4, "a: b", 1))).splitlines()[2] == "      |    ^"
    assert render(Problem("m", Place("p", 1, 7, "a: b", 1))).splitlines()[2] == "      |       ^"


# Letters whose width is the same in every version of Unicode: Latin, combining marks, CJK, Hangul, full and
# half width forms, box drawing. The reference is the width table of rich (derived from the Unicode database).
LETTERS = st.characters(min_codepoint=0x20, max_codepoint=0x7E) | st.sampled_from(
    "äßµΩ±\u0301\u0308電池中文한국\u1161\uff21\uff76─│✓"
)


@given(st.text(LETTERS, max_size=60), st.integers(1, 61), st.integers(1, 61))
def test_carets_align_as_an_independent_width_table_says(line: str, column: int, length: int) -> None:
    column = min(column, len(line) + 1)
    text, carets = excerpt(line, column, length)
    assert text == line.rstrip()
    start, stop = column - 1, column - 1 + length
    assert len(carets) - carets.count("^") == cell_len(line[:start])
    assert carets.count("^") == max(1, cell_len(line[start:stop]))


def test_the_widths_are_those_of_unicode_annex_11() -> None:
    # UAX #11, table of the East_Asian_Width values: A 1 (ambiguous), F 2, H 1, N 1, Na 1, W 2.
    assert [display_width(letter) for letter in "±\uff21\uff76\u0430a電"] == [1, 2, 1, 1, 1, 2]
    assert display_width("e\u0301") == 1


@pytest.mark.parametrize("column", [1, 2, 100, 121, 150, 199, 200, 201, 202, 5000, 9800, 9999, 10000, 10001])
@pytest.mark.parametrize("length", [1, 30, 20000])
def test_long_lines_are_cut_around_the_place(column: int, length: int) -> None:
    line = "".join(chr(0x4E00 + number) for number in range(10_000))
    place = place_in_line("p", 3, column, line, length)
    assert (place.line, place.column) == (3, column)
    assert len(place.text) <= 202
    assert place.caret is not None
    if column <= 10_000:
        assert place.text[place.caret] == line[column - 1]
        marked = place.text[place.caret : place.caret + place.length].rstrip("…")
        wanted = line[column - 1 : column - 1 + length]
        assert wanted.startswith(marked)
        assert len(marked) >= min(len(wanted), 80)
    assert place.text.strip("…") in line
    assert place.text.startswith("…") == (place.text.strip("…")[0] != line[0])
    assert place.text.endswith("…") == (place.text.strip("…")[-1] != line[-1])


@given(st.text(max_size=500), st.integers(1, 600), st.integers(-5, 600))
def test_every_line_can_be_shown(line: str, column: int, length: int) -> None:
    place = place_in_line("p", 1, column, line.replace("\n", ""), length)
    assert len(place.text) <= 202
    assert place.caret is not None
    assert 0 <= place.caret <= len(place.text)
    assert place.length >= 1
    assert all(part.isprintable() for part in render(Problem("m", place)).split("\n"))


HOSTILE = "x\x1b[2J\x07\r\n\x00\u202e\u2028\x9b\ud800\ufeff\xa0y"
HARMLESS = r"x\x1b[2J\x07\r\n\x00\u202e\u2028\x9b\ud800\ufeff\xa0y"


def test_nothing_a_problem_holds_reaches_the_terminal_raw() -> None:
    assert escape(HOSTILE) == HARMLESS
    place = Place(HOSTILE, 1, 2, HOSTILE, 3)
    text = render(Problem(HOSTILE, place, HOSTILE, HOSTILE + "z", HOSTILE, HOSTILE))
    assert text.count("\n") == 5
    assert all(line.isprintable() for line in text.split("\n"))
    assert text.count(HARMLESS) == 7


@given(st.text())
def test_escaped_text_is_printable_and_ordinary_text_is_left_alone(text: str) -> None:
    assert escape(text).isprintable()
    if text.isprintable():
        assert escape(text) == text


def problem_at(line: int, column: int = 1, message: str = "m", file: str = "p.yaml") -> Problem:
    return Problem(message, Place(file, line, column, "x", 1))


def test_problems_are_sorted_by_place_and_said_once() -> None:
    problems = [
        problem_at(10),
        problem_at(9),
        problem_at(9, 3),
        problem_at(9),
        problem_at(1, file="b.yaml"),
        Problem("nowhere"),
        Problem("file", whole_file("p.yaml")),
    ]
    heads = [line for line in render_all(problems).split("\n") if ": error: " in line or "error:" in line[:6]]
    assert heads == [
        "error: nowhere",
        "b.yaml:1:1: error: m",
        "p.yaml: error: file",
        "p.yaml:9:1: error: m",
        "p.yaml:9:3: error: m",
        "p.yaml:10:1: error: m",
    ]


def test_only_a_limited_number_is_shown_and_the_rest_is_counted() -> None:
    problems = [problem_at(line) for line in range(1, 61)]
    text = render_all(problems)
    assert text.count("error: m") == 50
    assert "p.yaml:50:1:" in text
    assert "p.yaml:51:1:" not in text
    assert text.splitlines()[-1] == "and 10 more errors"
    assert "more" not in render_all(problems, limit=60)
    warning = Problem("w", Place("p.yaml", 70, 1, "x", 1), severity="warning")
    assert (
        render_all([*problems[:3], warning], limit=2).splitlines()[-1]
        == "and 1 more error and 1 more warning"
    )
    assert render_all([]) == ""


def test_a_plan_error_says_all_and_survives_a_process_boundary() -> None:
    error = PlanError([problem_at(2, message="second"), problem_at(1, message="first")])
    assert str(error).index("first") < str(error).index("second")
    again = pickle.loads(pickle.dumps(error))
    assert again.problems == error.problems
    assert str(again) == str(error)


@pytest.mark.parametrize(
    ("word", "choice"),
    [
        ("evry", "every"),
        ("Every", "every"),
        ("EVERY", "every"),
        ("read-style", "read_style"),
        ("barier", "barrier"),
        ("zzz", None),
        ("", None),
        ("e" * 10_000, None),
    ],
)
def test_the_nearest_word(word: str, choice: str | None) -> None:
    assert nearest(word, ["barrier", "every", "phase", "read_style", "x" * 10_000]) == choice


@given(st.text("abc", min_size=1, max_size=8), st.lists(st.text("abcABC", max_size=8), max_size=8))
def test_the_nearest_word_is_the_most_similar_one(word: str, choices: list[str]) -> None:
    found = nearest(word, iter(choices))
    ratios = [SequenceMatcher(None, choice.casefold(), word).ratio() for choice in choices]
    if found is None:
        assert not ratios or max(ratios) < 0.6
    else:
        assert found in choices
        assert SequenceMatcher(None, found.casefold(), word).ratio() == max(ratios)


def test_the_nearest_word_does_not_hang_on_a_huge_choice() -> None:
    assert nearest("every", (f"name_{number}" for number in range(10**9))) is None


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ((), ""),
        (("chains", "upper", "order", 2), "chains.upper.order[2]"),
        ((0, "a"), "[0].a"),
        (("a.b", "c d", ""), '"a.b"."c d".""'),
        (("Zellen-Ä_1",), "Zellen-Ä_1"),
        (("k" * 1000,), "k" * 80 + "…"),
    ],
)
def test_dotted_paths(path: tuple[str | int, ...], text: str) -> None:
    assert dotted(path) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "nothing"),
        (True, "true"),
        (False, "false"),
        (12, "12"),
        (0.5, "0.5"),
        ("10 ms", "10 ms"),
        ("", '""'),
        ("v" * 81, "v" * 80 + "…"),
        ({}, "a mapping of 0 keys"),
        ({"a": 1}, "a mapping of 1 key"),
        ([1, 2], "a list of 2 items"),
    ],
)
def test_values_are_shown_in_a_few_words(value: object, text: str) -> None:
    assert shown(value) == text


def test_lines_end_where_an_editor_ends_them() -> None:
    text = Text("p", "a\r\nb\rc\nd\u2028e\x0bf")
    assert text.lines == ["a", "b", "c", "d\u2028e\x0bf"]
    assert text.place((1, 0), (3, 2)) == Place("p", 2, 1, "b", 1, 0)
    assert text.place((9, 4), (9, 5)) == Place("p", 4, 6, "d\u2028e\x0bf", 1, 5)


def test_problems_need_no_library_at_start_up() -> None:
    tree = ast.parse(Path(problems_module.__file__).read_text(encoding="utf-8"))
    imported = {alias.name for node in tree.body if isinstance(node, ast.Import) for alias in node.names}
    imported |= {node.module or "" for node in tree.body if isinstance(node, ast.ImportFrom)}
    assert imported < set(sys.stdlib_module_names) | {"collections.abc", "__future__"}
    assert "difflib" not in imported
