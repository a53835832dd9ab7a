"""What the firmware does and what must hold: tasks, hazards and targets."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from chainplan.plan.fields import (
    ZERO,
    Bits,
    Charge,
    Count,
    CountOrNone,
    Name,
    Names,
    Note,
    Part,
    Ratio,
    Time,
    Truth,
)
from chainplan.plan.parts import ReadStyle
from chainplan.plan.readings import HazardKind, Quantity
from chainplan.plan.standby import AlarmPath, BalancingTarget
from chainplan.plan.wire_parts import Rate

Readings = Annotated[int, Field(ge=1, le=1000, strict=True)]
Losses = Annotated[int, Field(ge=0, le=100, strict=True)]

MOST_SCANS = 10_000
"""Scans after which the tasks of a plan must repeat: every scan of this major cycle is looked at."""


class Task(Part):
    """Periodic work on the chains.

    A `measure` task sends a broadcast trigger, waits for the conversion and reads the results; a `read`
    task reads without a trigger; a `write` task is a broadcast of `data` bits.

    `reads` says what the answers carry: one value per cell (`cell voltages`; the diagnostics `redundant cell
    voltages`, `open wire` and `switch check`), one per temperature input (`temperatures`), or `data` bits
    per node (`status`, `register check`).

    A task that is `sent_from` the `back` runs on rings only. Its slot begins with the `reversal` of the ring
    and ends with the turn back; without one every node knows its part either way round. Once a ring is broken
    and its controller has switched it, every task reads what is left from both its ports, and turns nothing.

    With `pause_balancing` a node stops balancing when the trigger has arrived, waits until its inputs have
    settled, converts, and goes on balancing.
    """

    kind: Literal["measure", "read", "write"] = "measure"
    """`measure`: trigger, conversion, read. `read`: without a trigger. `write`: a broadcast of `data`."""
    reads: Quantity = "cell voltages"
    """What the answers carry: one value per cell (`cell voltages`, `redundant cell voltages`, `open wire`,
    `switch check`), one per temperature input (`temperatures`), or `data` bits per node (`register check`,
    `status`).
    """
    every: Count = 1
    """Runs every so many scans."""
    phase: CountOrNone | None = None
    """The scan in which it first runs, counted from 0. Left out: chosen for you."""
    conversion: Name | None = None
    """Another conversion of the node types. Left out: named like what it reads."""
    value: Bits | None = None
    """Bits of one value; needed where inputs are read."""
    values_per_read: Count | None = None
    """Values of each node that one read fetches. Left out: all."""
    sends: Literal["wired inputs", "all inputs"] = "wired inputs"
    """Whether nodes send values of unwired inputs too."""
    data: Bits = ZERO
    """Bits of one node's block, or of a broadcast on top of the protocol's `write`: without it a bare
    command.
    """
    overlap: Truth = False
    """Reads the conversion of its last run while the next one goes on: shorter scan, older samples."""
    pause_balancing: Truth = False
    """Nodes stop balancing from the trigger until the conversion has ended."""
    read_style: ReadStyle | None = None
    """Another read style for this task. Left out: the protocol's."""
    chains: Annotated[list[Name], Field(min_length=1, max_length=1000)] | None = None
    """Only these chains. Left out: all chains."""
    stale_runs: Losses = 0
    """Runs in a row, at most, whose trigger a node does not hear: it answers with what it sampled before."""
    freshness: Annotated[int, Field(ge=1, le=32, strict=True)] | None = None
    """Bits of a counter in every answer that goes on with each trigger heard: an answer with old values
    is then known, and counts as lost. Left out: no counter.
    """
    sent_from: Literal["head", "back"] = "head"
    """The port by which a ring is asked. `back`: requests go in and answers come out at its back port. Tests
    the return path, which reads from the head never use.
    """
    reversal: Time = ZERO
    """What it takes to turn a ring before it is asked by its back, and once more to turn it back: commands,
    their frames and new addresses.
    """
    note: Note = ""
    """Free text for readers of the plan."""


class CounterSteps(Part):
    """An up-and-down counter instead of a row: what a bad reading adds to it and a good one takes off."""

    up: Count = 1
    """What a bad reading adds."""
    down: Count = 1
    """What a good reading takes off; it does not go below 0."""


LONGEST_WINDOW = 8
"""Readings in which losses can be counted: every pattern of them is tried."""


