"""Where the parts stand: strings of cells, controllers with their ports, and the chains between them."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from chainplan.plan.conditions import Combination
from chainplan.plan.fields import (
    MOST_PORTS,
    ZERO,
    BitRate,
    Copies,
    Count,
    CountOrNone,
    JoinedName,
    Length,
    Name,
    Note,
    Part,
    PollutionDegree,
    Ports,
    Position,
    Reason,
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


def _or_file(kind: Any) -> BeforeValidator:
    """Let editors take the name of a CSV file too; its rows take its place before all validation."""
    return BeforeValidator(lambda value: value, json_schema_input_type=kind | Reference)


class StackItem(Part):
    """One step of a string from HV- upward: modules, loose cells, or a place where the string can open.

    A module run is ``{modules: 4, cells: 12}`` (cells per module); loose cells of a cell-to-pack string
    are ``{cells: 96}``; ``{disconnect: NAME}``, ``{fuse: NAME}`` and ``{joint: NAME}`` are places that
    can open, with an ``allowance`` for arc voltage and inductive overshoot on top of the string voltage.
    """

    modules: Count | None = None
    """So many modules of `cells` each. Left out: loose cells."""
    cells: Count | None = None
    """Cells in series: of each module, or loose ones (cell to pack). Left out: a place that can open."""
    cell_type: Name | None = None
    """Another cell type for this step. Left out: the string's."""
    disconnect: Name | None = None
    """Name of a service disconnect here."""
    fuse: Name | None = None
    """Name of a fuse here."""
    joint: Name | None = None
    """Name of a busbar joint here."""
    allowance: Voltage = ZERO
    """Arc voltage and overshoot on top of the string voltage when it opens."""

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
    """A board type."""
    count: Count = 1
    """So many equal boards."""
    first_cell: Count | None = None
    """Lowest cell of the run; 1 is the string's lowest. Left out: the next cell."""


class BoardException(Part):
    """Another board type at one position of a string."""

    type: Name
    """The board type there."""


class InsulationResistance(Part):
    """Insulation resistance of a string's two poles to chassis."""

    positive: Resistance
    """HV+ to chassis."""
    negative: Resistance
    """HV− to chassis."""


class StringPlan(Part):
    """Cells in series between one pair of HV terminals, `count` equal strings in parallel."""

    count: Copies = 1
    """So many equal strings in parallel, named `NAME-1`, `NAME-2`, … (one: `NAME`)."""
    cell_type: Name
    """A cell type."""
    stack: Annotated[list[StackItem], Field(min_length=1, max_length=1000)]
    """The string from HV− upward, step by step. A step is one thing: cells, or one place that can open."""
    boards: Annotated[list[BoardRun], Field(min_length=1, max_length=1000), _or_file(list[BoardRun])] = []
    """The boards from the lowest cell upward, or the name of a CSV file beside the plan with the columns
    `type`, `count` and `first_cell`, the last two if need be. Left out: one a module, of the only board type
    with as many cells, and along loose cells boards of the only type that fills them.
    """
    exceptions: dict[Position, BoardException] = {}
    """Other board types at single positions; 1 is the lowest board."""
    insulation_resistance: InsulationResistance | None = None
    """Insulation resistance of the poles to chassis. Left out: chassis may stand anywhere."""
    note: Note = ""
    """Free text for readers of the plan."""


Arbitration = Literal["any", "by turns", "port by port"]
"""In which order a bus serves several ports."""


class HostBus(Part):
    """The bus between the controller's processor and the bridge onto the chain, one transfer at a time.

    A `whole frames` bridge takes a request completely before it sends, and hands an answer over when it is
    complete; a `streaming` bridge passes bits on as they come, as fast as the slower of bus and wire: out and
    home at once where the frame is a summation.
    """

    bit_rate: BitRate
    """Its bit rate."""
    bridge: Literal["whole frames", "streaming"] = "whole frames"
    """Whether the bridge takes whole frames before it passes them on, or streams."""
    latency: Time = ZERO
    """Added once per exchange and direction; the bus is held for it."""
    fills_blocks: Truth = False
    """`yes`: the bridge puts the empty blocks into a summation frame; else the host sends them, too."""
    arbitration: Arbitration = "any"
    """In which order it serves several ports: `by turns` carries the requests of a turn, then its answers,
    port after port; `port by port` an answer and at once the next request of the same port. `any`: by turns,
    or in any order that does not let it idle while a transfer is ready.
    """
    serves: dict[Name, Annotated[tuple[JoinedName, ...], Field(min_length=1, max_length=MOST_PORTS)]] = {}
    """Several such buses by name, each with the ports it serves; one bus serves all ports if left out."""


class EvaluationPlan(Part):
    """The host task that judges readings: it runs every `period`, not in step with the scan."""

    period: Time
    """How often it runs."""
    run_time: Time
    """How long it takes."""


class ReadingEvaluation(EvaluationPlan):
    """The task of a controller, which judges readings of its chains."""

    judges: Literal["newest", "all"] = "newest"
    """What it looks at: the `newest` reading, if it is new, or `all` since its last run, in their order."""


class Actuator(Part):
    """What makes the pack safe: from the command to the open contact."""

    command: Time = ZERO
    """From the decision until the command is at the actuator."""
    opening: Time
    """From the command until the contact is open."""


class RecoveryPlan(Part):
    """What a controller does when a ring breaks: `switch` is its time to turn to reading from both ends."""

    switch: Time
    """Time to turn to reading from both ends."""


