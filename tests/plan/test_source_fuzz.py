import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from chainplan.plan.problems import KeyPath, Place, PlanError
from chainplan.plan.source import parse_source, read_source

# The parser fixture stays the same over all examples of one test.
fuzzed = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
# Strategies of nested values are slow.
fuzzed_slowly = settings(fuzzed, max_examples=25)


def marked(place: Place | None) -> str:
    assert place is not None
    assert place.caret is not None
    return place.text[place.caret : place.caret + place.length]


PLAN = """\
# a plan
name: pack
boards:
  - name: first   # the lowest
    length: 350 mm ± 10 mm
    forwarding: {min: 1.8 us, "max": 2.3 us}
  - &second
    name: 'second'
    note: |  # two lines
      one
      two
    long: one
      two
  -
tasks:
  電池: { every: 1, phase: }
  7: *second
  none:
"""


def walk(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    yield path, value
    if isinstance(value, dict):
        for key, item in value.items():
            yield from walk(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from walk(item, (*path, index))


# What both JSON and YAML may hold unescaped: JSON allows more, such as U+007F to U+009F.
JSON_TEXT = st.text(
    st.characters(max_codepoint=0x7E)
    | st.characters(
        min_codepoint=0xA0, exclude_categories=["Cs"], exclude_characters="\u2028\u2029\ufeff\ufffe\uffff"
    ),
    max_size=12,
)
JSON_SCALARS = (
    JSON_TEXT
    | st.none()
    | st.booleans()
    | st.integers(-(10**29), 10**29)
    | st.floats(allow_nan=False, allow_infinity=False)
)
JSON_VALUES = st.recursive(
    JSON_SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(JSON_TEXT, inner, max_size=3),
    max_leaves=8,
)


@fuzzed_slowly
@given(
    value=st.dictionaries(JSON_TEXT, JSON_VALUES, max_size=4),
    indent=st.sampled_from([None, 0, 1, 3]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_json_reads_as_the_json_library_reads_it_and_knows_its_places(
    value: dict[str, Any], indent: int | None, end: str, yaml_parser: Any
) -> None:
    """YAML 1.2 was made a superset of JSON: the JSON reader of the standard library is the reference."""
    text = json.dumps(value, ensure_ascii=False, indent=indent).replace("\n", end)
    found = parse_source(text, "plan.json")
    assert repr(found.data) == repr(json.loads(text))
    lines = re.split("\r\n|\r|\n", text)
    for path, item in walk(found.data):
        place = found.place(path)
        if not isinstance(item, (dict, list)):
            rest = lines[place.line - 1][place.column - 1 :]
            assert repr(json.JSONDecoder().raw_decode(rest)[0]) == repr(item)
            if "…" not in place.text and "\t" not in text:
                assert repr(json.loads(marked(place))) == repr(item)
        if path and isinstance(path[-1], str):
            spot = found.key_place(path)
            rest = lines[spot.line - 1][spot.column - 1 :]
            assert json.JSONDecoder().raw_decode(rest)[0] == path[-1]


WORDS = st.text("abcxyzäµ電 ", min_size=1, max_size=12).map(str.strip).filter(lambda word: len(word) > 0)
TREES = st.recursive(
    WORDS,
    lambda inner: (
        st.lists(inner, min_size=1, max_size=3) | st.dictionaries(WORDS, inner, min_size=1, max_size=3)
    ),
    max_leaves=8,
)


@fuzzed_slowly
@given(
    value=st.dictionaries(WORDS, TREES, min_size=1, max_size=4),
    flow=st.booleans(),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_documents_of_texts_read_as_an_independent_loader_reads_them(
    value: dict[str, Any], flow: bool, end: str, yaml_parser: Any
) -> None:
    """PyYAML's BaseLoader makes a text of every scalar."""
    text: str = yaml.safe_dump(value, default_flow_style=flow, allow_unicode=True, width=1e9, line_break=end)
    found = parse_source(text, "plan.yaml")
    assert found.data == yaml.load(text, Loader=yaml.BaseLoader) == value
    for path, item in walk(found.data):
        place = found.place(path)
        if isinstance(item, str) and "…" not in place.text:
            assert marked(place).strip("'\"") == item
        if path and isinstance(path[-1], str):
            assert marked(found.key_place(path)).strip("'\"") == path[-1]


NUMBER_BASES = {"0o": 8, "0x": 16}


def agrees(ours: Any, theirs: Any) -> bool:
    """Whether our value is what a loader that knows only texts has in its place."""
    if isinstance(ours, dict):
        return agrees([*ours], [*theirs]) and agrees([*ours.values()], [*theirs.values()])
    if isinstance(ours, list):
        return len(ours) == len(theirs) and all(map(agrees, ours, theirs))
    if ours is None:
        return theirs.lower() in ("", "~", "null")
    if isinstance(ours, bool):
        return bool(theirs.lower() == str(ours).lower())
    if isinstance(ours, int):
        return int(theirs, NUMBER_BASES.get(theirs[:2], 10)) == ours
    return bool(float(theirs) == ours) if isinstance(ours, float) else bool(ours == theirs)


def check_refusal(error: PlanError, lines: int) -> None:
    """A refusal names at least one place in the file, or the file, and can be shown."""
    assert error.problems
    assert all(line.isprintable() for line in str(error).split("\n"))
    for each in error.problems:
        assert each.place is not None
        assert 0 <= each.place.line <= lines


def check_any_text(text: str, yaml_parser: Any) -> None:
    try:
        found = parse_source(text, "plan.yaml")
    except PlanError as error:
        check_refusal(error, len(re.split("\r\n|\r|\n", text)))
        return
    loader = yaml.CBaseLoader if yaml_parser is yaml.CSafeLoader else yaml.BaseLoader
    try:
        reference = yaml.load(text.removeprefix("\ufeff"), Loader=loader)
    except yaml.composer.ComposerError as error:
        # YAML 1.2.2, 3.2.2.2 (from memory): anchors need not be unique; this loader wants them so.
        if "found duplicate anchor" not in str(error):
            raise
    else:
        assert agrees(found.data, reference)
    for path, _ in walk(found.data):
        assert found.place(path).line >= 1
        assert found.key_place(path).line >= 1


YAML_PIECES = st.sampled_from(
    [
        *"abc:-?,[]{}#&*!|>%@`'\" \n\t\r01.\\\ufeff\u2028\x00電",
        *(": ", "- ", "? ", "\n  ", "\n- ", "&a ", "*a", "<<: ", "---\n", "...\n", "a: ", "b: "),
        *("null", "true", "0x1", "0o7", "1e3", ".inf", "!!str ", '"\\u12'),
    ]
)


@fuzzed
@given(text=st.text() | st.lists(YAML_PIECES, max_size=30).map("".join))
def test_any_text_is_read_or_refused(text: str, yaml_parser: Any) -> None:
    check_any_text(text, yaml_parser)


@fuzzed
@given(
    edits=st.lists(
        st.tuples(st.integers(0, len(PLAN)), st.integers(0, 12), YAML_PIECES), min_size=1, max_size=4
    )
)
def test_any_change_of_a_plan_is_read_or_refused(edits: list[tuple[int, int, str]], yaml_parser: Any) -> None:
    text = PLAN
    for start, length, piece in edits:
        text = text[:start] + piece + text[start + length :]
    check_any_text(text, yaml_parser)


@fuzzed
@given(
    content=st.binary(max_size=60)
    | st.tuples(st.integers(0, 300), st.binary(min_size=1, max_size=3)).map(
        lambda edit: PLAN.encode()[: edit[0]] + edit[1] + PLAN.encode()[edit[0] :]
    )
)
def test_any_file_is_read_or_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_bytes(content)
    try:
        read_source(path)
    except PlanError as error:
        check_refusal(error, content.count(b"\n") + content.count(b"\r") + 1)
