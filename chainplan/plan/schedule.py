"""What the firmware does and what must hold: tasks, hazards and targets."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from chainplan.plan.fields import ZERO, Bits, Charge, Count, CountOrNone, Name, Note, Part, Ratio, Time, Truth
from chainplan.plan.parts import ReadStyle
from chainplan.plan.readings import HazardKind, Quantity
from chainplan.plan.standby import AlarmPath, BalancingTarget
from chainplan.plan.wire_parts import Rate


class Task(Part):
    """Periodic work on the chains.

    A `measure` task sends a broadcast trigger, waits for the conversion and reads the results; a `read`
    task reads without a trigger; a `write` task is a broadcast of `data` bits.

    `reads` says what the answers carry: one value per cell (`cell voltages`; the diagnostics `redundant cell
    voltages`, `open wire` and `switch check`), one per temperature input (`temperatures`), or `data` bits
    per node (`status`, `register check`).

    With `pause_balancing` a node stops balancing when the trigger has arrived, waits until its inputs have
    settled, converts, and goes on balancing.
    """

    kind: Literal["measure", "read", "write"] = "measure"
    reads: Quantity = "cell voltages"
    every: Count = 1
    phase: CountOrNone | None = None
    conversion: Name | None = None
    value: Bits | None = None
    values_per_read: Count | None = None
    sends: Literal["wired inputs", "all inputs"] = "wired inputs"
    data: Bits = ZERO
    overlap: Truth = False
    pause_balancing: Truth = False
    read_style: ReadStyle | None = None
    chains: Annotated[list[Name], Field(min_length=1, max_length=1000)] | None = None
    note: Note = ""


class Hazard(Part):
    """A fault that must be handled within its fault tolerant time interval (ISO 26262-1:2018, 3.61).

    With an `alarm` the nodes watch for it themselves, beside the tasks that read it. The `reaction` is an
    actuator of the controller that reads it, or of the unit `reaction_at`, which it tells by the message
    `told_by` of the uplink when its evaluation has found the fault.
    """

    kind: HazardKind
    task: Name | None = None
    debounce: Count = 1
    lost_readings: CountOrNone = 0
    sensor_lag: Time = ZERO
    alarm: AlarmPath | None = None
    tolerant_time: Time
    reaction: Name
    reaction_at: Name | None = None
    told_by: Name | None = None
    note: Note = ""


class Targets(Part):
    """Limits set by the plan's author. What is left out is computed but not judged.

    `coverage` names the kinds of hazard that some task must show on the whole pack; `age_at_vehicle` limits
    the age of what a message of the uplink carries, where it is received.
    """

    scan_time: Time | None = None
    utilisation: Ratio | None = None
    sample_age: dict[Name, Time] = {}
    skew: dict[Name, Time] = {}
    bytes_per_sample: dict[Name, Annotated[float, Field(gt=0, le=1_000_000, strict=True)]] = {}
    bytes_per_scan: Bits | None = None
    efficiency: Ratio | None = None
    host_bus_load: Ratio | None = None
    cells_seen_after_fault: Ratio | None = None
    fault_known: Time | None = None
    recovery: Time | None = None
    scans_lost_per_hour: Rate | None = None
    residual_errors_per_hour: Rate | None = None
    start_up: Time | None = None
    balancing: BalancingTarget | None = None
    imbalance_per_month: Charge | None = None
    coverage: Annotated[list[HazardKind], Field(max_length=100)] = []
    uplink_load: Ratio | None = None
    age_at_vehicle: dict[Name, Time] = {}
