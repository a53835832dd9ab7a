import math
from typing import Any

import pytest
import yaml

from chainplan.plan import yaml_nodes
from chainplan.plan.problems import Place, PlanError, Problem
from chainplan.plan.source import parse_source
from chainplan.plan.yaml_nodes import MAX_DEPTH, MAX_NODES, MAX_PROBLEMS

pytestmark = pytest.mark.usefixtures("yaml_parser")


def data(text: str) -> dict[str | int, Any]:
    return parse_source(text, "plan.yaml").data


def problems(text: str) -> list[Problem]:
    with pytest.raises(PlanError) as caught:
        parse_source(text, "plan.yaml")
    return list(caught.value.problems)


def problem(text: str) -> Problem:
    (only,) = problems(text)
    return only


def at(found: Problem) -> tuple[int, int]:
    assert found.place is not None
    return found.place.line, found.place.column


def marked(place: Place | None) -> str:
    assert place is not None
    assert place.caret is not None
    return place.text[place.caret : place.caret + place.length]


# YAML 1.2.2, 10.3.2, example 10.9 "Core Tag Resolution", from memory, without its infinite numbers.
CORE_EXAMPLE = """\
A null: null
Also a null: # Empty
Not a null: ""
Booleans: [ true, True, false, FALSE ]
Integers: [ 0, 0o7, 0x3A, -19 ]
Floats: [
  0., -0.0, .5, +12e03, -2E+05 ]
"""


def test_the_core_schema_example_of_the_standard() -> None:
    assert data(CORE_EXAMPLE) == {
        "A null": None,
        "Also a null": None,
        "Not a null": "",
        "Booleans": [True, True, False, False],
        "Integers": [0, 7, 58, -19],
        "Floats": [0.0, -0.0, 0.5, 12000.0, -200000.0],
    }


# YAML 1.2.2, 10.3.2, the table of regular expressions and tags, from memory: what matches none is a str.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        *[(text, None) for text in ("null", "Null", "NULL", "~", "")],
        *[(text, True) for text in ("true", "True", "TRUE")],
        *[(text, False) for text in ("false", "False", "FALSE")],
        *[("010", 10), ("+12", 12), ("-0", 0), ("0", 0), ("00", 0), ("9" * 30, int("9" * 30))],
        *[("0o17", 15), ("0x1f", 31), ("0xFF", 255)],
        *[("1e3", 1000.0), (".5", 0.5), ("-.5", -0.5), ("1.", 1.0), ("+1.5E-2", 0.015), ("1e-320", 1e-320)],
        *[("0e999", 0.0), ("-0.0e-999", 0.0), ("1.7976931348623157e308", 1.7976931348623157e308)],
        *[
            (text, text)
            for text in (
                *("no", "No", "NO", "yes", "on", "off", "y", "n", "nULL", "tRUE", "TrUe", "none", "None"),
                *("12:30", "12:30:45", "190:20:30", "2026-01-15", "2026-01-15T12:30:00Z"),
                *("1_000", "0b11", "0O17", "0X1F", "-0x1F", "+0o7", "0o8", "0xG", "0o", "0x", "017L"),
                *(".", "+", "..5", "1.2.3", "e3", "1e", "1e+", ".e3", "--1", "1-"),
                *("inf", "nan", "Infinity", "NaN", ".iNF", ".nAn", "+.nan", "-.NaN"),
                *("10 ms", "2 Mbit/s ± 1 %", "٣", "１２", "null and void", "<<", "=", "~x", "a#b"),
            )
        ],
    ],
)
def test_plain_scalars_follow_the_core_schema(text: str, value: object) -> None:
    found = data(f"a: {text}\nb: [{text}]\n")
    for read in (found["a"], *found["b"]):
        assert read == value
        assert type(read) is type(value)


@pytest.mark.parametrize("text", ["null", "~", "", "true", "12", "0x1F", "1e3", ".inf", "<<", "-", "9" * 40])
def test_quoted_and_block_scalars_are_texts(text: str) -> None:
    assert data(f"a: '{text}'\nb: \"{text}\"\n") == {"a": text, "b": text}
    if text:
        assert data(f"a: |-\n  {text}\nb: >-\n  {text}\n") == {"a": text, "b": text}


