"""Errors of every kind, in all parts of a plan, are told in one run, and none that follows from another."""

from __future__ import annotations

from pathlib import Path

import pytest
from plan_texts import file_problems

from chainplan.plan.starter import STARTER

KINDS = {
    "title": ("title: Starter plan", "title: Starter plan\ntitle: another"),
    'protocols."my protocol".bit_rate': ("    bit_rate: ", "    # "),
    'node_types."my node".turn_around': ("turn_around: 4 us .. 10 us", "turn_around: 10 us .. 4 us"),
    "insulation.altitude": ("altitude: 2000 m", "altitude: "),
    "chains.line.segments.cable": ("cable: my pair", "cable: my pear"),
    "chains.line.segments.lenght": ("      length: 350 mm", "      lenght: 1 m\n      length: 350 mm"),
    "hazards.over-temperature.debounce": ("debounce: 2", "debounce: two"),
    "hazards.over-voltage.reaction": ("reaction: contactor", "reaction: contractor"),
    'controllers."main controller".scan_period': ("scan_period: 100 ms ± 0.1 %", "scan_period: 10 Hz"),
    "targets.skewe": ("  skew: ", "  skewe: "),
}
"""The key of a slip, and the slip. They are of every kind that is found by another pass over the plan."""

LAYOUT = {
    'board_types."my board".nodes[0].type': ("type: my node, cells", "type: my nod, cells"),
    "strings.main.cell_type": ("cell_type: my cell", "cell_type: my sell"),
}
WORK = {'tasks."open wire".conversion': ("reads: open wire, ", "reads: open wire, conversion: nope, ")}
"""Found only where the layout is sound."""


def slipped(tmp_path: Path, slips: dict[str, tuple[str, str]]) -> list[str]:
    text = STARTER
    for old, new in slips.values():
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    return [problem.key for problem in file_problems(path)]


@pytest.mark.parametrize("last", [LAYOUT, WORK], ids=["with the layout", "with the work"])
def test_slips_of_all_kinds_are_told_in_one_run(tmp_path: Path, last: dict[str, tuple[str, str]]) -> None:
    slips = KINDS | last
    if last is WORK:  # a wrong node type leaves open what the nodes can do
        del slips['node_types."my node".turn_around']
    found = slipped(tmp_path, slips)
    assert sorted(found) == sorted(slips)


@pytest.mark.parametrize(("key", "slip"), (KINDS | LAYOUT | WORK).items(), ids=KINDS | LAYOUT | WORK)
def test_a_slip_alone_is_told_alone(tmp_path: Path, key: str, slip: tuple[str, str]) -> None:
    assert slipped(tmp_path, {key: slip}) == [key]
