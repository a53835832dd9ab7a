"""What a plan makes use of."""

from __future__ import annotations

from chainplan.plan.model import Plan
from chainplan.plan.parts import Protocol
from chainplan.plan.readings import is_block


def rings(plan: Plan) -> bool:
    """Tell whether a chain is a ring."""
    return any(chain.shape == "ring" for chain in plan.chains.values())


def alarms(plan: Plan) -> bool:
    """Tell whether nodes awake raise alarms."""
    return any(hazard.alarm is not None for hazard in plan.hazards.values())


def asleep(plan: Plan) -> bool:
    """Tell whether nodes watch while the controllers sleep."""
    return plan.sleep is not None


def checks(plan: Plan) -> bool:
    """Tell whether nodes check themselves."""
    return alarms(plan) or asleep(plan)


def hazards(plan: Plan) -> bool:
    """Tell whether there are hazards."""
    return bool(plan.hazards)


def lost(plan: Plan) -> bool:
    """Tell whether readings may be lost."""
    return any(hazard.lost_readings for hazard in plan.hazards.values())


def reported(plan: Plan) -> bool:
    """Tell whether another unit reacts to a hazard."""
    return any(hazard.reaction_at for hazard in plan.hazards.values())


def uplink(plan: Plan) -> bool:
    """Tell whether there are buses above the controllers."""
    return plan.uplink is not None


def triggers(plan: Plan) -> bool:
    """Tell whether a task triggers conversions."""
    return any(task.kind == "measure" for task in plan.tasks.values())


def free_running(plan: Plan) -> bool:
    """Tell whether a task reads values without a trigger."""
    return any(task.kind == "read" and not is_block(task.reads) for task in plan.tasks.values())


def overlap(plan: Plan) -> bool:
    """Tell whether a task reads the conversion of its last run."""
    return any(task.overlap for task in plan.tasks.values())


def retries(plan: Plan) -> bool:
    """Tell whether failed reads are repeated."""
    return any(controller.retry_reserve for controller in plan.controllers.values())


def host_bus(plan: Plan) -> bool:
    """Tell whether a controller has a host bus."""
    return any(controller.host_bus is not None for controller in plan.controllers.values())


def ports(plan: Plan) -> bool:
    """Tell whether a controller has several ports."""
    return any(len(controller.port_names()) > 1 for controller in plan.controllers.values())


def start(plan: Plan) -> bool:
    """Tell whether a start-up is planned."""
    return any(controller.start is not None for controller in plan.controllers.values())


def sequential(plan: Plan) -> bool:
    """Tell whether answers follow one another."""
    styles = [protocol.read_style for protocol in _protocols(plan)]
    return "sequential" in [*styles, *(task.read_style for task in plan.tasks.values())]


def errors(plan: Plan) -> bool:
    """Tell whether bit errors are given."""
    given = [each.bit_errors for each in _protocols(plan)]
    given += [each.bit_errors for each in plan.chains.values()]
    return any(each is not None for each in given)


def signal(plan: Plan) -> bool:
    """Tell whether levels are given."""
    return any(protocol.signal is not None for protocol in _protocols(plan))


def _protocols(plan: Plan) -> list[Protocol]:
    """Return the protocols that chains speak; a library may hold more."""
    return [plan.protocols[chain.protocol] for chain in plan.chains.values()]


def bled(plan: Plan) -> bool:
    """Tell whether balancing has a target."""
    return plan.targets.balancing is not None


def supplied(plan: Plan) -> bool:
    """Tell whether the supply is planned."""
    return plan.supply is not None or plan.targets.imbalance_per_month is not None


def pauses(plan: Plan) -> bool:
    """Tell whether a task pauses balancing."""
    return any(task.pause_balancing for task in plan.tasks.values())