def test_minus_zero_keeps_its_sign() -> None:
    assert math.copysign(1, data("a: -0.0")["a"]) == -1


@pytest.mark.parametrize(
    "text", [".inf", ".Inf", ".INF", "-.inf", "+.INF", ".nan", ".NaN", ".NAN", "1e999", "-1e400"]
)
def test_numbers_that_are_not_finite_are_refused(text: str) -> None:
    found = problem(f"tasks:\n  cells: {text}\n")
    assert "not a finite number" in found.message
    assert at(found) == (2, 10)
    assert marked(found.place) == text
    assert found.key == "tasks.cells"


def test_numbers_a_plan_cannot_hold_are_refused() -> None:
    found = problems(
        f"a: {'1' * 31}\nb: -{'1' * 31}\nc: 0x{'f' * 30}\nd: 1e-400\ne: {'1' * 100_000}\n{'9' * 31}: f\n"
    )
    assert ["too long" in each.message for each in found] == [True, True, True, False, True, True]
    assert "too close to zero" in found[3].message
    assert [at(each)[0] for each in found] == [1, 2, 3, 4, 5, 6]


def test_keys_are_texts_or_whole_numbers() -> None:
    assert data("no: 1\non: 2\n3: x\n0x10: y\n'3': z\n'true': w\n? q\n: v\n") == {
        "no": 1,
        "on": 2,
        3: "x",
        16: "y",
        "3": "z",
        "true": "w",
        "q": "v",
    }


@pytest.mark.parametrize("key", ["true", "False", "null", "~", "1.5", "1e3", "[a, b]", "{a: b}"])
def test_other_keys_are_refused(key: str) -> None:
    found = problem(f"top:\n  {key}: 1\n")
    assert found.message == "a key must be a text or a whole number"
    assert at(found) == (2, 3)
    assert found.key == "top"


def test_block_collections_as_keys_are_refused() -> None:
    assert at(problem("? - a\n  - b\n: c\n")) == (1, 3)
    assert at(problem("? a: b\n: c\n")) == (1, 3)
    assert at(problem("a: {? [x] : y}\n")) == (1, 7)


def test_every_key_given_twice_is_reported_with_both_lines() -> None:
    found = problems("a: 1\nb:\n  c: 1\n  d: 2\n  c: 3\na: 2\ne: [{x: 1, x: 2}]\na: 3\n")
    assert [(at(each), each.key) for each in found] == [
        ((5, 3), "b.c"),
        ((6, 1), "a"),
        ((7, 12), "e[0].x"),
        ((8, 1), "a"),
    ]
    assert ["in line 3" in found[0].message, "in line 1" in found[1].message] == [True, True]
    assert ["in line 7" in found[2].message, "in line 1" in found[3].message] == [True, True]


@pytest.mark.parametrize(
    "pair", ["a: 1\n'a': 2", "1: x\n0x1: y", "10: x\n010: y", '"\\x61": 1\na: 2', "&x k: 1\n*x : 2"]
)
def test_keys_that_are_spelt_differently_can_be_the_same(pair: str) -> None:
    assert "twice" in problem(pair + "\n").message


def test_a_number_and_the_same_text_are_different_keys() -> None:
    assert data("1: a\n'1': b\n") == {1: "a", "1": "b"}


def test_merge_keys_are_refused() -> None:
    found = problem("base: &b {x: 1}\nboard:\n  <<: *b\n  y: 2\n")
    assert "merge" in found.message
    assert at(found) == (3, 3)
    assert data("'<<': 1\nb: <<\n") == {"<<": 1, "b": "<<"}


@pytest.mark.parametrize(
    "value",
    [
        "!foo x",
        "!!python/object:os.system x",
        "!!str 12",
        "! 12",
        "!foo [1]",
        "!!map {a: 1}",
        "!foo",
        "! ''",
        "!<x> y",
        "&a !foo x",
        "! {a: 1}",
    ],
)
def test_tags_are_refused(value: str) -> None:
    found = problem(f"a: 1\nb: {value}\n")
    assert "tags" in found.message
    assert at(found) == (2, 4)