class ControllerPlan(Part):
    """A control unit at chassis potential: its ports, its processor and the pace of its scans.

    `start` runs from its power-up until it can wake its chains.
    """

    count: Copies = 1
    """So many equal controllers, named `NAME-1`, `NAME-2`, …"""
    ports: Ports = ("1",)
    """How many ports (`4`: ports 1 to 4), or their names; left out: those that chains and host buses name."""
    start: Time | None = None
    """From its power-up until it can wake its chains. Left out: no start-up figure."""
    set_up: Time = ZERO
    """Processor time per exchange."""
    set_up_by: Literal["one core", "each port"] = "one core"
    """Who sets exchanges up: `one core` serves the ports in rotation."""
    host_bus: HostBus | None = None
    """The bus between the processor and the bridge onto the chains. Left out: none in the way."""
    scan_period: Time
    """The pace of the scans."""
    scan_jitter: Time = ZERO
    """How late a scan can start."""
    overrun: Literal["drop", "catch up"] = "drop"
    """What becomes of a scan whose start has come while the one before still goes on: it waits for the next
    start (`drop`), or begins at once (`catch up`).
    """
    retry_reserve: CountOrNone = 0
    """Exchanges a scan has room to repeat."""
    evaluation: ReadingEvaluation
    """The host task that judges readings; it does not run in step with the scan."""
    recovery: RecoveryPlan | None = None
    """What it does when a ring breaks; left out, it goes on reading from the head alone, up to the break."""
    actuators: dict[Name, Actuator] = {}
    """What makes the pack safe; hazards name one as their `reaction`."""
    note: Note = ""
    """Free text for readers of the plan."""

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
    """So many equal chains; `{n}` in the texts below stands for the copy's number, `{n+2}` for two more."""
    shape: Literal["open", "ring"] = "open"
    """`ring`: the far end comes back to a second port."""
    head: Reference = ""
    """The port it starts from: `CONTROLLER:PORT`; left out: the first free one of the only controller."""
    back: Reference | None = None
    """The port a ring comes back to, on the same controller; left out: the first free one."""
    read_from: Literal["head", "across"] = "head"
    """A ring's summation frame may also go `across`: out at the head, in at the back."""
    protocol: Name
    """A protocol."""
    order: Annotated[list[Reference], Field(min_length=1, max_length=10_000)] = []
    """The boards from the head on: `STRING.POSITION`, or `STRING.FIRST..LAST`. A run counted downward enters
    each board at its uppermost node; a single board may say so: `STRING.POSITION down`. Left out: up along
    the only string that no other chain names, with as many copies as the chain.
    """
    segments: SegmentSpec
    """Every hop, if nothing else is said."""
    head_segment: SegmentSpec = SegmentSpec.model_construct()
    """What differs in the hop from the head port. Left out: as `segments`."""
    back_segment: SegmentSpec = SegmentSpec.model_construct()
    """What differs in a ring's last hop. Left out: as `segments`."""
    hops: Annotated[list[Length], Field(min_length=1, max_length=10_000), _or_file(list[Length])] = []
    """Length of every hop from the head on, in a ring the return path too, in place of all other
    `length`; or the name of a CSV file beside the plan with a column `length`. Left out: the `length` of
    each segment.
    """
    exceptions: dict[Position, SegmentSpec] = {}
    """What differs in single hops: number 3 is the hop to the third board of the chain, in a ring the number
    after the last board's is the return path.
    """
    bit_errors: BitErrors | None = None
    """Takes the place of the protocol's. Left out: the protocol's."""
    note: Note = ""
    """Free text for readers of the plan."""


class ExternalSource(Part):
    """A charger, converter or grid at the DC link: what can drive it above the strings' voltage."""

    voltage: Voltage
    """Highest voltage that it can bring to the link; it may stand at any lower one, too."""
    earthed: Truth = False
    """`yes`: one of its poles, or its middle, is tied to chassis, which is then no fault."""


class InsulationRules(Part):
    """The insulation the plan asks for, and the surroundings that set the distances (IEC 60664-1)."""

    to_chassis: Insulation = "reinforced"
    """Kind of insulation between a controller and a board."""
    between_boards: Insulation = "functional"
    """Between boards of one string."""
    between_strings: Insulation = "basic"
    """Between boards of different strings."""
    pollution_degree: PollutionDegree = 2
    """Pollution degree."""
    material_group: Literal["I", "II", "IIIa", "IIIb"] = "IIIa"
    """Material group (comparative tracking index)."""
    impulse: Voltage = Span.exact(2_500_000_000)
    """Rated impulse voltage."""
    altitude: Length = Span.exact(2_000_000_000_000)
    """Altitude above the sea."""
    conditions_together: Annotated[int, Field(ge=1, le=3, strict=True)] = 2
    """Abnormal conditions that must be borne at once: breaks, stuck contactors and earth faults together."""
    first_pole: Literal["HV-", "HV+"] | None = None
    """The pole at which every string's contactors close first; left out: either, whichever is worse."""
    external: ExternalSource | None = None
    """What can bring voltage to the DC link besides the strings. Left out: nothing but the strings."""
    leave_out: dict[Combination, Reason] = {}
    """Combinations that need not be borne, each with the reason, which reports print. A name is conditions
    joined by `+`: `break`, `stuck contactor`, `earth fault`, and `one pole closed` and `string open`, which
    are no faults. It leaves out every state that has these conditions, alone or with others.
    """
    interpolate_creepage: Truth = False
    """`no`: the next higher row of the creepage table counts."""
