"""Isolation ladders to scale: exact pictures of small cases, and what must hold for any."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from chainplan.quantity import VOLTAGE, format_ticks
from chainplan.report.ladder import DrawnRung, Elision, Hint, LadderStep, draw_ladder

V = 10**6
texts = st.text(st.sampled_from("ab1 -µΩ電池モジ한é\n\x1b"), max_size=40)


def volts(ticks: int) -> str:
    return format_ticks(ticks, VOLTAGE, rounding="up")


def limit(ticks: int) -> str:
    return format_ticks(ticks, VOLTAGE, rounding="down")


def picture(lines: list[str]) -> str:
    return "\n".join(("", *lines, ""))


RUNGS = [
    DrawnRung("controller", None, None),
    DrawnRung("board 1", 0, 67_200_000),
    DrawnRung("board 2", 67_200_000, 134_400_000),
    DrawnRung("board 3", -201_600_000, -134_400_000),
]
STEPS = [
    LadderStep("head", 336 * V, 1000 * V, True),
    LadderStep("link 1", 67_200_000, 67_200_000, True),
    LadderStep("link 2", 336 * V, 300 * V, False),
]


def ladder(width: int, ascii_only: bool = False) -> list[tuple[str, Hint]]:
    return draw_ladder(RUNGS, STEPS, 134_400_000, width, ascii_only, volts, limit)


def test_ladder() -> None:
    assert (
        picture([line for line, _ in ladder(72)])
        == """
           |-200 V       |0 V
controller                           at chassis
│ head     ████████················   336 V of 1000 V   33.6 %  ✓ met
board 1    ──────────────━━━━━─────  0 V to 67.2 V
│ link 1   ████████████████████████  67.2 V of 67.2 V  100.0 %  ✓ met
board 2    ───────────────────━━━━━  67.2 V to 134.4 V
│ link 2   ███████████████████████>    336 V of 300 V  112.0 %  ✗ MISSED
board 3    ━━━━━───────────────────  -201.6 V to -134.4 V
"""
    )
    hints = [hint for _, hint in ladder(72)]
    assert hints == ["scale", "board", "met", "board", "met", "board", "missed", "board"]


def test_ladder_on_a_narrow_screen_in_ascii() -> None:
    assert (
        picture([line for line, _ in ladder(40, ascii_only=True)][:9])
        == """
           |-200 V |-100 V  |0 V     |
controller
           at chassis
| head     #########....................
           336 V of 1000 V  33.6 %
           + met
board 1    -----------------======------
           0 V to 67.2 V
| link 1   #############################
"""
    )


def test_ladder_without_rating_or_boards() -> None:
    steps = [LadderStep("s", 5 * V, None, None)]
    lines = draw_ladder(
        [DrawnRung("a", 0, 0), DrawnRung("b", 5 * V, 5 * V)], steps, 5 * V, 60, False, volts, limit
    )
    assert (
        picture([line for line, _ in lines])
        == """
    |0 V     |2 V     |4 V