def test_tag_handles_and_tag_directives_are_refused() -> None:
    assert at(problem("a: !foo!bar x\n")) == (1, 4)
    assert at(problem("%TAG ! tag:example.com,2000:\n---\na: 1\n")) == (1, 1)
    # Every further line of this costs the parser a look at all lines before it.
    assert len(problems("%YAML 1.2\n" + "".join(f"%TAG !a{n}! x\n" for n in range(100_000)))) == MAX_PROBLEMS


def test_several_documents_are_refused() -> None:
    assert data("---\na: 1\n...\n") == {"a": 1}
    assert data("%YAML 1.2\n---\na: 1\n") == {"a": 1}
    for text in ("a: 1\n---\nb: 2\n", "a: 1\n---\n", "a: 1\n...\n---\n- x\n"):
        found = problem(text)
        assert "second document" in found.message
        assert marked(found.place) == "---"


@pytest.mark.parametrize("text", ["", "\n\n", "   \n", "# only a comment\n", "\ufeff", "\ufeff# x"])
def test_an_empty_plan_is_refused(text: str) -> None:
    found = problem(text)
    assert "empty" in found.message
    assert at(found) == (0, 0)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("- a\n- b\n", "a list of 2 items"),
        ("plan", "plan"),
        ("12", "12"),
        ("---\n", "nothing"),
        ("~", "nothing"),
        ("''", '""'),
    ],
)
def test_the_top_must_be_a_mapping(text: str, value: str) -> None:
    found = problem(text)
    assert found.message == "a plan is a mapping"
    assert found.value == value
    assert at(found) in {(1, 1), (2, 1), (1, 4)}


def test_an_alias_stands_for_a_copy() -> None:
    found = data("a: &x {k: [1, 2]}\nb: *x\nc: [*x, *x]\n&key d: &s 5\ne: *s\nf: *key\n")
    copy = {"k": [1, 2]}
    assert found == {"a": copy, "b": copy, "c": [copy, copy], "d": 5, "e": 5, "f": "d"}
    found["b"]["k"].append(3)
    assert [found["a"], *found["c"]] == [copy, copy, copy]


def test_the_last_anchor_of_a_name_counts() -> None:
    assert data("a: &x 1\nb: *x\nc: &x 2\nd: *x\n") == {"a": 1, "b": 1, "c": 2, "d": 2}
    assert data("a: &x [&x 1, *x]\nb: *x\n") == {"a": [1, 1], "b": 1}


def test_an_alias_without_an_anchor_is_refused() -> None:
    found = problems("a: &upper 1\nb: *uper\nc: *lower\n*nowhere : 1\nlower: &lower 2\n")
    assert [at(each) for each in found] == [(2, 4), (3, 4), (4, 1)]
    assert [each.nearest for each in found] == ["upper", None, None]


@pytest.mark.parametrize("text", ["a: &x [*x]\n", "a: &x {k: *x}\n", "&x a: &x {k: [[*x]]}\n", "&x\na: *x\n"])
def test_an_alias_of_itself_is_refused(text: str) -> None:
    assert "stands for the value it stands in" in problem(text).message


def test_an_alias_bomb_is_refused_without_being_expanded() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 30)]
    found = problem("\n".join(lines))
    assert f"more than {MAX_NODES} values" in found.message
    # Line n holds 1 + 10 times the values of the line above: 11, 111, ..., 11111 in line 4, 111111 in line 5.
    # Lines 1 to 5 hold 123450 in all; the tenth part of line 6 is too much.
    assert at(found)[0] == 6


