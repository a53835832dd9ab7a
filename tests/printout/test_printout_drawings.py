"""Drawings for print are to scale, complete, and distinct in black and white; they are read back as XML."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import pytest
from printout_pages import example, example_evaluated, long_plan

from chainplan.chain.build import build_network
from chainplan.figures.terms import Case
from chainplan.printout import ladder, timeline, walk
from chainplan.printout.svg import PATTERNS, Svg, fitted, pattern_fill, round_marks, text_width
from chainplan.report.blocks import LadderDrawing, TimelineDrawing, page_blocks
from chainplan.report.figures import STATUS_WORDS, Look
from chainplan.report.ladder import DrawnRung, LadderStep
from chainplan.report.sections import isolation, scan
from chainplan.report.sections.common import View
from chainplan.report.timeline import Bar

LOOK = Look(160)
NAMES = {"svg": "http://www.w3.org/2000/svg"}
Element = ElementTree.Element


def read(svg: Svg) -> Element:
    return ElementTree.fromstring(svg.markup)


def boxes(root: Element) -> list[tuple[float, float, str]]:
    """Return left edge, width and fill of every box outside the definitions of patterns."""
    found = [each for each in root.findall("svg:rect", NAMES) if each.get("stroke") != "none"]
    return [(float(each.attrib["x"]), float(each.attrib["width"]), each.attrib["fill"]) for each in found]


def texts(root: Element) -> list[str]:
    return [each.text or "" for each in root.findall("svg:text", NAMES)]


def drawings(name: str, kind: type, section: object) -> list[object]:
    view = View(example(name), example_evaluated(name), LOOK)
    return [each for each in page_blocks(LOOK, section.render(view)) if isinstance(each, kind)]  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", ["harbour-ferry", "quarry-truck", "rail-trolley"])
def test_bars_of_the_scan_are_to_scale(name: str) -> None:
    """A bar's length over that of the whole is its time over the whole time, taken from the budget itself."""
    for drawn in drawings(name, TimelineDrawing, scan):
        assert isinstance(drawn, TimelineDrawing)
        root = read(timeline.timeline_svg("d", drawn))
        whole = timeline.RIGHT - timeline.LEFT
        longest = max((bar for lane in drawn.lanes for bar in lane.bars), key=lambda bar: bar.end - bar.start)
        widths = [width for _, width, _ in boxes(root)]
        wanted = (longest.end - longest.start) / drawn.total * whole
        assert min(abs(width - wanted) for width in widths) < 0.02
        for left, width, _ in boxes(root):
            assert left + width <= timeline.RIGHT + timeline.LEAST_BAR or left >= timeline.LEFT
        for lane in drawn.lanes:
            assert any(text in lane.label or lane.label in text for text in texts(root))
            for bar in lane.bars[:1]:
                assert drawn.time(bar.start) in texts(root)
    assert drawings(name, TimelineDrawing, scan)


def test_the_scans_exact_end_stands_beside_its_lane() -> None:
    evaluation = example_evaluated("rail-trolley")
    (first, _) = drawings("rail-trolley", TimelineDrawing, scan)
    assert isinstance(first, TimelineDrawing)
    (one,) = evaluation.scans.values()
    assert first.time(one.worst.total) in texts(read(timeline.timeline_svg("d", first)))
    assert one.runs[Case.WORST]


def test_bars_that_nobody_could_tell_apart_are_drawn_as_one() -> None:
    bars = [Bar(10 * number, 10 * number + 9, "read") for number in range(1000)]
    ((kind, start, end),) = timeline.merged(bars, 0.01)
    assert (kind, start) == ("read", 0)
    assert 99 <= end <= 99.99 + timeline.LEAST_BAR
    apart = timeline.merged([Bar(0, 100, "a"), Bar(500, 600, "a"), Bar(50, 60, "b")], 1.0)
    assert apart == [("a", 0, 100), ("a", 500, 600), ("b", 50, 60)]


def test_fills_differ_without_colour() -> None:
    fills = [pattern_fill("d", pattern) for pattern in PATTERNS]
    assert len(set(fills)) == len(PATTERNS)
    for drawn in drawings("harbour-ferry", TimelineDrawing, scan):
        assert isinstance(drawn, TimelineDrawing)
        kinds = timeline.fills_of(drawn.used_signs())
        told_apart = [
            (fill, sign if sign.isalnum() else "")
            for (_, fill), sign in zip(kinds.items(), drawn.used_signs().values(), strict=True)
        ]
        assert len(set(told_apart)) == len(kinds)


