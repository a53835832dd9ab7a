"""Headroom on the screen and as data: the same values, in words a reader can follow."""

from __future__ import annotations

import re
from functools import cache
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console
from written_results import written

from chainplan.evaluation import Evaluation
from chainplan.headroom.budget import headroom_budget
from chainplan.plan.load import LoadedPlan, load_plan
from chainplan.quantity import format_ticks
from chainplan.report.terminal import report_text

TROLLEY = Path(__file__).parents[2] / "configs" / "rail-trolley.yaml"
MISSES = ("targets.scan_time=12 ms", "targets.efficiency=99 %")


@cache
def planned(*settings: str) -> tuple[LoadedPlan, Evaluation]:
    loaded = load_plan(TROLLEY, settings)
    return loaded, Evaluation(loaded.plan)


def text_of(width: int, *settings: str, encoding: str = "utf-8") -> str:
    console = Console(file=StringIO(), width=width, legacy_windows=False)
    loaded, evaluation = planned(*settings)
    return report_text(console, loaded, evaluation, ["headroom"])


def squeezed(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("settings", [(), MISSES])
def test_every_stopped_parameter_has_a_row_that_fits(width: int, settings: tuple[str, ...]) -> None:
    text = text_of(width, *settings)
    assert all(len(line) <= width for line in text.splitlines())
    for limit in headroom_budget(planned(*settings)[1]).limits:
        parameter = limit.parameter
        if limit.stops and limit.value != parameter.present and not settings:
            assert parameter.name.split()[0] in text
            ends = {format_ticks(limit.value, parameter.dimension, rounding=side) for side in ("up", "down")}
            assert any(end in text for end in ends), (parameter.name, ends)


def test_a_miss_comes_first_with_what_fixes_it() -> None:
    text = text_of(120, *MISSES)
    assert text.index("What would fix a miss") < text.index("How far each parameter moves")
    assert "conversion of open wire: node-12 from 10 ms to 4.49 ms" in squeezed(text)
    assert '--with \'node_types.node-12.conversions."open wire".time=' in squeezed(text)
    assert (
        "No parameter of the table below, and no two together, fixes 1 target: efficiency (trolley)"
        in squeezed(text)
    )


def test_the_data_say_what_the_screen_says() -> None:
    loaded, evaluation = planned(*MISSES)
    assert written(loaded)["headroom"] is None
    headroom = written(loaded, headroom=True)["headroom"]
    assert len(headroom["limits"]) == len(headroom_budget(evaluation).limits)
    (scan, efficiency) = sorted(headroom["missed"], key=lambda each: -len(each["fixes"]))
    assert (scan["target"], efficiency["target"], efficiency["fixes"]) == ("scan time", "efficiency", [])
    (fix,) = scan["fixes"][:1]
    (move,) = fix["moves"]
    assert (move["now"], move["then"], move["unit"]) == (10e-3, 4.49e-3, "s")
    # 9 ms, 10 ms and 12 ms, each times 0.449
    spelled = "{min: 4.041 ms, typical: 4.49 ms, max: 5.388 ms}"
    assert move["set"] == [f'node_types.node-12.conversions."open wire".time={spelled}']