def test_the_number_of_values_is_counted_with_aliases(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(yaml_nodes, "MAX_NODES", 20)
    # Top mapping, key and list: 3; so 17 items are the most.
    assert len(data(f"a: [{'1, ' * 17}]")["a"]) == 17
    assert "more than 20 values" in problem(f"a: [{'1, ' * 18}]").message
    # Top mapping, key, list with 2 items, key, list: 7 and 3 for each alias.
    assert len(data(f"a: &x [1, 2]\nb: [{'*x, ' * 4}]")["b"]) == 4
    assert "more than 20 values" in problem(f"a: &x [1, 2]\nb: [{'*x, ' * 5}]").message


@pytest.mark.parametrize(("opening", "closing"), [("[", "]"), ("{a: ", "}")])
def test_nesting_is_bounded(opening: str, closing: str) -> None:
    deepest = f"a: {opening * (MAX_DEPTH - 1)}{closing * (MAX_DEPTH - 1)}\n"
    assert "a" in data(deepest)
    found = problem(f"a: {opening * MAX_DEPTH}{closing * MAX_DEPTH}\n")
    assert f"more than {MAX_DEPTH} deep" in found.message
    assert at(found) == (1, 4 + len(opening) * (MAX_DEPTH - 1))


@pytest.mark.parametrize("unit", ["[", "{", "- ", "? ", "[{", "{a: ", "- ? ", "!x [", "&a ["])
def test_very_deep_nesting_is_refused_at_once(unit: str) -> None:
    assert f"more than {MAX_DEPTH} deep" in problems(unit * 100_000)[-1].message


def test_very_deep_indentation_is_refused() -> None:
    found = problem("\n".join(" " * depth + "a:" for depth in range(1000)))
    assert f"more than {MAX_DEPTH} deep" in found.message
    assert at(found) == (MAX_DEPTH + 1, MAX_DEPTH + 1)


def test_nesting_is_bounded_with_aliases() -> None:
    lines = ["a0: &a0 [x]", *(f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, 100))]
    assert f"more than {MAX_DEPTH} deep" in problem("\n".join(lines)).message
    assert data("\n".join(lines[: MAX_DEPTH - 1]))


@pytest.mark.parametrize(
    ("text", "place", "message", "expected"),
    [
        ("a: [1, 2\nb: 3\n", (2, 2), "`[ ]` is not closed", "`,` or `]`"),
        ("a: [pack-{n}.1..4]\n", (1, 5), "`{n}` needs quotes", '"pack-{n}.1..4"'),
        ("a: {head: m:{n}, b: 1}\n", (1, 11), "`{n}` needs quotes", '"m:{n}"'),
        ("a: {n}:1\n", (1, 4), "`{n}` needs quotes", '"{n}:1"'),
        ("a: 1\nb: [1, 2", (2, 4), "`[ ]` is not closed", "`,` or `]`"),
        ("a: {b: 1\n\n\n", (1, 4), "`{ }` is not closed", "`,` or `}`"),
        ("a: {b: [\n", (1, 8), "`[ ]` is not closed", "`,` or `]`"),
        ("a: {b: [1], c: \n", (1, 4), "`{ }` is not closed", "`,` or `}`"),
        ("a: ['x\n", (1, 5), "quotes is not closed", "closing quote"),
        ("ä: 'x\nb: 2\n", (1, 4), "quotes is not closed", "closing quote"),
        ('a: "x\n', (1, 4), "quotes is not closed", "closing quote"),
        ("a: b: c\n", (1, 5), "`:` cannot stand here", "quotes"),
        ("a: 1\nbc\nd: 2\n", (2, 1), "no `key: value` line", "`key: value`"),
        ("a:\n  b: 1\n c: 2\n", (3, 2), "does not fit the lines above it (see also line 1)", "indent"),
        ("a: 1\n- b\n", (2, 1), "does not fit", "indent"),
        ("- a\nb: 1\n", (2, 1), "does not fit", "indent"),
        ("a: @x\n", (1, 4), "cannot begin a value", "quotes"),
        ("a: `x`\n", (1, 4), "cannot begin a value", "quotes"),
        ("a: 1\nb: %x\n", (2, 4), "cannot begin a value", "quotes"),
        ("a: *\n", (1, 4), "`*` or `&` stands without a name", "quotes"),
        ("a: - x\n", (1, 4), "list item cannot stand here", "line of its own"),
        ("a: [1]]\n", (1, 7), "`]` closes nothing", "quotes"),
        ("a: }\n", (1, 4), "`}` closes nothing", "quotes"),
        ("a: [1, , 2]\n", (1, 8), "cannot begin like this", "value"),
        ("a: 1\n...\nb: 2\n", (3, 1), "after the end", "one plan"),
        ("{a: 1} x\n", (1, 8), "after the end", "one plan"),
        ("%YAML 2.0\n---\na: 1\n", (1, 1), "another version of YAML", "1.2"),
        ("a:\n\tb: 1\n", (2, 1), "a tab is used for indentation", "spaces"),
        ("a: 1\n\tb: 2\n", (2, 1), "a tab is used for indentation", "spaces"),
        ("a:\n  - x\n\t- y\n", (3, 1), "a tab is used for indentation", "spaces"),
        ("a:\n  b: 1\n \tc: 1\n", (3, 2), "a tab is used for indentation", "spaces"),
        ("a: |\n\tx\n", (2, 1), "a tab is used for indentation", "spaces"),
        ("a: |x\n  y\n", (1, 5), "not YAML", ""),
    ],
)  # fmt: skip
def test_syntax_errors_say_where_and_what(
    text: str, place: tuple[int, int], message: str, expected: str
) -> None:
    found = problem(text)
    assert at(found) == place
    assert message in found.message
    assert expected in found.expected
    for end in ("\r\n", "\r"):
        assert at(problem(text.replace("\n", end))) == place


