"""Captures checked against the plan: simulated ones are inside, and what is wrong with others is found."""

from __future__ import annotations

import os

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from recorded import (
    MS,
    NS,
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
from strategies import plans

from chainplan.captures.compare import CaptureOptions
from chainplan.captures.course import planned_scans
from chainplan.captures.threshold import chains_at, longest_pause
from chainplan.evaluation import Evaluation
from chainplan.plan.model import Plan
from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults, LostReads

PLANS = int(os.environ.get("CHAINPLAN_PLANS", "0"))
EXAMPLES = ["harbour-ferry", "mine-locomotive", "quarry-truck", "rail-trolley"]


def shifted(spans: Spans, place: int, by: int) -> Spans:
    """Return spans of which those from a place on come later."""
    return [*spans[:place], *((start + by, end + by) for start, end in spans[place:])]


# Inside.


@pytest.mark.parametrize("kind", ["best", "worst", "each event"])
@pytest.mark.parametrize("name", EXAMPLES)
def test_a_simulated_capture_is_inside(name: str, kind: str) -> None:
    evaluation = example(name)
    spans = busy_spans(evaluation, first_head(evaluation), 24, Draw(kind))  # type: ignore[arg-type]
    channel = only(compare(evaluation, vcd_of({"line": spans})))
    assert channel.inside, found(channel)
    # The locomotive's quickest answers come after a gap no longer than one within a frame may be.
    assert channel.measured.frames == len(spans) or (name == "mine-locomotive" and kind != "worst")
    assert channel.first_scan == 0
    rows = {row.quantity: row for row in channel.measured.rows}
    assert set(rows) == {"frame length", "gap", "scan period", "scan jitter"}
    assert rows["scan period"].times == 23


@settings(max_examples=PLANS or 8)
@given(plans(), st.integers(0, 10**6), st.sampled_from([1, PS, NS]), st.integers(0, 10**18), st.data())
def test_any_plan_there_and_back(plan: Plan, seed: int, scale: int, origin: int, data: st.DataObject) -> None:
    """Simulate, write a capture, compare: all inside, wherever the capture begins and ends."""
    evaluation = Evaluation(plan)
    (scan,) = evaluation.scans.values()
    port = first_head(evaluation)
    # Scans that follow each other without a pause on the wire cannot be told apart by one.
    assume(
        scan.controller.settings.set_up.min > US and scan.longest < scan.controller.settings.scan_period.min
    )
    # Gaps that can be shorter than a pause within a frame cannot always be told from one.
    pause = longest_pause(chains_at(scan, port), "busy")
    _, kinds = planned_scans(scan, port)
    gaps = [frame.gap for each in kinds.values() for frame in each.frames[1:]]
    assume(all(gap.min > pause + 2 * scale or gap.max < pause for gap in gaps))
    spans = busy_spans(evaluation, port, 14, Draw("each event"), seed)
    # Answers may follow each other with small gaps: a capture that stops among them is not as planned.
    starts = [place for place, span in enumerate(spans) if not place or span[0] - spans[place - 1][1] > pause]
    assume(len(starts) > 30)
    begin = data.draw(st.integers(0, len(starts) // 2))
    end = data.draw(st.integers(begin + 15, len(starts) - 1))
    spans = spans[starts[begin] : starts[end]]
    text = vcd_of({"line": spans}, scale=scale, origin=origin, begin=max(0, spans[0][0] - 10 * US))
    channel = only(compare(evaluation, text, {"line": port}))
    assert channel.inside, found(channel)


def test_two_channels_of_one_file() -> None:
    evaluation = example("mine-locomotive")
    signals = {port.replace(":", "_"): busy_spans(evaluation, port, 5) for port in ("cab:1", "cab:2")}
    result = compare(evaluation, vcd_of(signals), {"cab_2": "cab:2", ["wire", "cab_1"][1]: "cab:1"})
    assert result.inside
    assert [each.channel.signal for each in result.channels] == ["cab_2", "cab_1"]


def test_the_clock_and_the_sample_time_of_the_instrument_count() -> None:
    evaluation = example("rail-trolley")
    spans = busy_spans(evaluation, first_head(evaluation), 30, Draw("worst"))
    quick = [(start * 9999 // 10000, end * 9999 // 10000) for start, end in spans]
    slow = [(start * 10002 // 10000, end * 10002 // 10000) for start, end in spans]
    coarse = [(start // (500 * NS) * 500 * NS, end // (500 * NS) * 500 * NS) for start, end in spans]
    assert only(compare(evaluation, vcd_of({"line": quick}))).inside  # still within the plan
    assert not only(compare(evaluation, vcd_of({"line": slow}))).inside
    off = CaptureOptions(clock_error=200 * 10**6)  # 200 ppm
    assert only(compare(evaluation, vcd_of({"line": slow}), options=off)).inside
    assert not only(compare(evaluation, vcd_of({"line": coarse}))).inside
    assert only(
        compare(evaluation, vcd_of({"line": coarse}), options=CaptureOptions(resolution=500 * NS))
    ).inside


def test_the_place_in_the_major_cycle_is_found() -> None:
    evaluation, spans = trolley(60)
    (scan,) = evaluation.scans.values()
    period = scan.controller.settings.scan_period.typical
    for number in (1, 7, 13, 20):
        late = [span for span in spans if span[0] >= number * period - 5 * MS]
        channel = only(compare(evaluation, vcd_of({"line": late}, begin=late[0][0] - 10 * US)))
        assert channel.inside, found(channel)
        assert channel.first_scan == number % scan.phases.major_cycle


def test_a_capture_that_begins_and_ends_within_frames() -> None:
    evaluation, spans = trolley()
    for place in (5, 6, 12, 17):
        start, end = spans[place]
        cut = [((start + end) // 2, end), *spans[place + 1 : -1], (spans[-1][0], spans[-1][1] - 10 * US)]
        text = vcd_of({"line": cut}, begin=cut[0][0], end=cut[-1][1])
        channel = only(compare(evaluation, text))
        assert channel.inside, found(channel)
        assert channel.counts.cut_off == 2
        assert channel.measured.frames == len(cut) - 2


# Outside.


def test_a_stretched_frame_is_found_at_its_time_stamp() -> None:
    evaluation, spans = trolley()
    for place in (200, 203, 250):
        start, end = spans[place]
        over = 7 * US
        longer = shifted([*spans[:place], (start, end + over), *spans[place + 1 :]], place + 1, over)
        channel = only(compare(evaluation, vcd_of({"line": longer})))
        (finding,) = channel.measured.findings
        assert abs(finding.time - start) < PS
        assert finding.what.startswith("length: ")
        assert finding.measured is not None
        assert finding.allowed is not None
        assert abs(finding.measured - (end + over - start)) <= PS
        assert finding.measured > finding.allowed.max


def test_a_gap_too_short_and_one_too_long() -> None:
    evaluation, spans = trolley()
    place = 205
    for by, sign in ((-900 * NS, -1), (20 * US, 1)):
        (finding,) = only(compare(evaluation, vcd_of({"line": shifted(spans, place, by)}))).measured.findings
        assert finding.what.startswith("gap: ")
        assert abs(finding.time - spans[place - 1][1]) < PS
        assert finding.measured is not None
        assert finding.allowed is not None
        assert (
            finding.measured - finding.allowed.max if sign > 0 else finding.allowed.min - finding.measured
        ) > 0


def test_missing_frames_are_counted_and_named() -> None:
    evaluation, spans = trolley()
    for count in (1, 3, 9, 14):
        channel = only(compare(evaluation, vcd_of({"line": [*spans[:200], *spans[200 + count :]]})))
        assert channel.measured.missing == count, found(channel)
        assert channel.measured.extra == 0
        assert channel.measured.findings[0].time == pytest.approx(spans[200 + count][0], abs=PS)


def test_extra_frames_are_counted() -> None:
    evaluation, spans = trolley()
    place = next(
        place for place in range(200, 400) if spans[place][0] - spans[place - 1][1] > 10 * MS
    )  # in the pause between two scans
    end = spans[place - 1][1]
    extra = [(end + 2 * MS, end + 2 * MS + 40 * US)]
    channel = only(compare(evaluation, vcd_of({"line": [*spans[:place], *extra, *spans[place:]]})))
    assert (channel.measured.extra, channel.measured.missing) == (1, 0), found(channel)
    assert channel.measured.findings[0].time == pytest.approx(end + 2 * MS, abs=PS)
    assert channel.measured.found == 1


def test_a_late_scan_is_found() -> None:
    evaluation, spans = trolley()
    place = next(place for place in range(200, 400) if spans[place][0] - spans[place - 1][1] > 10 * MS)
    channel = only(compare(evaluation, vcd_of({"line": shifted(spans, place, 3 * MS)})))
    assert {finding.what for finding in channel.measured.findings} == {"scan period", "scan jitter"}
    assert channel.measured.findings[0].time == pytest.approx(spans[place][0] + 3 * MS, abs=PS)


def test_retries_and_lost_answers_of_a_simulation_are_outside() -> None:
    evaluation = example("mine-locomotive")
    task = next(iter(evaluation.scans.values())).works[0].name
    lost = Faults(lost=(LostReads(task, 7, 2, 1, 3),))
    spans = busy_spans(evaluation, "cab:1", 30, Draw("each event"), faults=lost)
    channel = only(compare(evaluation, vcd_of({"line": spans}), {"line": "cab:1"}))
    # The read that failed is asked again at the end of its task: a request and an answer more.
    assert channel.measured.extra > 0
    assert channel.measured.extra % 2 == 0
    assert channel.measured.missing == 0
    assert channel.measured.breaks == 0


def test_a_break_in_the_course_is_taken_up_again() -> None:
    evaluation, spans = trolley(80)
    (scan,) = evaluation.scans.values()
    period = scan.controller.settings.scan_period.typical
    gone = [span for span in spans if not 20.5 * period < span[0] < 41.5 * period]
    channel = only(compare(evaluation, vcd_of({"line": gone})))
    assert channel.measured.found > 0
    assert channel.measured.frames == len(gone)
    later = [finding for finding in channel.measured.findings if finding.time > 46 * period]
    assert later == []


def test_findings_are_capped_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("chainplan.captures.tally.MOST_FINDINGS", 5)
    evaluation, spans = trolley()
    wrong = [(start, end + (5 * US if place % 25 == 3 else 0)) for place, (start, end) in enumerate(spans)]
    measured = only(compare(evaluation, vcd_of({"line": wrong}))).measured
    assert len(measured.findings) == 5
    assert measured.found > 15


# Levels that are none, pulses that are none.


def test_glitches_are_left_out_and_counted() -> None:
    evaluation, spans = trolley()
    pulses = [(spans[place][1] + 60 * US, spans[place][1] + 60 * US + 40 * NS) for place in (0, 100, 199)]
    pulses = [pulse for pulse in pulses if all(pulse[1] < start or pulse[0] > end for start, end in spans)]
    channel = only(compare(evaluation, vcd_of({"line": sorted([*spans, *pulses])})))
    assert pulses
    assert channel.counts.glitches == len(pulses)
    assert channel.inside, found(channel)


def test_short_drops_within_a_frame_do_not_part_it() -> None:
    evaluation, spans = trolley()
    start, end = spans[100]
    middle = (start + end) // 2
    parted = [*spans[:100], (start, middle), (middle + 100 * NS, end), *spans[101:]]
    channel = only(compare(evaluation, vcd_of({"line": parted})))
    assert channel.inside, found(channel)


def test_unknown_levels_are_not_judged() -> None:
    evaluation, spans = trolley()
    text = vcd_of({"line": spans}).decode()
    steps = [round(time / PS) for time in spans[100]]
    code = next(line.split()[3] for line in text.splitlines() if line.startswith("$var wire 1"))
    inside = f"#{steps[0] + 5_000_000}\nx{code}\n#{steps[0] + 6_000_000}\n1{code}\n"
    fallen = text.index(f"#{steps[1]}\n")
    text = text[:fallen] + inside + text[fallen:]
    channel = only(compare(evaluation, text.encode()))
    assert channel.inside, found(channel)
    assert channel.counts.unknown == 1
    assert channel.measured.not_judged == 1
    released = only(
        compare(evaluation, vcd_of({"line": spans}).replace(b"\n0" + code.encode(), b"\nz" + code.encode()))
    )
    assert released.inside


def test_an_active_low_signal() -> None:
    evaluation, spans = trolley()
    code = b'"'
    text = vcd_of({"line": spans})
    lines = text.split(b"\n")
    turned = [
        (b"1" if line[:1] == b"0" else b"0") + line[1:] if line[1:] == code and line[:1] in b"01" else line
        for line in lines
    ]
    assert turned != lines
    assert only(compare(evaluation, b"\n".join(turned), options=CaptureOptions(active_low=True))).inside


def test_the_edges_of_the_line_itself() -> None:
    """A raw trace: every frame as a train of edges, the last one some bits before its end."""
    evaluation = example("quarry-truck")
    spans = busy_spans(evaluation, first_head(evaluation), 30)
    chain = next(iter(evaluation.network.chains.values()))
    bit = 10**21 // chain.protocol.bit_rate.typical
    edges: list[int] = []
    for start, end in spans:
        steps = range(start, end, bit)
        edges += [time for number, time in enumerate(steps) if number % 5 in (0, 1, 3)]
    edges += [] if len(edges) % 2 == 0 else [edges.pop() + 1]
    edges = edges[: len(edges) // 2 * 2]
    pulses = list(zip(edges[::2], edges[1::2], strict=True))
    channel = only(compare(evaluation, vcd_of({"line": pulses}), options=CaptureOptions(trace="edges")))
    assert channel.inside, found(channel)
    assert channel.measured.frames == len(spans)
