"""What a result depends on: nothing but what its budget is given, so that no stale one is ever taken over."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import FunctionType, MethodType, ModuleType
from typing import Any

import pytest
from pydantic import BaseModel

from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.budget import BUDGETS, Budget
from chainplan.figures.figure import Kind
from chainplan.figures.terms import Sum
from chainplan.plan.altered import with_value
from chainplan.plan.checks import check_plan
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.plan.problems import KeyPath
from chainplan.plan.readings import HAZARD_KINDS
from chainplan.plan.schedule import Targets
from chainplan.quantity import Span

CONFIGS = Path(__file__).parents[1] / "configs"
EXAMPLES = sorted(path.stem for path in CONFIGS.glob("*.yaml"))

SHARES = 8
"""Tests that the moves of one example are spread over."""


def with_every_target(plan: Plan) -> Plan:
    """Return a plan that has a limit for everything that can have one."""
    tasks = [name for name, task in plan.tasks.items() if task.kind != "write"]
    told = plan.uplink.messages.items() if plan.uplink else ()
    targets = {
        "scan_time": "40 ms",
        "utilisation": "60 %",
        "sample_age": dict.fromkeys(tasks, "300 ms"),
        "skew": dict.fromkeys(tasks, "100 us"),
        "bytes_per_sample": dict.fromkeys(tasks, 3.0),
        "bytes_per_scan": "1000 bit",
        "efficiency": "60 %",
        "host_bus_load": "30 %",
        "cells_monitored_after_fault": "80 %",
        "fault_detection": "300 ms",
        "recovery": "1 s",
        "scans_lost_per_hour": 0.1,
        "stale_readings_per_hour": 1e-3,
        "residual_errors_per_hour": 1e-6,
        "start_up": "500 ms",
        "balancing": {"imbalance": "1 %", "within": "10 h"},
        "imbalance_per_month": "10 mAh",
        "monitoring": list(HAZARD_KINDS),
        **({"uplink_load": "30 %"} if plan.uplink else {}),
        "end_to_end_age": {name: "500 ms" for name, each in told if each.carries or each.forwards},
    }
    assert {*targets, "uplink_load"} == set(Targets.model_fields), "a new target needs its line here"
    return plan.model_copy(update={"targets": Targets.model_validate(targets)})


@cache
def whole(name: str) -> Evaluation:
    """Return the evaluation of an example with every target, everything worked out."""
    evaluation = Evaluation(with_every_target(load_plan(CONFIGS / f"{name}.yaml").plan))
    told(evaluation)
    return evaluation


def told(evaluation: Evaluation) -> dict[str, Any]:
    """Return all that an evaluation says: every figure, and every sum with its terms."""
    figures = {
        (each.target, each.subject): (
            each.value,
            each.limit,
            each.typical,
            each.where,
            each.note,
            each.status,
        )
        for each in evaluation.shown()
    }
    sums = {name: tuple(work_out()) for name, work_out in evaluation.sums().items()}
    return {"figures": figures, "sums": sums}


def parameters(part: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    """Yield every quantity, number and yes or no of a plan with another value for it."""
    if isinstance(part, Span):
        moved = Span(part.min * 9 // 10, part.typical * 9 // 10 + 1, part.max * 11 // 10 + 2)
        yield path, moved
    elif isinstance(part, BaseModel):
        for name in type(part).model_fields:
            yield from parameters(getattr(part, name), (*path, name))
    elif isinstance(part, dict):
        for key, item in part.items():
            yield from parameters(item, (*path, key))
    elif isinstance(part, (list, tuple)):
        for number, item in enumerate(part):
            yield from parameters(item, (*path, number))
    elif isinstance(part, bool):
        yield path, not part
    elif isinstance(part, int) and path[-1] == "pollution_degree":
        yield path, part % 3 + 1
    elif isinstance(part, int) and path[-1] not in SHAPES:
        yield path, part + 1
    elif isinstance(part, float):
        yield path, part * 1.5 + 1e-9


SHAPES = ("chainplan", "count", "modules", "cells", "temperatures", "first_cell", "cell_inputs", "polynomial")
"""Numbers that lay the pack out: with another one of them alone a plan does not fit together."""


def errors(plan: Plan) -> set[str]:
    return {each.message for each in check_plan(plan, suspect=False) if each.severity == "error"}


def test_every_target_limits_some_figure() -> None:
    plan = with_every_target(load_plan(CONFIGS / "quarry-truck.yaml").plan)
    for key in set(Targets.model_fields) - {"host_bus_load"}:  # that is judged without a target, too
        alone = Targets.model_validate({key: getattr(plan.targets, key)})
        limited = [
            kind
            for kind in kinds()
            if kind.asked(plan.model_copy(update={"targets": alone}))
            and not kind.asked(plan.model_copy(update={"targets": Targets()}))
        ]
        assert limited, f"no figure is checked against the target {key}"


@pytest.mark.parametrize("share", range(SHARES))
@pytest.mark.parametrize("name", EXAMPLES)
def test_whatever_is_moved_the_result_is_that_of_a_fresh_evaluation(name: str, share: int) -> None:
    base = whole(name)
    moved = list(parameters(base.plan))
    assert len(moved) > 100
    known = errors(base.plan)  # a target that a task of this plan cannot have
    compared = 0
    for path, value in moved[share::SHARES]:
        plan = with_value(base.plan, path, value)
        if errors(plan) <= known:
            assert told(base.altered(plan)) == told(Evaluation(plan)), path
            compared += 1
    assert compared > 0.6 * len(moved[share::SHARES]), "the others are no plans"


def test_results_that_stay_the_same_are_taken_over() -> None:
    base = whole("rail-trolley")
    path: KeyPath = ("hazards", "over-voltage", "debounce")
    altered = base.altered(with_value(base.plan, path, 7))
    told(altered)
    for name in ("network", "scans", "isolation", "lengths", "errors", "faults", "start_ups"):
        assert altered.result(name) is base.result(name), name
    for name in ("latencies", "monitoring"):
        assert altered.result(name) is not base.result(name), name


def test_a_rating_reaches_the_isolation_alone() -> None:
    base = whole("rail-trolley")
    barrier = next(iter(base.plan.barrier_types))
    path: KeyPath = ("barrier_types", barrier, "working_voltage")
    altered = base.altered(with_value(base.plan, path, Span.exact(10**8)))
    told(altered)
    changed = {name for name in BUDGETS if altered.result(name) is not base.result(name)}
    assert changed == {"isolation"}


# What a budget can reach ---------------------------------------------------------------------------------


def reached(*roots: Any) -> Iterator[Any]:
    """Yield every object that can be reached from some others; of a function, what it closes over."""
    seen: set[int] = set()
    left = list(roots)
    while left:
        each = left.pop()
        if id(each) in seen or isinstance(each, (type, ModuleType)):
            continue
        seen.add(id(each))
        yield each
        if isinstance(each, FunctionType):
            left += [cell.cell_contents for cell in each.__closure__ or ()]
            left += each.__defaults__ or ()
        elif isinstance(each, MethodType):
            left += [each.__self__, each.__func__]
        else:
            left += gc.get_referents(each)


def reads_past(*roots: Any) -> bool:
    return any(isinstance(each, (Plan, Evaluation)) for each in reached(*roots))


@pytest.mark.parametrize("name", EXAMPLES)
def test_nothing_leads_from_a_result_to_the_plan(name: str) -> None:
    """A result that did could look, sooner or later, at what its budget was not given."""
    base = whole(name)
    assert not reads_past(*[base.result(each) for each in BUDGETS])
    assert not reads_past(*[each.item for each in base.shown()])


def test_a_result_that_leads_to_the_plan_would_be_found() -> None:
    plan = whole("rail-trolley").plan
    assert reads_past([{"late": lambda: plan.tasks}])
    assert not reads_past([{"late": lambda: 1}])


@pytest.mark.parametrize("what", [*BUDGETS.values(), *kinds()], ids=lambda what: what.name)
def test_what_is_needed_is_a_budget_or_a_section(what: Budget[..., Any] | Kind[Any]) -> None:
    assert set(what.needs) <= {*BUDGETS, *Plan.model_fields}


def test_sums_are_named_once_and_come_to_what_the_figure_says() -> None:
    for name in EXAMPLES:
        names: dict[str, Sum] = {}
        for figure in whole(name).shown():
            worst = figure.sums[0] if figure.kind.explained else None
            if worst is not None:
                assert names.setdefault(figure.figure, worst) == worst, figure
                if worst.dimension.name == figure.dimension.name and figure.kind.section != "isolation":
                    assert worst.total == figure.value, figure
