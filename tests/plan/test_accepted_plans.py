"""Whatever the loader accepts can be evaluated: example plans with values changed at random, zero to huge.

The changes stay within the grammar of the plan file: other quantities, counts, choices and names, keys left
out or added, lists reordered. A plan is either refused, with problems in their places, or every budget of
it can be worked out, in bounded time.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any, Literal, get_args, get_origin

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plan_texts import FULL, load_text
from pydantic import BaseModel, ValidationError

from chainplan.evaluation import Evaluation
from chainplan.plan.checks import check_plan
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.plan.model_words import SchemaSlot, slot_at, stand_in
from chainplan.plan.problems import KeyPath
from chainplan.quantity import DIMENSIONS, Dimension, Span
from chainplan.results import evaluate

BY_EXAMPLE = {dimension.example: dimension for dimension in DIMENSIONS}
BASES = [
    *(
        load_plan(path).sources.data
        for path in sorted((Path(__file__).parents[2] / "configs").glob("*.yaml"))
    ),
    load_text(FULL).sources.data,
]
NUMBERS = ["0", "1", "2", "3", "7", "10", "16", "100", "1000", "1e6", "1e9", "0.001", "1e-9", "0.66", "12.5"]
COUNTS = [0, 1, 2, 3, 4, 5, 7, 12, 13, 18, 60, 64, 97, 100, 1000, 99_991, 100_000]
LONGEST = 20.0  # seconds of processor time for all budgets of one plan


def spots(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Yield the path of every value, quantities in one piece."""
    slot = slot_at(path)
    if path and slot is not None:
        yield path
    if slot is not None and slot.type is not Span and isinstance(value, (dict, list)):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from spots(item, (*path, key))


def value_at(data: Any, path: KeyPath) -> Any:
    for step in path:
        data = data[step]
    return data


def quantity(dimension: Dimension, random: Random) -> str:
    unit = random.choice([unit for unit in dimension.units if unit.isascii()])
    return f"{random.choice(NUMBERS)} {unit}{random.choice(['', '', ' ± 1 %', ' ± 100 %'])}".strip()


def any_name(data: Any, random: Random) -> str:
    return str(
        random.choice([name for section in data.values() if isinstance(section, dict) for name in section])
    )


def other_value(data: Any, path: KeyPath, slot: SchemaSlot, random: Random) -> Any:
    """Return another value that the schema may take there."""
    holder = value_at(data, path[:-1])
    now = holder.get(path[-1]) if isinstance(holder, dict) else holder[path[-1]]
    choices: dict[Any, Callable[[], Any]] = {
        Span: lambda: quantity(BY_EXAMPLE[stand_in(path)], random),
        Literal: lambda: random.choice(get_args(slot.type)),
        int: lambda: random.choice(COUNTS),
        float: lambda: random.choice([0.0, 1e-9, 0.001, 0.5, 1.0, 3.0, 1e6]),
        bool: lambda: random.random() < 0.5,
        str: lambda: random.choice([any_name(data, random), f"{now} down", f"{now} up"]),
    }
    choose = choices.get(get_origin(slot.type) or slot.type)
    if choose is not None:
        return choose()
    if isinstance(now, list) and now:
        return other_list(now, random)
    return copy.deepcopy(stand_in(path) if now is None else now)


def other_list(now: list[Any], random: Random) -> list[Any]:
    items = copy.deepcopy(now)
    change = random.randrange(3)
    if change == 0:
        items.pop(random.randrange(len(items)))
    elif change == 1:
        items.insert(random.randrange(len(items) + 1), copy.deepcopy(random.choice(items)))
    else:
        random.shuffle(items)
    return items


def changed_data(base: Any, random: Random) -> tuple[Any, list[str]]:
    """Return the data of a plan with one to four values changed, and what was changed."""
    data = copy.deepcopy(base)
    told = []
    for _ in range(random.choice([1, 1, 2, 3, 4])):
        path = random.choice(list(spots(data)))
        slot = slot_at(path)
        assert slot is not None
        if isinstance(slot.type, type) and issubclass(slot.type, BaseModel):
            path = (*path, random.choice(list(slot.type.model_fields)))  # a key that may be new
            slot = slot_at(path)
            assert slot is not None
        if not isinstance(value_at(data, path[:-1]), (dict, list)):
            continue
        if slot.optional and random.random() < 0.1:
            value_at(data, path[:-1]).pop(path[-1], None)
            told.append(f"without {path}")
            continue
        value = other_value(data, path, slot, random)
        value_at(data, path[:-1])[path[-1]] = value
        told.append(f"{path}: {value!r}")
    return data, told


def accepted(data: Any) -> Plan | None:
    try:
        plan = Plan.model_validate(data)
    except ValidationError:
        return None
    return None if any(finding.severity == "error" for finding in check_plan(plan)) else plan


def work_out(evaluation: Evaluation) -> None:
    """Work out all but the search for the longest chain, which takes a second or more."""
    for name in vars(Evaluation):
        if name != "reach":
            getattr(evaluation, name)
    for work in evaluation.sums().values():
        assert work().total == sum(term.total for term in work().terms)
    for traffic in evaluation.traffic:
        assert traffic.efficiency <= 1
        assert traffic.log_per_hour >= 0
    for verdict in evaluation.verdicts:
        assert verdict.status in ("met", "missed", "not checked")
        assert verdict.margin_share is None or verdict.margin is not None


def test_the_plans_themselves_can_be_worked_out() -> None:
    for base in BASES:
        plan = accepted(base)
        assert plan is not None
        work_out(evaluate(plan))


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(range(len(BASES))), st.randoms(use_true_random=False))
def test_every_accepted_plan_can_be_worked_out(base: int, random: Random) -> None:
    data, told = changed_data(BASES[base], random)
    plan = accepted(data)
    if plan is None:
        return
    start = time.process_time()
    try:
        work_out(evaluate(plan))
    except Exception as error:
        raise AssertionError(f"plan {base} changed: {'; '.join(told)}") from error
    assert time.process_time() - start < LONGEST, told