@pytest.mark.parametrize("escape", ["\\q", "\\ud800", "\\UFFFFFFFF", "\\x1", "\\u12"])
def test_wrong_escapes_are_refused(escape: str) -> None:
    found = problem(f'a: "{escape}"\n')
    assert "escape" in found.message


def test_problems_found_before_a_syntax_error_are_reported_with_it() -> None:
    found = problems("a: 1\na: 2\nb: .inf\nc: !x y\nd: [\n")
    assert [at(each)[0] for each in found] == [2, 3, 4, 5]


def test_tabs_between_words_are_no_indentation(yaml_parser: Any) -> None:
    assert data("a: 'x\ty'\n") == {"a": "x\ty"}
    text = "a: x\ty\t# comment\n"
    if yaml_parser is yaml.CSafeLoader:
        assert data(text) == {"a": "x\ty"}
    else:  # the Python parser does not take them, and says so
        assert problem(text).message == "a tab cannot stand here"


def test_the_number_of_problems_is_bounded() -> None:
    assert len(problems("a: 1\n" * 5_000)) == MAX_PROBLEMS
    assert len(problems("\x00" * 100_000)) == MAX_PROBLEMS
    assert len(problems("a: [" + "*x, " * 5_000 + "]")) == MAX_PROBLEMS


@pytest.mark.parametrize(
    "code",
    [
        *(0, 1, 7, 8, 11, 12, 0x1B, 0x1F, 0x7F, 0x80, 0x85, 0x9F),
        *(0x2028, 0x2029, 0xD800, 0xDFFF, 0xFEFF, 0xFFFE, 0xFFFF),
    ],
)
def test_characters_that_cannot_stand_in_a_plan(code: int) -> None:
    found = problems(f"a: 1\nb: x{chr(code)}y\n# {chr(code)}\n")
    assert [at(each) for each in found] == [(2, 5), (3, 3)]
    assert f"U+{code:04X}" in found[0].message
    assert all(line.isprintable() for line in str(PlanError(found)).split("\n"))


@pytest.mark.parametrize(
    "letter", list("\t ~\xa0é\u2027\u202a\ud7ff\ue000\ufefe\uff00\ufffd\U00010000\U0010ffff")
)
def test_other_characters_can(letter: str) -> None:
    assert data(f"a: 'x{letter}y'\n") == {"a": f"x{letter}y"}


def test_escapes_may_name_what_cannot_be_written() -> None:
    assert data(r'a: "\x1b\u2028\0\uFEFF"') == {"a": "\x1b\u2028\0\ufeff"}
