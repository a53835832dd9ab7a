"""Example plans varied for the tests of single faults, and what these ask of a walk through the faults."""

from __future__ import annotations

from pathlib import Path

from chainplan.budgets.faults.walk import FaultBudget, Outcome
from chainplan.budgets.scanning.scan import controller_scan, phases_of, with_phases
from chainplan.chain.degraded import degraded_network, tasks_after
from chainplan.evaluation import Evaluation
from chainplan.figures.figure import Figure
from chainplan.plan.layout import RecoveryPlan
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import RATIO, TIME

CONFIGS = Path(__file__).parent.parent.parent / "configs"
EXAMPLES = ["rail-trolley", "harbour-ferry", "mine-locomotive", "storage-container"]


def example(name: str) -> Plan:
    """Return an example without its jabber limits and targets for faults, which tests give it."""
    plan = load_plan(CONFIGS / f"{name}.yaml").plan
    none = {"cells_monitored_after_fault": None, "fault_detection": None, "recovery": None}
    return plan.model_copy(
        update={
            "node_types": {
                key: node.model_copy(update={"jabber_limit": None}) for key, node in plan.node_types.items()
            },
            "targets": plan.targets.model_copy(update=none),
        }
    )


def with_targets(plan: Plan, **limits: str) -> Plan:
    found = {key: parse_quantity(text, RATIO if "cells" in key else TIME) for key, text in limits.items()}
    return plan.model_copy(update={"targets": plan.targets.model_copy(update=found)})


def with_recovery(plan: Plan, switch: str = "1 ms") -> Plan:
    recovery = {"recovery": RecoveryPlan(switch=parse_quantity(switch, TIME))}
    controllers = {name: each.model_copy(update=recovery) for name, each in plan.controllers.items()}
    return plan.model_copy(update={"controllers": controllers})


def without_recovery(plan: Plan) -> Plan:
    controllers = {
        name: each.model_copy(update={"recovery": None}) for name, each in plan.controllers.items()
    }
    return plan.model_copy(update={"controllers": controllers})


def with_jabber_limit(plan: Plan, limit: str = "5 ms") -> Plan:
    more = {"jabber_limit": parse_quantity(limit, TIME)}
    nodes = {name: each.model_copy(update=more) for name, each in plan.node_types.items()}
    return plan.model_copy(update={"node_types": nodes})


def evaluate_after(evaluation: Evaluation, outcome: Outcome) -> Evaluation:
    """Return the evaluation of what is left after a fault, its controller's slot table kept."""
    network, name = degraded_network(evaluation.network, outcome.left), outcome.fault.controller
    kept = with_phases(tasks_after(evaluation.plan.tasks, outcome.left), phases_of(evaluation.scans[name]))
    scans = {**evaluation.scans, name: controller_scan(kept, network.controllers[name])}
    return evaluation.altered(evaluation.plan, network=network, scans=scans)


def unmonitored_cells(faults: FaultBudget, outcome: Outcome) -> dict[str, int]:
    """Return how many cells of every string that has any are blind."""
    found: dict[str, int] = {}
    for node in faults.unmonitored_nodes(outcome):
        if node.cells:
            found[node.string] = found.get(node.string, 0) + node.cells
    return found


def walked(plan: Plan) -> FaultBudget:
    return Evaluation(plan).faults


def outcome(faults: FaultBudget, name: str) -> Outcome:
    return next(each for each in faults.outcomes if each.name == name)


def known(faults: FaultBudget, name: str) -> int:
    found = outcome(faults, name).known
    assert found is not None
    return found.time.total


def recovery(faults: FaultBudget, name: str) -> int:
    found = faults.recovery(outcome(faults, name)).time
    assert found is not None
    return found.total


def verdicts(plan: Plan, target: str) -> dict[str, Figure]:
    return {each.subject: each for each in Evaluation(plan).verdicts if each.target == target}
