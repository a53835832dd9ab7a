"""What a plan says of sleep, of alarms that nodes raise themselves, of supply and of balancing."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from chainplan.plan.fields import ZERO, Charge, Count, Current, Part, Ratio, Time, Truth


class Balancing(Part):
    """How a node takes charge off its cells: the current of one cell while it is bled.

    Where a task pauses balancing, `settling` passes between the pause and the first sample. With
    `alternate` odd and even cells take turns, half of the time each, because adjacent ones cannot be bled
    at once.
    """

    current: Current
    settling: Time = ZERO
    alternate: Truth = False


class BalancingTarget(Part):
    """How fast balancing must be: `imbalance` (of the cell's capacity) or a `charge` off `within` a time."""

    imbalance: Ratio | None = None
    charge: Charge | None = None
    within: Time


class AlarmPath(Part):
    """A watch that the nodes keep on their own inputs while awake.

    Every node checks its inputs every `check_every`; after `debounce` hits in a row it raises an alarm that
    goes from node to node, `per_hop` in each, out of a ring by its nearer end. The alarm waits until the
    exchange under way on its chain is over and goes before the next one, unless it has a line of its own.
    """

    check_every: Time
    debounce: Count = 1
    per_hop: Time
    own_line: Truth = False


class SleepPlan(Part):
    """How the nodes watch their own inputs while the controller sleeps.

    `checks` lists what they look at, every `check_every`; after `debounce` hits in a row an alarm goes from
    node to node, `alarm_per_hop` in each, out of a ring by its nearer end, and wakes the controller.
    `host_wake` runs from the alarm at the port until the controller's evaluation begins. `tolerant_time`
    stands for those of the hazards while asleep, if given.
    """

    check_every: Time
    debounce: Count = 1
    checks: Annotated[list[Literal["cell voltages", "temperatures"]], Field(min_length=1, max_length=2)] = [
        "cell voltages"
    ]
    alarm_per_hop: Time
    host_wake: Time
    tolerant_time: Time | None = None


class SupplyPlan(Part):
    """How the pack is used, as far as the nodes' own supply is concerned: how much of the time awake."""

    awake: Ratio
