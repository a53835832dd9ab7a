"""Files of captures: rows and dumps in all their forms, cut off, damaged, of another port."""

from __future__ import annotations

import io
from contextlib import suppress
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded import (
    MS,
    PS,
    US,
    Spans,
    busy_spans,
    compare,
    example,
    first_head,
    found,
    only,
    trolley,
    vcd_of,
)

from chainplan.captures.compare import CaptureChannel, CaptureOptions, compare_capture
from chainplan.captures.course import CourseError
from chainplan.captures.source import CaptureError
from chainplan.witness.draw import Draw

# Rows.


def rows_of(spans: Spans, unit: int, header: str = "time [us],line\n", form: str = "{},{}\n") -> bytes:
    """Write a row a change, the time as an exact decimal of the unit."""
    rows = [form.format(0, 0)]
    for start, end in spans:
        for time, level in ((start, 1), (end, 0)):
            digits = Fraction(time // PS * PS, unit)
            rows.append(form.format(f"{float(digits):.6f}", level))
    rows.append(form.format(f"{(spans[-1][1] + MS) / unit:.6f}", 0))
    return (header + "".join(rows)).encode()


@pytest.mark.parametrize(
    ("header", "form", "unit", "signal"),
    [
        ("time [us],line\n", "{},{}\n", US, "line"),
        ("Time (us);other;line\r\n", "{};7;{}\r\n", US, "line"),
        ("time_us\tline\n", "{}\t{}\n", US, "2"),
        ('"time/us","line"\n', '"{}","{}"\n', US, "line"),
        ("", "{},{}\n", US, "2"),
    ],
)
def test_rows_in_all_their_forms(header: str, form: str, unit: int, signal: str) -> None:
    evaluation, spans = trolley()
    data = rows_of(spans, unit, header, form)
    options = CaptureOptions(unit=None if header else "us")
    result = compare(evaluation, data, {signal: "trolley:1"}, options)
    assert only(result).inside, found(only(result))
    assert result.form == "csv"
    assert result.resolution == PS


def test_rows_of_samples_and_in_powers_of_ten() -> None:
    evaluation, spans = trolley(25)
    lines = ["t (s),wire", "0.0,0"]
    for start, end in spans:
        lines += [
            f"{start / 10**15:.12e},1",
            f"{(start + end) / 2 / 10**15:.12e},1",
            f"{end / 10**15:.12e},0",
        ]
    lines.append("3.0,0\n")
    result = compare(
        evaluation, "\n".join(lines).encode(), {"wire": "trolley:1"}, CaptureOptions(resolution=2 * PS)
    )
    assert only(result).inside, found(only(result))


# Files that cannot be used, and files cut off.


def test_a_file_cut_off_in_the_middle_of_a_line_is_read_up_to_there() -> None:
    evaluation, spans = trolley()
    for data in (vcd_of({"line": spans}), rows_of(spans, US)):
        for size in (len(data) // 2, len(data) // 2 + 1, len(data) // 2 + 5, len(data) // 2 + 8):
            result = compare(evaluation, data[:size])
            assert only(result).inside, (size, found(only(result)))
            assert result.ends_within is None or data[: result.ends_within].endswith(b"\n")


def test_damage_is_told_by_line_and_byte() -> None:
    evaluation, spans = trolley()
    for data in (vcd_of({"line": spans}), rows_of(spans, US)):
        place = data.index(b"\n", len(data) // 3) + 1
        damaged = data[:place] + b"\x00\xffgarbage here\n" + data[place:]
        line = data.count(b"\n", 0, place) + 1
        with pytest.raises(CaptureError, match=f"^line {line}, byte {place}: "):
            compare(evaluation, damaged)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "no line end in sight"),
        (b"\x00" * 100_000, "no line end in sight"),
        (b"\x89\xff,\x00\n1,0\n", "neither a value change dump nor rows of values"),
        (b"one line without figures\n", "parted by comma"),
        (b"time [us],line\n1,0\n2,1\n1,0\n", "line 4, byte 23: time goes back"),
        (b"time [us],line\n1,0\n2,2\n", "line 3, byte 19: this is no time with a level"),
        (b"time,line\n1,0\n", "does not name the unit of time"),
        (b"time [us],other\n1,0\n", "no such signal"),
        (b"time [us],line\n1,0\n2,1\n3,0\n", "fit nowhere"),
        (b"$timescale 1 ns $end\n", "enddefinitions"),
        (b"$timescale 3 ns $end\n$enddefinitions $end\n", "a time scale is 1, 10 or 100"),
        (b"$enddefinitions $end\n", "no \\$timescale"),
        (b"$timescale 1 ns $end\n$var wire $end\n$enddefinitions $end\n", "line 2, byte 21: a variable"),
        (
            b"$timescale 1 ns $end\nnonsense\n$enddefinitions $end\n",
            "line 2, byte 21: this is no declaration",
        ),
        (b"$timescale 1 ns $end $upscope $end\n$enddefinitions $end\n", "without a scope"),
    ],
)
def test_what_cannot_be_used_says_why(data: bytes, message: str) -> None:
    with pytest.raises(CaptureError, match=message):
        compare(example("rail-trolley"), data)


