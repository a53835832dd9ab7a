"""Two rooms as data: what the tasks cover, and the uplink."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chainplan.budgets.coverage import KindCoverage, TaskInterval
from chainplan.budgets.uplink import passed_on
from chainplan.quantity import RATIO, TIME
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.budgets.uplink import Age
    from chainplan.budgets.uplink_buses import Message
    from chainplan.evaluation import Evaluation

Record = dict[str, Any]


def coverage_data(evaluation: Evaluation) -> Record:
    """Return the table of kinds of hazard."""
    coverage = evaluation.coverage
    return {
        "kinds": [_kind(kind) for kind in coverage.kinds.values()],
        "intervals": [_interval(test) for test in coverage.tests],
        "idle_tasks": [{"task": task, "reason": reason} for task, reason in coverage.idle.items()],
    }


def _kind(kind: KindCoverage) -> Record:
    return {
        "kind": kind.kind,
        "counted": kind.unit,
        "total": kind.total,
        "covered": kind.covered.total,
        "tasks": list(dict.fromkeys(test.task for test in kind.tests)),
        "interval": None if kind.slowest is None else _interval(kind.slowest),
        "hazards": [hazard.hazard for hazard in kind.hazards],
        "gaps": [
            {
                "string": gap.string,
                "boards": list(gap.boards),
                "whole_string": gap.whole,
                "not_covered": gap.units,
                "reason": gap.reason,
            }
            for gap in kind.gaps
        ],
    }


def _interval(test: TaskInterval) -> Record:
    return {
        "controller": test.controller,
        "task": test.task,
        **with_unit("worst", test.interval.total, TIME),
        **with_unit("typical", test.typical_interval.total, TIME),
    }


def uplink_data(evaluation: Evaluation) -> Record | None:
    """Return the buses above the controllers; None where the plan has none."""
    uplink = evaluation.plan.uplink
    if uplink is None:
        return None
    further = passed_on(uplink)
    return {
        "buses": [
            {
                "bus": name,
                **with_unit("load_worst", bus.load.total, RATIO),
                **with_unit("load_typical", bus.typical_load.total, RATIO),
                "messages": [_message(message) for message in bus.messages],
            }
            for name, bus in evaluation.buses.items()
        ],
        "ages": [_age(age, age.family in further) for age in evaluation.vehicle_ages],
    }


def _message(message: Message) -> Record:
    arrival, usual = message.response, message.typical_response.time
    return {
        "message": message.name,
        "family": message.family,
        "sender": message.sender or None,
        "identifier": message.identifier,
        "extended": message.plan.extended,
        "CAN_FD": message.plan.fd,
        **with_unit("frame", arrival.frame.total, TIME),
        **with_unit("response_worst", arrival.time.total if arrival.time else None, TIME),
        **with_unit("response_typical", usual.total if usual else None, TIME),
        **with_unit("deadline", arrival.deadline if message.judged else None, TIME),
        "status": message.status if message.judged else None,
        "unbounded": arrival.unbounded,
    }


def _age(age: Age, passed_on: bool) -> Record:
    return {
        "message": age.message,
        "controller": age.controller,
        "task": age.task,
        "path": list(age.path),
        "passed_on": passed_on,
        **with_unit("age_worst", age.time.total if age.time else None, TIME),
        **with_unit("age_typical", age.typical.total if age.typical else None, TIME),
        "figure": age.figure if age.time else "",
        "unbounded": age.unbounded,
    }
