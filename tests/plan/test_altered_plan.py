"""Plans with other values: what changes, what is shared, which quantities have a tolerance."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from plan_texts import FULL, load_text
from pydantic import BaseModel

from chainplan.plan.altered import spans, tolerances, value_at, with_value
from chainplan.plan.load import load_source
from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath
from chainplan.plan.source import parse_source
from chainplan.quantity import Span

PLAN = load_text(FULL).plan


def set_in_file(setting: str) -> Plan:
    return load_source(parse_source(FULL, "plan.yaml"), Path("no such folder"), [setting]).plan


@pytest.mark.parametrize(
    ("path", "value", "setting"),
    [
        (("title",), "Other", "title=Other"),
        (("board_types", "lower", "nodes", 1, "temperatures"), 0,
         "board_types.lower.nodes[1].temperatures=0"),
        (("node_types", "six", "wake"), Span.exact(10**9), "node_types.six.wake=1 us"),
        (("node_types", "six", "conversions", "temperatures", "time"), Span.exact(10**12),
         "node_types.six.conversions.temperatures.time=1 ms"),
        (("cable_types", "trace", "loss_factor"), 1.5, "cable_types.trace.loss_factor=1.5"),
    ],
)  # fmt: skip
def test_an_altered_plan_is_the_plan_with_that_value_written(path: KeyPath, value: Any, setting: str) -> None:
    altered = with_value(PLAN, path, value)
    assert altered == set_in_file(setting)
    assert value_at(altered, path) == value
    assert value_at(PLAN, path) != value


def test_a_key_left_out_can_be_given_and_counts_as_given() -> None:
    chain = next(iter(PLAN.chains))
    altered = with_value(PLAN, ("chains", chain, "back_segment", "length"), Span.exact(10**9))
    assert "length" in altered.chains[chain].back_segment.model_fields_set


def test_what_is_not_on_the_way_is_shared() -> None:
    altered = with_value(PLAN, ("node_types", "six", "wake"), Span.exact(1))
    assert altered.chains is PLAN.chains
    assert altered.node_types["six"].forwarding is PLAN.node_types["six"].forwarding


@pytest.mark.parametrize(
    "path", [("titel",), ("node_types", "sex", "wake"), ("title", "x"), ("node_types", "six", "wake", "min")]
)
def test_a_way_that_does_not_exist_is_refused(path: KeyPath) -> None:
    with pytest.raises(LookupError):
        with_value(PLAN, path, 1)
    with pytest.raises(LookupError):
        value_at(PLAN, path)


def test_every_quantity_is_found_once_where_it_is() -> None:
    found = list(spans(PLAN))
    assert len({path for path, _ in found}) == len(found)
    assert all(value_at(PLAN, path) == span for path, span in found)
    assert (("node_types", "six", "wake"), Span.exact(300 * 10**9)) in found


def test_limits_have_no_tolerance_to_look_at() -> None:
    paths = [path for path, _ in tolerances(PLAN)]
    assert ("cell_types", "nmc", "voltage") in paths
    assert not any(path[0] == "targets" for path in paths)
    assert all(isinstance(part, BaseModel) for part in (PLAN, PLAN.targets))


@pytest.mark.parametrize(
    "path",
    [
        ("title", 0),  # a word has no places
        ("node_types", "six", "wake", 0),  # nor has a quantity
        ("board_types", "lower", "nodes", "first"),  # a list has no names
        ("node_types", "six", "no such key"),
    ],
)
def test_there_is_no_way_into_a_value(path: KeyPath) -> None:
    with pytest.raises(LookupError):
        with_value(PLAN, path, 1)


def test_limits_have_no_tolerance_of_their_own() -> None:
    limits = PLAN.targets.model_copy(update={"scan_time": Span(1, 2, 3)})
    hazards = {
        name: hazard.model_copy(update={"ftti": Span(1, 2, 3), "sensor_lag": Span(1, 2, 3)})
        for name, hazard in PLAN.hazards.items()
    }
    paths = [path for path, _ in tolerances(PLAN.model_copy(update={"targets": limits, "hazards": hazards}))]
    assert [path for path in paths if path[0] == "targets" or path[-1] == "ftti"] == []
    assert {path for path in paths if path[0] == "hazards"} >= {
        ("hazards", name, "sensor_lag") for name in hazards
    }
