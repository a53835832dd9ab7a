"""From a plan to its results: every budget, worked out when first asked for and kept."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from chainplan.budgets.age import SampleTiming, sample_budget
from chainplan.budgets.data import ControllerBytes, bytes_budget
from chainplan.budgets.latency import HazardLatency, latency_budget
from chainplan.budgets.scan import ControllerScan, scan_budget
from chainplan.chain.build import build_network
from chainplan.chain.network import Network
from chainplan.plan.model import LIBRARY_SECTIONS, Plan
from chainplan.verdicts import judge
from chainplan.verdicts.verdict import Verdicts, missed

if TYPE_CHECKING:
    import pandas

    from chainplan.budgets.balancing import BalancingTime, NodeBalancing
    from chainplan.budgets.coverage import Coverage
    from chainplan.budgets.errors import ControllerErrors
    from chainplan.budgets.faults import FaultBudget
    from chainplan.budgets.isolation import IsolationBudget
    from chainplan.budgets.length import ChainLength
    from chainplan.budgets.link import FastCable
    from chainplan.budgets.residual import Distance, ResidualBudget
    from chainplan.budgets.sleep import SleepBudget
    from chainplan.budgets.startup import StartUp
    from chainplan.budgets.supply import StringSupply
    from chainplan.budgets.told import Told
    from chainplan.budgets.uplink import Uplink
    from chainplan.plan.load import LoadedPlan


SCANNED_SECTIONS = (*LIBRARY_SECTIONS, "strings", "controllers", "chains", "insulation", "tasks")
"""The sections of a plan that its network and its scans follow from."""

OF_SCANS = (
    "scans",
    "samples",
    "traffic",
    "isolation",
    "start_ups",
    "balancing",
    "lengths",
    "fast_cables",
    "errors",
    "residual",
    "distances",
)
"""What follows from these sections alone."""


class Evaluation:
    """All results for one checked plan. `loaded` is what the plan was read from, where that is known."""

    def __init__(self, plan: Plan, loaded: LoadedPlan | None = None) -> None:
        self.plan = plan
        self.loaded = loaded

    def altered(self, plan: Plan) -> Evaluation:
        """Return the evaluation of a plan made from this one's by :func:`~chainplan.plan.altered.with_value`.

        Where all that the chains and their scans follow from is shared, so is what was worked out of it.
        """
        found = Evaluation(plan)
        if all(getattr(plan, section) is getattr(self.plan, section) for section in SCANNED_SECTIONS):
            found.__dict__.update({name: self.__dict__[name] for name in OF_SCANS if name in self.__dict__})
            found.network = replace(self.network, plan=plan)
        return found

    @cached_property
    def network(self) -> Network:
        """Return the plan built out."""
        return build_network(self.plan)

    @cached_property
    def scans(self) -> dict[str, ControllerScan]:
        """Return how each controller scans."""
        return scan_budget(self.network)

    @cached_property
    def samples(self) -> list[SampleTiming]:
        """Return age and skew of every task's values."""
        return [timing for scan in self.scans.values() for timing in sample_budget(scan)]

    @cached_property
    def traffic(self) -> list[ControllerBytes]:
        """Return what crosses the wires and what of it is worth."""
        return [bytes_budget(scan) for scan in self.scans.values()]

    @cached_property
    def latencies(self) -> list[HazardLatency]:
        """Return every hazard's way from fault to safe state, as far as there is a bound."""
        found = latency_budget(self.scans, self.plan.hazards)
        if self.told is None:
            return found
        told = self.told
        known = [told.latencies.get(each.hazard, each) for each in found]
        return [each for each in known if each.hazard not in told.unbounded]

    @cached_property
    def told(self) -> Told | None:
        """Return the hazards that another unit reacts to, if there are any."""
        if not any(hazard.reaction_at for hazard in self.plan.hazards.values()):
            return None
        from chainplan.budgets.told import told_budget  # late: few plans have them

        return told_budget(self.plan, self.scans, self.uplink)

    @cached_property
    def isolation(self) -> IsolationBudget:
        """Return what each segment's isolation carries."""
        from chainplan.budgets.isolation import isolation_budget  # late: a plan may be judged without it

        return isolation_budget(self.network)

    @cached_property
    def faults(self) -> FaultBudget:
        """Return what every single fault does."""
        from chainplan.budgets.faults import fault_budget  # late: a plan may be judged without it

        return fault_budget(self.network, self.scans, self.plan.hazards)

    @cached_property
    def coverage(self) -> Coverage:
        """Return which hazards the tasks cover, how often and where."""
        from chainplan.budgets.coverage import coverage_budget  # late: a plan may be judged without it

        return coverage_budget(self.network, self.scans, self.latencies)

    @cached_property
    def start_ups(self) -> list[StartUp]:
        """Return how each controller gets from power-up to its first complete set of readings."""
        from chainplan.budgets.startup import start_up  # late, as the three below

        return [start_up(scan) for scan in self.scans.values()]

    @cached_property
    def sleep(self) -> SleepBudget | None:
        """Return every hazard's way to the safe state while the controllers sleep, if they do."""
        from chainplan.budgets.sleep import sleep_budget

        return sleep_budget(self.network)

    @cached_property
    def balancing(self) -> dict[str, list[NodeBalancing]]:
        """Return for each controller how its nodes balance."""
        from chainplan.budgets.balancing import balancing_budget

        return {name: balancing_budget(scan) for name, scan in self.scans.items()}

    @cached_property
    def balancing_times(self) -> dict[str, list[BalancingTime]]:
        """Return for each controller how long balancing takes; nothing where no target says what."""
        from chainplan.budgets.balancing import balancing_times

        target = self.plan.targets.balancing
        if target is None:
            return {}
        return {
            name: balancing_times(self.network, groups, target) for name, groups in self.balancing.items()
        }

    @cached_property
    def supply(self) -> list[StringSupply]:
        """Return what the nodes of each string draw from its cells."""
        from chainplan.budgets.supply import supply_budget

        return supply_budget(self.network, self.scans)

    @cached_property
    def lengths(self) -> dict[str, ChainLength]:
        """Return for each chain what its length costs: level, delay, addresses."""
        from chainplan.budgets.length import length_budget  # late: a plan may be judged without it

        return length_budget(self.network, self.scans)

    @cached_property
    def fast_cables(self) -> tuple[FastCable, ...]:
        """Return the cables that the plan takes to be faster than their class guarantees."""
        from chainplan.budgets.link import fast_cables  # late, as above

        return fast_cables(self.network)

    @cached_property
    def errors(self) -> dict[str, ControllerErrors]:
        """Return for each controller what bit errors cost it; nothing where the plan has none."""
        from chainplan.budgets.errors import controller_errors  # late, as the two below

        found = {name: controller_errors(scan) for name, scan in self.scans.items()}
        return {name: errors for name, errors in found.items() if errors is not None}

    @cached_property
    def residual(self) -> ResidualBudget | None:
        """Return how many errors per hour no check sees; None where the plan has no bit errors."""
        from chainplan.budgets.residual import residual_budget

        return residual_budget(self.scans, self.errors)

    @cached_property
    def distances(self) -> tuple[Distance, ...]:
        """Return the Hamming distances of the check codes at the plan's blocks."""
        from chainplan.budgets.residual import distances

        return distances(self.scans)

    @cached_property
    def uplink(self) -> Uplink | None:
        """Return what the buses above the controllers do, if the plan has any."""
        if self.plan.uplink is None:
            return None
        from chainplan.budgets.uplink import uplink_budget  # late: most plans have none

        return uplink_budget(self.plan, self.samples)

    @cached_property
    def verdicts(self) -> Verdicts:
        """Return every target with its verdict."""
        return Verdicts(judge(self))

    @property
    def missed(self) -> Verdicts:
        """Return the targets that the plan misses."""
        return Verdicts(missed(self.verdicts))

    def to_dict(self) -> dict[str, Any]:
        """Return all results as plain data, as `chainplan data` writes them."""
        from chainplan.notebook import plain_data  # late, as all that shows results

        return plain_data(self)

    def frame(self) -> pandas.DataFrame:
        """Return the verdicts as a data frame; raises ImportError where pandas is not installed."""
        from chainplan.frames import verdicts_frame

        return verdicts_frame(self)

    def _repr_html_(self) -> str:
        from chainplan.notebook import evaluation_html

        return evaluation_html(self)


def evaluate(plan: Plan | LoadedPlan) -> Evaluation:
    """Evaluate a checked plan: what `chainplan.load` returns, or a plan alone."""
    return Evaluation(plan) if isinstance(plan, Plan) else Evaluation(plan.plan, plan)
