"""Which tolerances belong to a part, and which one and the same set of parts passes through whole.

A part keeps its own value: a crystal is fast or slow, a relay's delay is what it is. Those are drawn. What is
different from one scan, frame or day to the next is met in full by every set of parts sooner or later; what
the firmware was built to wait for does not follow the part in hand; and where devices of one type are held
against one another, one draw for all of them would hide what is asked. Those are held whole, so that every
drawn set of parts is judged at its worst instant. Common practice, no source: tolerances between units are
told from those within a unit.
"""

from __future__ import annotations

from typing import NamedTuple

from chainplan.plan.problems import KeyPath

EACH_TIME = "software and frames differ each time, not from part to part"
CONDITIONS = "state and surroundings change while the parts stay the same"
EACH_DEVICE = "each device has its own, and the difference between them counts"
WAITED_FOR = "the host waits for their largest value, whatever the part in hand takes"


class Held(NamedTuple):
    """The end of a path, ``*`` for any key, and why what stands there is not drawn."""

    end: tuple[str, ...]
    reason: str


HELD = (
    Held(("cell_types", "*", "voltage"), CONDITIONS),  # from empty to full, each cell at its own
    Held(("cell_types", "*", "capacity"), EACH_DEVICE),
    Held(("balancing", "current"), EACH_DEVICE),
    Held(("currents", "*"), EACH_DEVICE),  # one draw for all nodes would leave no imbalance
    Held(("cable_types", "*", "temperature"), CONDITIONS),
    Held(("insulation_resistance", "*"), CONDITIONS),
    Held(("supply", "awake"), CONDITIONS),
    Held(("insulation", "impulse"), CONDITIONS),
    Held(("insulation", "altitude"), CONDITIONS),
    Held(("allowance",), EACH_TIME),  # of a protocol: stuffed bits; of a stack's break: arc and overshoot
    Held(("interval",), CONDITIONS),  # between bursts of errors on a bus
    Held(("conversions", "*", "time"), WAITED_FOR),
    Held(("balancing", "settling"), WAITED_FOR),
    Held(("set_up",), EACH_TIME),
    Held(("scan_jitter",), EACH_TIME),
    Held(("jitter",), EACH_TIME),
    Held(("run_time",), EACH_TIME),
    Held(("start",), EACH_TIME),
    Held(("host_wake",), EACH_TIME),
    Held(("switch",), EACH_TIME),
    Held(("command",), EACH_TIME),
    Held(("byte_gap",), EACH_TIME),
    Held(("frame_gap",), EACH_TIME),
    Held(("answer_gap",), EACH_TIME),
    *(
        Held((key,), EACH_TIME)  # amounts of data
        for key in (
            "data",
            "wire",
            "value",
            "width",
            "preamble",
            "trailer",
            "shortest_frame",
            "request",
            "answer",
            "write",
        )
    ),
)
"""What is not drawn. A new key that is no property of a part adds its line here."""


def reason_held(path: KeyPath) -> str:
    """Return why the quantity at a path is not drawn; nothing where it is."""
    return next((held.reason for held in HELD if _ends_with(path, held.end)), "")


def _ends_with(path: KeyPath, end: tuple[str, ...]) -> bool:
    return len(path) >= len(end) and all(
        wanted in ("*", step) for wanted, step in zip(end, path[-len(end) :], strict=True)
    )
