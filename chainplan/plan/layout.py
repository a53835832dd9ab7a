"""Where the parts stand: strings of cells, controllers with their ports, and the chains between them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from chainplan.plan.fields import (
    ZERO,
    BitRate,
    Copies,
    Count,
    CountOrNone,
    Length,
    Name,
    Note,
    Part,
    PollutionDegree,
    Ports,
    Position,
    Reference,
    Resistance,
    Time,
    Truth,
    Voltage,
)
from chainplan.plan.parts import Insulation, SegmentSpec
from chainplan.plan.wire_parts import BitErrors
from chainplan.quantity import Span

BREAK_KINDS = ("disconnect", "fuse", "joint")


class StackItem(Part):
    """One step of a string from HV- upward: modules, loose cells, or a place where the string can open.

    A module run is ``{modules: 4, cells: 12}`` (cells per module); loose cells of a cell-to-pack string
    are ``{cells: 96}``; ``{disconnect: NAME}``, ``{fuse: NAME}`` and ``{joint: NAME}`` are places that
    can open, with an ``allowance`` for arc voltage and inductive overshoot on top of the string voltage.
    """

    modules: Count | None = None
    cells: Count | None = None
    cell_type: Name | None = None
    disconnect: Name | None = None
    fuse: Name | None = None
    joint: Name | None = None
    allowance: Voltage = ZERO

    @property
    def opening(self) -> tuple[str, str] | None:
        """Return (kind, name) of a place that can open, or None for cells."""
        for kind in BREAK_KINDS:
            name = getattr(self, kind)
            if name is not None:
                return kind, name
        return None


class BoardRun(Part):
    """`count` equal boards that monitor consecutive cells, upward from `first_cell` (1 is the lowest)."""

    type: Name
    count: Count = 1
    first_cell: Count | None = None


class BoardException(Part):
    """Another board type at one position of a string."""

    type: Name


class Leakage(Part):
    """Insulation resistance of a string's two poles to chassis."""

    positive: Resistance
    negative: Resistance


class StringPlan(Part):
    """Cells in series between one pair of HV terminals, `count` equal strings in parallel."""

    count: Copies = 1
    cell_type: Name
    stack: Annotated[list[StackItem], Field(min_length=1, max_length=1000)]
    boards: Annotated[list[BoardRun], Field(min_length=1, max_length=1000)]
    exceptions: dict[Position, BoardException] = {}
    leakage: Leakage | None = None
    note: Note = ""


class HostBus(Part):
    """The bus between the controller's processor and the bridge onto the chain.

    A `whole frames` bridge takes a request completely before it sends, and hands an answer over when it is
    complete; a `streaming` bridge adds its latency only.
    """

    bit_rate: BitRate
    bridge: Literal["whole frames", "streaming"] = "whole frames"
    latency: Time = ZERO


class Evaluation(Part):
    """The host task that judges readings: it runs every `period`, not in step with the scan."""

    period: Time
    run_time: Time


class Actuator(Part):
    """What makes the pack safe: from the command to the open contact."""

    command: Time = ZERO
    opening: Time


class Recovery(Part):
    """What a controller does when a ring breaks: `switch` is its time to turn to reading from both ends."""

    switch: Time


class ControllerPlan(Part):
    """A control unit at chassis potential: its ports, its processor and the pace of its scans.

    `start` runs from its power-up until it can wake its chains.
    """

    count: Copies = 1
    ports: Ports = ("1",)
    start: Time | None = None
    set_up: Time = ZERO
    set_up_by: Literal["one core", "each port"] = "one core"
    host_bus: HostBus | None = None
    scan_period: Time
    scan_jitter: Time = ZERO
    retry_reserve: CountOrNone = 0
    evaluation: Evaluation
    recovery: Recovery | None = None
    actuators: dict[Name, Actuator] = {}
    note: Note = ""

    def port_names(self) -> tuple[str, ...]:
        """Return the names of the ports: 1 to n, or the plan's own."""
        return self.ports


class ChainPlan(Part):
    """An ordered walk of boards from a head port, `count` times (``{n}`` stands for the copy's number).

    `order` lists boards as ``STRING.POSITION`` or ``STRING.FIRST..LAST``. A run counted downward enters
    each board at its uppermost node; a single board may say so itself: ``STRING.POSITION down``.
    `bit_errors` of a chain take the place of its protocol's.
    """

    count: Copies = 1
    shape: Literal["open", "ring"] = "open"
    head: Reference
    back: Reference | None = None
    read_from: Literal["head", "across"] = "head"
    protocol: Name
    order: Annotated[list[Reference], Field(min_length=1, max_length=10_000)]
    segments: SegmentSpec
    head_segment: SegmentSpec = SegmentSpec.model_construct()
    back_segment: SegmentSpec = SegmentSpec.model_construct()
    exceptions: dict[Position, SegmentSpec] = {}
    bit_errors: BitErrors | None = None
    note: Note = ""


class InsulationRules(Part):
    """The insulation the plan asks for, and the surroundings that set the distances (IEC 60664-1)."""

    to_chassis: Insulation = "reinforced"
    between_boards: Insulation = "functional"
    between_strings: Insulation = "basic"
    pollution_degree: PollutionDegree = 2
    material_group: Literal["I", "II", "IIIa", "IIIb"] = "IIIa"
    impulse: Voltage = Span.exact(2_500_000_000)
    altitude: Length = Span.exact(2_000_000_000_000)
    interpolate_creepage: Truth = False
