"""Captures that nobody should have written: read or refused in words, in little time and memory."""

from __future__ import annotations

import io
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from limits import never_hangs

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.captures.compare import CaptureChannel, CaptureOptions, Form, Result, compare_capture
from chainplan.captures.source import PIECE, CaptureError, CaptureSource
from chainplan.captures.vcd_reader import read_header, vcd_events
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan

EXAMPLE = Path(__file__).parents[2] / "configs" / "quarry-truck.yaml"
SIZE = 2_000_000
SCALE = b"$timescale 1 ns $end "
LINE = b"$var wire 1 ! line $end "
BODY = b"$enddefinitions $end\n"


@pytest.fixture(scope="module", name="scan")
def scan_of_the_example() -> ControllerScan:
    return next(iter(Evaluation(load_plan(EXAMPLE).plan).scans.values()))


def compare(scan: ControllerScan, data: bytes, form: Form, signal: str = "line") -> Result:
    port = next(iter(scan.controller.chains)).head
    channel = CaptureChannel(signal, scan, port)
    with never_hangs():
        return compare_capture(io.BytesIO(data), [channel], CaptureOptions(unit="us"), form)


def refusal(scan: ControllerScan, data: bytes, form: Form, signal: str = "line") -> str:
    with pytest.raises(CaptureError) as caught:
        compare(scan, data, form, signal)
    assert len(str(caught.value)) < 2000
    return str(caught.value)