def test_the_ladder_shows_every_board_and_judges_every_segment() -> None:
    for drawn in drawings("mine-locomotive", LadderDrawing, isolation):
        assert isinstance(drawn, LadderDrawing)
        (svg,) = ladder.ladder_svgs("d", drawn)
        root = read(svg)
        shown = texts(root)
        assert [rung.name for rung in drawn.rungs] == [
            each for each in shown if each in {rung.name for rung in drawn.rungs}
        ]
        words = {True: "met", False: "missed", None: "not checked"}
        judged = [STATUS_WORDS[words[step.verdict]] for step in drawn.steps]  # type: ignore[index]
        assert [each for each in shown if each in STATUS_WORDS.values()] == judged
        left, right = ladder.SHARES
        bars = [width for x, width, _ in boxes(root) if x == left]
        for step, width in zip(drawn.steps, bars, strict=True):
            assert step.rating is not None
            wanted = min(step.stress / step.rating, 1.06) * (right - left)
            assert width == pytest.approx(max(wanted, 3), abs=0.02)
            assert (width > right - left) is (step.stress > step.rating)


def test_a_ladder_longer_than_a_page_is_drawn_in_parts_and_a_very_long_one_cut_short() -> None:
    def made(count: int) -> LadderDrawing:
        rungs = tuple(DrawnRung(f"n{number}", number * 10, number * 10 + 10) for number in range(count))
        steps = tuple(LadderStep(f"#{number}", 10, 100, True) for number in range(1, count))
        return LadderDrawing("chain", rungs, steps, count * 10)

    parts = ladder.ladder_svgs("d", made(50))
    assert len(parts) == 3
    shown = [text for part in parts for text in texts(read(part))]
    assert [f"n{number}" for number in range(50)] == [each for each in shown if each.startswith("n")]
    cut = [text for part in ladder.ladder_svgs("d", made(400)) for text in texts(read(part))]
    assert any("boards and" in text and "none missed" in text for text in cut)
    assert len(cut) < 200


def test_a_chain_is_drawn_in_its_order_with_every_length() -> None:
    network = example_evaluated("harbour-ferry").network
    chain = network.chains["ring-1"]
    root = read(walk.walk_svg("d", network, chain))
    shown = texts(root)
    walked = [chain.head, *(node.name for node in chain.nodes), chain.back]
    assert [each for each in shown if each in walked] == walked
    for segment in chain.segments:
        assert sum(text.startswith(f"#{segment.number}") for text in shown) >= 1
    assert sum("600 mm" in text for text in shown) == 8  # ten nodes: nine hops, one of them over the plug
    assert "1.4 m" in shown
    assert "service plug" in shown


def test_neighbours_on_the_chain_stand_side_by_side_on_paper() -> None:
    corners = [walk.corner(place) for place in range(20)]
    for (x, y), (right, below) in pairwise(corners):
        assert (abs(right - x) == walk.PITCH[0]) is (below == y)
        assert (below - y == walk.PITCH[1]) is (right == x)


def test_boards_alike_are_folded_and_counted() -> None:
    loaded = long_plan(400)
    network = build_network(loaded.plan)
    (chain,) = network.chains.values()
    stops = walk.folded(walk.stops_of(network, chain))
    assert len(stops) < 20
    assert sum(stop.boards for stop in stops) == 400
    assert len(texts(read(walk.walk_svg("d", network, chain)))) < 120


def test_what_cannot_be_folded_is_left_out_and_counted() -> None:
    stops = [walk.Stop(("port",), kind="port")]
    stops += [walk.Stop((f"n{number}",), make=number, boards=1) for number in range(300)]
    short = walk.folded(stops)
    assert len(short) <= walk.MOST_BOXES
    assert sum(stop.boards for stop in short) == 300
    assert short[0] == stops[0]
    assert short[-1] == stops[-1]


@pytest.mark.parametrize(("low", "high", "most"), [(0, 7, 9), (0, 11_290_000, 9), (-350, 900, 7), (0, 1, 7)])
def test_marks_are_round_and_few(low: int, high: int, most: int) -> None:
    marks = round_marks(low, high, most)
    assert 1 <= len(marks) <= most + 1
    assert all(low <= mark <= high for mark in marks)
    steps = {after - before for before, after in pairwise(marks)}
    assert all(str(step).rstrip("0") in ("1", "2", "5") for step in steps)


def test_names_too_long_for_their_box_keep_both_ends() -> None:
    name = "a-very-long-name-of-a-string.117"
    cut = fitted(name, 200)
    assert text_width(cut) <= 200
    assert cut.startswith("a-ve")
    assert cut.endswith(".117")
    assert fitted("short", 200) == "short"