a   ━──────────────────────  0 V
│ s                          5 V, no rating    ? not checked
b   ──────────────────────━  5 V
"""
    )
    assert [hint for _, hint in lines] == ["scale", "board", "not checked", "board"]
    assert len(draw_ladder([], [], 5 * V, 60, False, volts, limit)) == 1


@example(stress=999_999, rating=1_000_000, width=80)
@given(stress=st.integers(0, 10**10), rating=st.integers(1, 10**10), width=st.integers(40, 120))
@settings(deadline=None)
def test_share_never_looks_better_than_it_is(stress: int, rating: int, width: int) -> None:
    rungs = [DrawnRung("a", 0, 0), DrawnRung("b", 0, 0)]
    lines = draw_ladder(
        rungs, [LadderStep("s", stress, rating, stress <= rating)], V, width, False, volts, limit
    )
    text = " ".join(line for line, hint in lines if hint in ("met", "missed"))
    assert ("✓ met" in text) == (stress <= rating)
    assert ("✗ MISSED" in text) == (stress > rating)
    assert (">" in text) == (stress > rating)
    full, spare = text.count("█"), text.count("·")
    assert (spare == 0) == (stress >= rating)
    assert (full == 0) == (stress == 0)
    share = next(word for word, after in zip(text.split(), text.split()[1:], strict=False) if after == "%")
    assert (share == "100.0") == (stress == rating)
    if share == "<100":
        assert Fraction(999, 1000) < Fraction(stress, rating) < 1
    else:
        assert 0 <= Fraction(share) - Fraction(100 * stress, rating) < Fraction(1, 10)
    if stress <= rating:
        assert abs(Fraction(full, full + spare) - Fraction(stress, rating)) <= Fraction(1, full + spare)


@given(
    ends=st.lists(st.integers(0, 10**9), min_size=2, max_size=40).map(sorted),
    width=st.integers(40, 200),
)
@settings(deadline=None)
def test_boards_stand_in_the_order_of_their_potentials(ends: list[int], width: int) -> None:
    rungs = [DrawnRung("b", low, high) for low, high in pairwise(ends)]
    steps = [LadderStep("s", 0, None, None)] * (len(rungs) - 1)
    lines = draw_ladder(rungs, steps, max(1, ends[-1]), width, False, volts, limit)
    marks = [line for line, hint in lines if hint == "board" and ("━" in line)]
    assert len(marks) == len(rungs)
    area = marks[0].count("━") + marks[0].count("─")
    cell = Fraction(max(1, ends[-1]), area)
    firsts = [line.replace("━", "─", 0).index("━") - line.replace("━", "─").index("─") for line in marks]
    assert firsts == sorted(firsts)
    for first, line, rung in zip(firsts, marks, rungs, strict=True):
        assert rung.low is not None
        assert rung.high is not None
        assert abs(first * cell - rung.low) <= cell
        assert abs((first + line.count("━")) * cell - rung.high) <= cell


def long_ladder(elision: Elision) -> list[tuple[str, Hint]]:
    rungs = [DrawnRung(f"board {k}", k * V, k * V + V) for k in range(400)]
    steps = [
        LadderStep(f"link {k}", (k % 37 + (400 if k == 300 else 0)) * V, 100 * V, k != 300)
        for k in range(399)
    ]
    steps[150] = LadderStep("link 150", 0, 100 * V, None)
    return draw_ladder(rungs, steps, 400 * V, 80, False, volts, limit, elision)


def left_out(lines: list[tuple[str, Hint]]) -> list[tuple[str, Hint]]:
    return [(line, hint) for line, hint in lines if "left out" in line]


def test_long_ladder_keeps_the_ends_and_the_worst() -> None:
    lines = long_ladder(Elision(ends=2, worst=2))
    assert [line[:9].rstrip() for line, hint in lines if hint == "board"] == [
        "board 0",
        "board 1",
        "board 36",
        "board 37",
        "board 300",
        "board 301",
        "board 398",
        "board 399",
    ]
    assert [hint for _, hint in lines if hint in ("met", "missed")] == ["met", "met", "missed", "met"]
    assert left_out(lines) == [
        ("│ 34 boards and 35 segments left out: none missed, highest 35.0 %", "left out"),
        ("│ 262 boards and 263 segments left out: none missed, 1 not checked,", "left out"),
        ("│ 96 boards and 97 segments left out: none missed, highest 36.0 %", "left out"),
    ]


def test_long_ladder_never_hides_a_missed_segment_in_silence() -> None:
    assert left_out(long_ladder(Elision(ends=1, worst=0))) == [
        ("│ 398 boards and 399 segments left out: 1 MISSED, 1 not checked, highest 404.0 %", "missed")
    ]


@given(
    verdicts=st.lists(st.tuples(st.integers(0, 99), st.booleans()), max_size=30),
    ends=st.integers(1, 4),
    worst=st.integers(0, 5),
)
@settings(deadline=None)
def test_every_board_and_segment_is_drawn_or_counted(
    verdicts: list[tuple[int, bool]], ends: int, worst: int
) -> None:
    steps = [LadderStep(f"s{k}", stress, 100, verdict) for k, (stress, verdict) in enumerate(verdicts)]
    rungs = [DrawnRung(f"b{k}", k, k) for k in range(len(steps) + 1)]
    lines = draw_ladder(rungs, steps, 100, 200, True, str, str, Elision(ends, worst))
    boards = sum(hint == "board" for _, hint in lines)
    segments = sum(" of 100" in line for line, _ in lines)
    missed = sum("! MISSED" in line for line, _ in lines)
    for line, hint in left_out(lines):
        words = line.replace(",", "").split()
        boards, segments = boards + int(words[1]), segments + int(words[4])
        hidden = 0 if "none missed" in line else int(words[words.index("MISSED") - 1])
        assert hint == ("missed" if hidden else "left out")
        missed += hidden
    assert (boards, segments) == (len(rungs), len(steps))
    assert missed == sum(not verdict for _, verdict in verdicts)
    shown = [line for line, _ in lines if " of 100" in line]
    order = sorted(range(len(steps)), key=lambda k: (verdicts[k][1], -verdicts[k][0]))
    for k in order[:worst]:
        same = [f"{stress} of 100" for stress, verdict in verdicts if (stress, verdict) == verdicts[k]]
        assert any(f" {same[0]}" in line for line in shown)


@given(
    names=st.lists(texts, min_size=1, max_size=6),
    width=st.integers(20, 200),
    ascii_only=st.booleans(),
    unit=texts,
)
@settings(deadline=None)
def test_no_line_of_a_ladder_is_too_wide(names: list[str], width: int, ascii_only: bool, unit: str) -> None:
    # Oracle of widths: rich.cells.cell_len.
    rungs = [DrawnRung(name, k, 2 * k) for k, name in enumerate(names)]
    steps = [LadderStep(name, k, 5, k < 3) for k, name in enumerate(names[1:])]

    def figure(value: int) -> str:
        return f"{value} {unit}"

    for elision in (None, Elision(1, 0)):
        for line, _ in draw_ladder(rungs, steps, 9, width, ascii_only, figure, figure, elision):
            assert cell_len(line) <= width
            assert line.isprintable()
            assert line.isascii() or not ascii_only


@pytest.mark.parametrize(
    ("rung", "step", "string_voltage", "width", "elision", "message"),
    [
        (DrawnRung("b", 1, None), LadderStep("s", 1, 2, True), 9, 40, None, "b: one potential of two"),
        (DrawnRung("b", 2, 1), LadderStep("s", 1, 2, True), 9, 40, None, "b: 2 is above 1 uV"),
        (DrawnRung("b", 1, 2), LadderStep("s", -1, 2, True), 9, 40, None, "s: stress -1 uV"),
        (DrawnRung("b", 1, 2), LadderStep("s", 1, 0, True), 9, 40, None, "rating 0 uV"),
        (DrawnRung("b", 1, 2), LadderStep("s", 1, 2, True), 0, 40, None, "nothing to draw to scale in 0 uV"),
        (DrawnRung("b", 1, 2), LadderStep("s", 1, 2, True), 9, 19, None, "19 columns are too few"),
        (DrawnRung("b", 1, 2), LadderStep("s", 1, 2, True), 9, 40, Elision(0, 3), "does not keep both ends"),
    ],
)
def test_refused_ladder(
    rung: DrawnRung, step: LadderStep, string_voltage: int, width: int, elision: Elision | None, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        draw_ladder([rung, DrawnRung("c", 0, 0)], [step], string_voltage, width, False, volts, limit, elision)


def test_refused_ladder_with_a_step_too_many() -> None:
    with pytest.raises(ValueError, match="1 steps do not join 1 rungs"):
        draw_ladder([DrawnRung("b", 1, 2)], [LadderStep("s", 1, 2, True)], 9, 40, False, volts, limit)