def test_time_that_goes_back_in_a_dump() -> None:
    evaluation, spans = trolley(5)
    data = vcd_of({"line": spans})
    place = data.index(b"\n", len(data) // 2) + 1
    with pytest.raises(CaptureError, match="time goes back to #5"):
        compare(evaluation, data[:place] + b"#5\n" + data[place:])


def test_a_signal_is_found_by_its_whole_name_or_its_last_part() -> None:
    evaluation, spans = trolley(5)
    data = vcd_of({"line": spans})
    assert compare(evaluation, data, {"bench.wire.line": "trolley:1"}).inside
    assert compare(evaluation, data, {"bench/wire/line": "trolley:1"}).inside
    with pytest.raises(CaptureError, match=r"did you mean: bench\.wire\.line"):
        compare(evaluation, data, {"bench.wire.lime": "trolley:1"})


def test_comments_strings_vectors_and_reals_are_passed_over() -> None:
    evaluation, spans = trolley(5)
    data = vcd_of({"line": spans})
    code = b'"'
    assert b"\n1" + code + b"\n" in data
    data = data.replace(b"\n1" + code, b"\n$comment 1" + code + b" #1 $end r1.5e-3 zz sText zz b1 " + code)
    data = data.replace(b"\n0" + code, b"\r\n\tb0 " + code + b" $comment # $end ")
    assert only(compare(evaluation, data)).inside


def test_the_wrong_port_fits_nowhere() -> None:
    evaluation = example("quarry-truck")
    trolley_spans = trolley()[1]
    with pytest.raises(CaptureError, match="fit nowhere in what the plan has at port reader-1:1"):
        compare(evaluation, vcd_of({"line": trolley_spans}))


def test_a_port_without_frames_is_refused() -> None:
    evaluation = example("harbour-ferry")
    (scan,) = evaluation.scans.values()
    back = next(chain.back for chain in scan.controller.chains if chain.back)
    with pytest.raises(CourseError, match="no frame of the plan passes port"):
        compare_capture(
            io.BytesIO(vcd_of({"line": [(0, US)]})), [CaptureChannel("line", scan, back)], CaptureOptions()
        )


@settings(max_examples=25)
@given(st.data())
def test_no_damage_ends_in_anything_but_an_answer(data: st.DataObject) -> None:
    """Bytes changed, left out and slipped in: either the capture is compared, or it is said why not."""
    evaluation = example("quarry-truck")
    spans = busy_spans(evaluation, first_head(evaluation), 6, Draw("typical"))
    text = bytearray(data.draw(st.sampled_from([vcd_of({"line": spans}), rows_of(spans, US)])))
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(text) - 1))
        size = data.draw(st.integers(0, 20))
        text[place : place + size] = data.draw(st.binary(max_size=20))
    with suppress(CaptureError):  # anything else fails the test
        compare(evaluation, bytes(text))
