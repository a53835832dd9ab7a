"""What is simulated: a plan built out, without anything that budgets make of it."""

from __future__ import annotations

from typing import NamedTuple

from chainplan.chain.build import Unit, build_network, units
from chainplan.chain.network import Network
from chainplan.plan.model import Plan
from chainplan.plan.schedule import Hazard, Task
from chainplan.plan.standby import SleepPlan


class Pack(NamedTuple):
    """A pack under simulation: its network, what its units do, and what can happen to it."""

    network: Network
    units: dict[str, Unit]
    tasks: dict[str, Task]
    hazards: dict[str, Hazard]
    sleep: SleepPlan | None

    @classmethod
    def of(cls, plan: Plan) -> Pack:
        """Return the pack of a checked plan."""
        judges = units(plan.controllers, plan.uplink)
        return cls(build_network(plan), judges, plan.tasks, plan.hazards, plan.sleep)