HEADERS = {
    "blanks": (b" " * SIZE, "the declarations do not end"),
    "declarations without an end": (LINE * (SIZE // 24), "the declarations do not end"),
    "ends that are none": (
        (b"$enddefinitions" + b" " * 1000) * (SIZE // 1015),
        "the declarations do not end",
    ),
    "sections that are not closed": (b"$a " * (SIZE // 3) + BODY, "this is no declaration"),
    "blanks between declarations": (SCALE + b" " * SIZE + b"x " + BODY, "this is no declaration"),
    "a code of 2 MB": (SCALE + b"$var wire 1 " + b"!" * SIZE + b" line $end " + BODY, "longer than 256"),
    "a name of 2 MB": (SCALE + b"$var wire 1 ! " + b"n" * SIZE + b" $end " + BODY, "longer than 500"),
    "a width of 2 MB": (
        SCALE + b"$var wire " + b"1" * SIZE + b" ! line $end " + BODY,
        "declared by type, width",
    ),
    "scopes in scopes": (SCALE + b"$scope module a $end " * 90_000 + LINE + BODY, "more than 100 deep"),
    "only zero bytes": (b"\0" * SIZE, "the declarations do not end"),
}


@pytest.mark.parametrize(("data", "said"), HEADERS.values(), ids=HEADERS)
def test_headers_of_a_dump(scan: ControllerScan, data: bytes, said: str) -> None:
    assert said in refusal(scan, data, "vcd")


def test_very_many_signals(scan: ControllerScan) -> None:
    """Names as alike as can be: the one that was meant is not looked for without end."""
    variables = b"".join(
        b"$var wire 1 %d abcdefghij-abcdefghij-%d $end " % (code, code) for code in range(100_000)
    )
    data = SCALE + variables + BODY
    assert "and 99992 more" in refusal(scan, data, "vcd", "jihgfedcba-jihgfedcba-99999")
    assert "fit nowhere" in refusal(scan, data, "vcd", "abcdefghij-abcdefghij-99999")


BODIES = {
    "comments that are not closed": b"$comment\n" * (SIZE // 9),
    "a comment that is not closed": b"$comment " + b"x" * SIZE,
    "a comment of dollar signs": b"$comment " + b"$" * SIZE + b" $end\n#1 1!\n",
    "levels before any time": b"1!\n0!\n" * (SIZE // 6),
    "all changes in one line": b"".join(b"#%d %d! " % (time, time & 1) for time in range(SIZE // 11)),
    "changes closer than a bit": b"".join(b"#%d\n%d!\n" % (time, time & 1) for time in range(SIZE // 11)),
}


@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES)
def test_bodies_of_a_dump_in_which_nothing_is_found(scan: ControllerScan, body: bytes) -> None:
    assert "fit nowhere" in refusal(scan, SCALE + LINE + BODY + body, "vcd")


DAMAGE = {
    "time goes back": (b"#9 1!\n#8 0!\n" * 1000, "line 3, byte 72: time goes back to #8"),
    "a vector without an end": (b"b" + b"1" * SIZE, "this is no value change: b1111"),
    "a word without an end": (b"#" + b"1" * SIZE, "this is no value change: #1111"),
    "words after the last change": (b"#1 1! foo bar", "this is no value change: foo"),
}


@pytest.mark.parametrize(("body", "said"), DAMAGE.values(), ids=DAMAGE)
def test_damage_in_a_dump(scan: ControllerScan, body: bytes, said: str) -> None:
    assert said in refusal(scan, SCALE + LINE + BODY + body, "vcd")


ROWS = {
    "blanks in the name of a column": (b"time" + b"_" * 60_000 + b",line\n0,1\n", "fit nowhere"),
    "a long first row": (b"time" + b"_" * 70_000 + b",line\n0,1\n", "no line end in sight"),
    "very many columns": (
        b"time" + b",a" * 30_000 + b",line\n" + b"1" + b",1" * 30_001 + b"\n",
        "fit nowhere",
    ),
    "quotes": (b"time,line\n" + b'"' * SIZE, 'this is no time with a level (0, 1, x or z): """'),
    "rows of one quote": (b"time,line\n" + b'"\n' * (SIZE // 2), "line 2, byte 10: this is no time"),
    "empty rows": (b"time,line\n" + b"\n" * SIZE, "fit nowhere"),
    "blanks": (b"time,line\n" + (b" " * 60_000 + b"\n") * 30, "this is no time with a level"),
    "the same row": (b"time,line\n" + b"0,0\n" * (SIZE // 4), "fit nowhere"),
    "times of 99 digits": (b"time,line\n1e99,0\n2e99,1\n3e99,0\n", "fit nowhere"),
    "only zero bytes": (b"\0" * SIZE, "no line end in sight"),
}


@pytest.mark.parametrize(("data", "said"), ROWS.values(), ids=ROWS)
def test_rows(scan: ControllerScan, data: bytes, said: str) -> None:
    assert said in refusal(scan, data, "csv")


def levels(data: bytes) -> list[tuple[int, int, int | None]]:
    source = CaptureSource(io.BytesIO(data))
    header = read_header(source)
    return [each for events, _ in vcd_events(source, header, [header.variables[0].code]) for each in events]


@pytest.mark.parametrize(
    "part", [b"#%d %d!\n", b"#%d\n%d!\n", b"#%d %d! ", b"#%d b%d !\n", b"\r\n#%d\r\n%d!"]
)
def test_a_dump_is_read_alike_wherever_a_piece_of_the_file_ends(part: bytes) -> None:
    """IEEE 1364-2005, 18.2: words are parted by white space of any kind; pieces end within any of them."""
    changes = [(time, time & 1) for time in range(2 * PIECE // len(part) + 1)]
    for shift in range(0, 12, 3):
        head = SCALE + b" " * shift + LINE + BODY
        found = levels(head + b"".join(part % each for each in changes) + b"\n")
        assert found == [(0, time * 10**6, level) for time, level in changes]


WORDS = st.sampled_from(
    b"#1 #20 #5 1! 0! x! b1 ! b0x ? r1.5 sabc $comment $end $dumpvars $ # b \0 \xff $enddefinitions $var "
    b"wire line $scope $upscope $timescale 1 ns".split(b" ")
)
BLANKS = st.sampled_from([b" ", b"\n", b"\r\n", b"\t", b"  ", b""])


@settings(max_examples=150)
@given(st.lists(st.tuples(WORDS, BLANKS), max_size=30), st.sampled_from([b"", SCALE + LINE + BODY]))
def test_any_words_of_a_dump(scan: ControllerScan, words: list[tuple[bytes, bytes]], head: bytes) -> None:
    answer(lambda: compare(scan, head + b"".join(map(b"".join, words)), "vcd"))


CELLS = st.sampled_from(
    [b"0", b"1", b"x", b"1.5", b"-2e-3", b'"3"', b'"', b",", b";", b"\n", b"\r\n", b" ", b"time", b"line"]
)


@settings(max_examples=150)
@given(st.lists(CELLS, max_size=40), st.sampled_from([b"", b"time,line\n"]))
def test_any_rows(scan: ControllerScan, cells: list[bytes], head: bytes) -> None:
    answer(lambda: compare(scan, head + b"".join(cells), "csv"))


def answer(work: Callable[[], object]) -> None:
    """Let anything but an answer or a refusal fail the test."""
    with suppress(CaptureError):
        work()