class Hazard(Part):
    """A fault that must be handled within its fault tolerant time interval (ISO 26262-1:2018, 3.61).

    With an `alarm` the nodes watch for it themselves, beside the tasks that read it. The `reaction` is an
    actuator of the controller that reads it, or of the unit `reaction_at`, which it tells by the messages
    `reported_by` of the uplink when its evaluation has found the fault.
    """

    kind: HazardKind
    """What can go wrong."""
    task: Name | None = None
    """Only this task counts as its path. Left out: every task that shows it."""
    debounce: Readings = 1
    """Readings in a row before it counts; what a `counter` must reach."""
    counter: CounterSteps | None = None
    """An up-and-down counter instead of a row."""
    debounce_time: Time | None = None
    """Instead of a number: bad readings in a row for this time, from the first one's arrival."""
    lost_readings: Losses = 0
    """Readings that may fail until it is recognised."""
    lost_within: Annotated[int, Field(ge=1, le=LONGEST_WINDOW, strict=True)] | None = None
    """So many may fail in any so many readings in a row, again and again, instead of in all."""
    on_lost: Literal["reset", "hold", "count as bad", "count as good"] = "reset"
    """What a lost reading does to the row or the counter."""
    sensor_lag: Time = ZERO
    """From the fault until it shows at the input."""
    alarm: AlarmPath | None = None
    """A watch that the nodes keep themselves while awake."""
    ftti: Time
    """The FTTI of ISO 26262-1."""
    reaction: Name
    """An actuator of every controller, or of the unit `reaction_at`."""
    reaction_at: Name | None = None
    """A master, or a single controller, to which the fault is reported and which reacts. Left out: the
    controller that reads it.
    """
    reported_by: Names | None = None
    """The message of the uplink that tells it, or several, as on redundant buses."""
    reported_times: Count = 1
    """So many frames must tell the unit that reacts, one after another."""
    reported_with: Literal["first", "last"] = "last"
    """Which of several messages counts: the `last`, where any may fail or all must agree, or the `first`."""
    note: Note = ""
    """Free text for readers of the plan."""


class Targets(Part):
    """Limits set by the plan's author. What is left out is computed but not judged.

    `monitoring` names the kinds of hazard that some task must show on the whole pack; `end_to_end_age` limits
    the age of what a message of the uplink carries, where it is received.
    """

    scan_time: Time | None = None
    """Busiest scan, retry reserve included. That a scan fits its period is always checked."""
    utilisation: Ratio | None = None
    """Scan time as a share of the scan period."""
    sample_age: dict[Name, Time] = {}
    """Per task: age of a value until its successor is in memory."""
    skew: dict[Name, Time] = {}
    """Per task: spread of the sampling instants of one run."""
    bytes_per_sample: dict[Name, Annotated[float, Field(gt=0, le=1_000_000, strict=True)]] = {}
    """Per task: bytes on the wire per value."""
    bytes_per_scan: Bits | None = None
    """Most data on the wires in one scan."""
    efficiency: Ratio | None = None
    """Least share of payload among the bits on the wire."""
    host_bus_load: Ratio | None = None
    """Busy share of the host bus."""
    cells_monitored_after_fault: Ratio | None = None
    """Least share of cells still read after a single fault of a segment, node or port, kind by kind. A dead
    controller, or its one bridge, leaves all its cells unmonitored and is not judged: whoever listens to it
    must notice.
    """
    fault_detection: Time | None = None
    """Longest time until a broken chain is known; each such fault must then show in what is read. A ring's
    return path shows only in reads `across` it and in tasks that are `sent_from` its `back`.
    """
    recovery: Time | None = None
    """Longest time from such a fault until all cells that can be monitored are monitored again."""
    scans_lost_per_hour: Rate | None = None
    """Scans that need more retries than the reserve."""
    stale_readings_per_hour: Rate | None = None
    """Runs that answer with old values, unknown, more often in a row than their task's `stale_runs`."""
    residual_errors_per_hour: Rate | None = None
    """Errors that no check sees."""
    start_up: Time | None = None
    """From power-up to the first complete set of readings."""
    balancing: BalancingTarget | None = None
    """How fast balancing must be: either `imbalance` or `charge`, `within` a time."""
    imbalance_per_month: Charge | None = None
    """How far the nodes' own supply may drive cells of a string apart in 30 days."""
    monitoring: Annotated[list[HazardKind], Field(max_length=100)] = []
    """Kinds of hazard against which every cell (or node) must be watched."""
    uplink_load: Ratio | None = None
    """Busy share of a bus. Deadlines of messages are always checked."""
    end_to_end_age: dict[Name, Time] = {}
    """Per message: age of what it tells, where it is received."""
