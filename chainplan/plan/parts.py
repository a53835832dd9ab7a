"""The parts a pack is built from: cells, monitoring nodes and boards, cables, barriers and protocols."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from chainplan.plan.fields import (
    ZERO,
    BitRate,
    Bits,
    Charge,
    Count,
    Current,
    Inputs,
    Length,
    Level,
    Name,
    Note,
    Part,
    Ratio,
    Resistance,
    Speed,
    Temperature,
    Time,
    Truth,
    Voltage,
)
from chainplan.plan.standby import Balancing
from chainplan.plan.wire_parts import BitErrors, CableClass, CableLoss, Factor, Pair, Signal
from chainplan.quantity import Span

ReadStyle = Literal["summation", "sequential", "polled"]
Insulation = Literal["functional", "basic", "supplementary", "reinforced"]


class CellType(Part):
    """A cell: its voltage from empty to full, and the charge it holds."""

    voltage: Voltage
    capacity: Charge | None = None
    note: Note = ""


class Relay(Part):
    """How a node passes traffic on, and the delay it adds outward (from the head) and homeward."""

    style: Literal["cut-through", "store-and-forward"] = "cut-through"
    outward: Time
    homeward: Time


class Conversion(Part):
    """One kind of conversion: channel i is sampled `step` times i after the trigger has arrived.

    `time` runs from the trigger's arrival until all results are ready, `settling` is what the input
    filter needs before a step at the input shows in a sample.
    """

    time: Time
    step: Time = ZERO
    settling: Time = ZERO


class Currents(Part):
    """Supply current a node draws from its own cells in each state, whole and not on top of another state.

    `idle` is awake at rest; `sleep` is the mean asleep, its own checks included.
    """

    sleep: Current = ZERO
    idle: Current = ZERO
    measuring: Current = ZERO
    communicating: Current = ZERO


class NodeType(Part):
    """A monitoring circuit on the chain.

    `jabber_limit` is the longest it can send without a pause before it is cut off; without one a node that
    never stops jams its chain for good. `wake` runs from the wake signal at its input until it has passed it
    on; `addressing` from the end of the host's set-up until it has its address, its frames included.
    """

    cell_inputs: Inputs
    temperature_inputs: Inputs = 0
    relay: Relay
    turn_around: Time = ZERO
    conversions: dict[Name, Conversion] = {}
    wake: Time = ZERO
    addressing: Time = ZERO
    address_limit: Count | None = None
    jabber_limit: Time | None = None
    currents: Currents = Currents.model_construct()
    balancing: Balancing | None = None
    note: Note = ""


class CableType(Part):
    """A cable or board trace: how fast a bit edge travels, and what it costs in level.

    Loss is that of a `loss_class` at the hottest `temperature` (at 20 degC without one), or comes from the
    coefficients of `loss`; `loss_factor` multiplies either, for stranded wire or ageing. `impedance` is
    given, or follows from the `pair`.
    """

    velocity: Speed
    loss_class: CableClass | None = None
    temperature: Temperature | None = None
    loss: CableLoss | None = None
    loss_factor: Factor = 1.0
    impedance: Resistance | None = None
    pair: Pair | None = None
    note: Note = ""


class ConnectorType(Part):
    """A connector pair in a segment; its loss is given, or that of connectors of a `loss_class`."""

    delay: Time = ZERO
    loss: Level | None = None
    loss_class: CableClass | None = None
    note: Note = ""


class BarrierType(Part):
    """The isolating part at a segment's end: its rating and the distances it offers."""

    kind: Literal["capacitor", "transformer", "optical"]
    working_voltage: Voltage
    test_voltage: Voltage | None = None
    creepage: Length | None = None
    clearance: Length | None = None
    delay: Time = ZERO
    loss: Level | None = None
    note: Note = ""


class SegmentSpec(Part):
    """One hop of a chain. In an exception every key may be left out and keeps the chain's own value."""

    cable: Name | None = None
    length: Length | None = None
    connectors: Annotated[list[Name], Field(max_length=100)] | None = None
    barrier: Name | None = None
    near_barrier: Name | None = None
    far_barrier: Name | None = None
    barriers_share: Truth | None = None
    insulation: Insulation | None = None
    creepage: Length | None = None
    clearance: Length | None = None


class BoardNode(Part):
    """One node, or `count` equal ones, on a board type: how many of its inputs are wired."""

    type: Name
    cells: Inputs
    temperatures: Inputs = 0
    count: Count = 1


class BoardType(Part):
    """A monitoring board: its nodes from its lowest cell upward, and the hop between them."""

    nodes: Annotated[list[BoardNode], Field(min_length=1, max_length=64)]
    between_nodes: SegmentSpec | None = None
    note: Note = ""


class Character(Part):
    """The smallest unit on the wire: `data` bits carried in `wire` bit times (start, stop, parity)."""

    data: Bits = Span(8, 8, 8)
    wire: Bits = Span(8, 8, 8)


class Check(Part):
    """Check bits that close every frame, or every node's block of a summation frame.

    A `hamming_distance` that is claimed here is worked out from the polynomial at the longest block that the
    plan puts under the check, and held against the claim.
    """

    width: Bits = ZERO
    polynomial: Annotated[int, Field(gt=0, lt=1 << 64, strict=True)] | None = None
    hamming_distance: Annotated[int, Field(ge=1, le=64, strict=True)] | None = None


class Protocol(Part):
    """What a frame costs on the wire, and how reads are framed.

    `request`, `answer` and `write` are the bits of a read request, of one node's answer and of a
    broadcast write apart from their data and their check.

    `answer_window` is how long the host waits, from the end of its request, for the first bit of an answer;
    in a summation frame it is what the loop may delay a bit, out to the tail and back.
    """

    bit_rate: BitRate
    character: Character = Character.model_construct()
    preamble: Bits = ZERO
    trailer: Bits = ZERO
    byte_gap: Time = ZERO
    frame_gap: Time = ZERO
    answer_gap: Time = ZERO
    shortest_frame: Bits = ZERO
    allowance: Ratio = ZERO
    read_style: ReadStyle
    request: Bits = ZERO
    answer: Bits = ZERO
    write: Bits = ZERO
    check: Check = Check.model_construct()
    time_out: Time = ZERO
    answer_window: Time | None = None
    signal: Signal | None = None
    bit_errors: BitErrors | None = None
    note: Note = ""
