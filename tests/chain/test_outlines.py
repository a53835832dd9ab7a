"""Outlines: the very same for chains that differ in cables and times, others wherever a bit could differ."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from chainplan.chain.network import _BITS, Chain, outlines
from chainplan.evaluation import Evaluation
from chainplan.plan.altered import with_value
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.plan.parts import Character, CheckCode, Protocol
from chainplan.plan.wire_parts import BitErrors
from chainplan.quantity import Span

CONFIG = Path(__file__).parents[2] / "configs" / "studies" / "plans" / "yard-tractor.yaml"

OF_TIMES = {
    "bit_rate",
    "byte_gap",
    "frame_gap",
    "answer_gap",
    "allowance",
    "time_out",
    "answer_window",
    "signal",
    "note",
}
"""What of a protocol changes no bit; a key that is new has to be put here or among the bits."""


def outlined(plan: Plan) -> tuple[Chain, ...]:
    return outlines(Evaluation(plan).network.chains.values())


def loaded() -> Plan:
    return load_plan(str(CONFIG)).plan


def protocol_of(plan: Plan) -> str:
    return next(iter(plan.chains.values())).protocol


def test_every_key_of_a_protocol_sets_bits_or_times() -> None:
    assert set(Protocol.model_fields) == OF_TIMES | set(_BITS)


def test_cables_and_times_leave_the_very_same_outlines() -> None:
    plan = loaded()
    chain, protocol = next(iter(plan.chains)), protocol_of(plan)
    longer = with_value(plan, ("chains", chain, "segments", "length"), Span.exact(3 * 10**9))
    faster = with_value(plan, ("protocols", protocol, "bit_rate"), Span.exact(3 * 10**12))
    assert outlined(longer) is outlined(plan)
    assert outlined(faster) is outlined(plan)
    assert not outlined(plan)[0].segments


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("character", Character(data="16 bit", wire="20 bit")),
        ("preamble", Span.exact(77)),
        ("trailer", Span.exact(77)),
        ("shortest_frame", Span.exact(777)),
        ("read_style", "polled"),
        ("request", Span.exact(160)),
        ("answer", Span.exact(160)),
        ("write", Span.exact(160)),
        ("check", CheckCode(width="32 bit")),
    ],
)
def test_other_bits_are_other_outlines_and_other_traffic(key: str, value: Any) -> None:
    plan = loaded()
    assert outlined(plan) is outlined(plan)
    other = with_value(plan, ("protocols", protocol_of(plan), key), value)
    assert outlined(other) is not outlined(plan)
    assert getattr(outlined(other)[0].protocol, key) == value
    wires = [[task.wire.total for task in Evaluation(each).traffic[0].tasks] for each in (plan, other)]
    assert wires[0] != wires[1]


def test_other_bit_errors_are_other_outlines() -> None:
    plan = loaded()
    path = ("protocols", protocol_of(plan), "bit_errors")
    rates = [Evaluation(with_value(plan, path, BitErrors(independent=p))).errors for p in (1e-9, 1e-6, 1e-9)]
    lost = [next(iter(each.values())).lost for each in rates]
    assert lost[0] == lost[2] != lost[1]
