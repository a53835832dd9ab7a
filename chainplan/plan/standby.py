"""What a plan says of sleep, of alarms that nodes raise themselves, of supply and of balancing."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from chainplan.plan.fields import ZERO, Charge, Count, CountOrNone, Current, Name, Part, Ratio, Time, Truth


class Balancing(Part):
    """How a node takes charge off its cells: the current of one cell while it is bled.

    Where a task pauses balancing, `settling` passes between the pause and the first sample. With
    `alternate` odd and even cells take turns, half of the time each, because adjacent ones cannot be bled
    at once. Cells are bled while the node is awake, unless it goes on `asleep`.
    """

    current: Current
    """Current of one cell while it is bled."""
    settling: Time = ZERO
    """Between a pause in balancing and the first sample that counts."""
    alternate: Truth = False
    """Odd and even cells take turns, half of the time each."""
    asleep: Truth = False
    """`yes`: cells are bled on while the node sleeps; `no`: only during the `awake` share of `supply`."""


class BalancingTarget(Part):
    """How fast balancing must be: `imbalance` (of the cell's capacity) or a `charge` off `within` a time."""

    imbalance: Ratio | None = None
    """Share of the cell's capacity to take off."""
    charge: Charge | None = None
    """Charge to take off."""
    within: Time
    """In this time."""


class AlarmPath(Part):
    """A watch that the nodes keep on their own inputs while awake.

    Every node checks its inputs every `check_every`; after `debounce` hits in a row it raises an alarm that
    goes from node to node, `per_hop` in each, out of a ring by its nearer end. The alarm waits until the
    exchange under way on its chain is over and goes before the next one, unless it has a line of its own.
    A check makes a conversion, unless comparators (`hardware`) look at the inputs without one.
    """

    check_every: Time
    """How often a node checks its inputs."""
    debounce: Count = 1
    """Hits in a row that raise the alarm."""
    per_hop: Time
    """Time from node to node."""
    own_line: Truth = False
    """`yes`: a line beside the chain; `no`: the alarm waits for the exchange under way."""
    conversion: Name | None = None
    """The conversion of a check; left out, the one named like what the hazard shows in."""
    hardware: Truth = False
    """`yes`: comparators check without a conversion."""
    repeat_every: Time | None = None
    """How often a node sends its alarm again while the fault lasts."""
    lost: CountOrNone = 0
    """Alarms in a row that may be lost on their way."""


class SleepPlan(Part):
    """How the nodes watch their own inputs while the controller sleeps.

    `checks` lists what they look at, every `check_every`; after `debounce` hits in a row an alarm goes from
    node to node, `alarm_per_hop` in each, out of a ring by its nearer end, and wakes the controller.
    `host_wake` runs from the alarm at the port until the controller's evaluation begins. `ftti`
    stands for those of the hazards while asleep, if given.
    """

    check_every: Time
    """How often a sleeping node checks its inputs."""
    debounce: Count = 1
    """Hits in a row that raise the alarm."""
    checks: Annotated[list[Literal["cell voltages", "temperatures"]], Field(min_length=1, max_length=2)] = [
        "cell voltages"
    ]
    """What the nodes look at."""
    conversions: dict[Literal["cell voltages", "temperatures"], Name] = {}
    """The conversions of the checks; left out, those named like what they look at."""
    hardware: Truth = False
    """`yes`: comparators check without a conversion."""
    alarm_per_hop: Time
    """Time from node to node."""
    host_wake: Time
    """From the alarm at the port until the controller's evaluation begins."""
    ftti: Time | None = None
    """FTTI while asleep. Left out: the hazards' own."""


class SupplyPlan(Part):
    """How the pack is used, as far as the nodes' own supply is concerned: how much of the time awake."""

    awake: Ratio
    """Share of the time in which the nodes are awake."""
