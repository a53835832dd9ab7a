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
    Resistance,
    Speed,
    Temperature,
    Time,
    Truth,
    UpTo,
    Voltage,
)
from chainplan.plan.standby import Balancing
from chainplan.plan.wire_parts import BitErrors, CableClass, CableLoss, Factor, Pair, SignalPlan
from chainplan.quantity import Span

ReadStyle = Literal["summation", "sequential", "polled"]
Insulation = Literal["functional", "basic", "supplementary", "double", "reinforced"]


class CellType(Part):
    """A cell: its voltage from empty to full, and the charge it holds."""

    voltage: Voltage
    """From empty to full. Isolation counts with `max`."""
    capacity: Charge | None = None
    """Charge the cell holds; needed for a balancing target in %. Left out: not known."""
    note: Note = ""
    """Free text for readers of the plan."""


class Forwarding(Part):
    """How a node passes traffic on, and the delay it adds downstream (from the head) and upstream."""

    style: Literal["cut-through", "store-and-forward"] = "cut-through"
    """`cut-through` delays a frame by a constant; `store-and-forward` takes it in whole first."""
    downstream: Time
    """Delay away from the head port."""
    upstream: Time
    """Delay towards the head port."""


class Conversion(Part):
    """One kind of conversion: channel i is sampled `step` times i after the trigger has arrived.

    `time` runs from the trigger's arrival until all results are ready, `settling` is what the input
    filter needs before a step at the input shows in a sample.
    """

    time: Time
    """From the trigger's arrival until all results are ready."""
    step: Time = ZERO
    """Input i is sampled i steps after the trigger has arrived (the first one at once)."""
    settling: Time = ZERO
    """Time the input filter needs before a step at the input shows in a sample."""
    publishes: Literal["whole round", "each value"] = "whole round"
    """Of a node that converts without triggers: whether results can be read when the round has ended, while
    the next one goes on, or each as soon as it is there.
    """

    def until_ready(self, *, free: bool) -> int:
        """Return the longest time until new results can be read, with triggers or free of them, fs."""
        return self.time.max * (2 if free and self.publishes == "whole round" else 1)


class Currents(Part):
    """Supply current a node draws from its own cells in each state, whole and not on top of another state.

    `idle` is awake at rest; `sleep` is the mean asleep, its own checks included.
    """

    sleep: Current = ZERO
    """Asleep: the mean, with the checks it makes by itself."""
    idle: Current = ZERO
    """Awake and at rest."""
    measuring: Current = ZERO
    """While it converts."""
    communicating: Current = ZERO
    """While it receives, forwards or sends."""


class NodeType(Part):
    """A monitoring circuit on the chain.

    `jabber_limit` is the longest it can send without a pause before it is cut off; without one a node that
    never stops jams its chain for good. `wake` runs from the wake signal at its input until it has passed it
    on; `addressing` from the end of the host's set-up until it has its address, its frames included.
    """

    cell_inputs: Inputs
    """Cell inputs the circuit has, wired or not."""
    temperature_inputs: Inputs = 0
    """Temperature inputs it has, wired or not."""
    forwarding: Forwarding
    """How it passes traffic on."""
    turn_around: Time = ZERO
    """From the end of a request at the node to the start of its answer."""
    conversions: dict[Name, Conversion] = {}
    """One entry per kind of conversion; a task triggers the one named like what it reads, or the one its
    `conversion` names.
    """
    wake: Time = ZERO
    """From the wake signal at its input until the node has passed it on."""
    ready: Time = ZERO
    """From then on until it listens."""
    sleeps_after: Time | None = None
    """Falls asleep by itself when nothing has passed it for this long. Left out: stays awake."""
    addressing: Time = ZERO
    """From the end of the host's set-up until the node has its address, frames included."""
    address_limit: Count | None = None
    """Most nodes on one chain that can be addressed. Left out: no limit."""
    jabber_limit: Time | None = None
    """Longest it can send without a pause before it is cut off; no frame of the plan may last longer.
    Left out: never cut off.
    """
    raises_alarms: Truth = True
    """Whether it can check its inputs by itself and raise alarms; its cells else have the tasks alone."""
    currents: Currents = Currents.model_construct()
    """Supply current drawn from the node's own cells, whole in each state and not on top of another. Left
    out: all 0.
    """
    balancing: Balancing | None = None
    """How it takes charge off its cells. Left out: does not balance."""
    note: Note = ""
    """Free text for readers of the plan."""


class CableType(Part):
    """A cable or board trace: how fast a bit edge travels, and what it costs in level.

    Loss is that of a `loss_class` at the hottest `temperature` (at 20 degC without one), or comes from the
    coefficients of `loss`; `loss_factor` multiplies either, for stranded wire or ageing. `impedance` is
    given, or follows from the `pair`.
    """

    velocity: Speed
    """Velocity of a bit edge; `c` is the speed of light."""
    loss_class: CableClass | None = None
    """Loss by the formula of this class of ANSI/TIA-568."""
    temperature: Temperature | None = None
    """Temperature of the cable, for the loss of a class: the hottest counts. Up to 60 degC."""
    loss: CableLoss | None = None
    """Loss in dB per 100 m, f in MHz: k1·√f + k2·f + k3/√f. Left out: from `loss_class`, or not known,
    and no link margin.
    """
    loss_factor: Factor = 1.0
    """Multiplies the loss: stranded wire, ageing. At least 1."""
    impedance: Resistance | None = None
    """Characteristic impedance. Left out: from `pair`, or matched."""
    pair: Pair | None = None
    """Two round wires, from which the impedance follows."""
    note: Note = ""
    """Free text for readers of the plan."""


class ConnectorType(Part):
    """A connector pair in a segment; its loss is given, or that of connectors of a `loss_class`."""

    delay: Time = ZERO
    """Delay of one connector."""
    loss: Level | None = None
    """Loss of one connector, not below 0 dB."""
    loss_class: CableClass | None = None
    """Loss of a connector of this class of ANSI/TIA-568. Left out: loss not known, unless `loss` says it."""
    note: Note = ""
    """Free text for readers of the plan."""


class BarrierType(Part):
    """The isolating part at a segment's end: its rating and the distances it offers."""

    kind: Literal["capacitor", "transformer", "optical"]
    """What it is."""
    working_voltage: Voltage
    """Rating: highest DC voltage it may carry for good (maximum working isolation voltage)."""
    transient_voltage: Voltage | None = None
    """Rating: highest voltage it may carry for milliseconds, such as the arc of a fuse (maximum transient
    isolation voltage); left out: its working voltage.
    """
    test_voltage: Voltage | None = None
    """AC test voltage (rms) it was proved with. Left out: not checked."""
    creepage: Length | None = None
    """Creepage distance it offers. Left out: not checked."""
    clearance: Length | None = None
    """Clearance it offers. Left out: not checked."""
    delay: Time = ZERO
    """Delay it adds."""
    loss: Level | None = None
    """Loss it adds, not below 0 dB. Left out: not known: no link margin."""
    note: Note = ""
    """Free text for readers of the plan."""


class SegmentSpec(Part):
    """One hop of a chain. In an exception every key may be left out and keeps the chain's own value."""

    cable: Name | None = None
    """A cable type. Left out: that of `segments`, which needs it."""
    length: Length | None = None
    """Length of the cable or trace. Left out: that of `segments`, which needs it."""
    connectors: Annotated[list[Name], Field(max_length=100)] | None = None
    """Connector types on the way, one entry each."""
    barrier: Name | None = None
    """Barrier type at both ends."""
    near_barrier: Name | None = None
    """Barrier type at the head's end. Left out: `barrier`."""
    far_barrier: Name | None = None
    """Barrier type at the far end. Left out: `barrier`."""
    barriers_share: Truth | None = None
    """Both ends share the voltage evenly; otherwise each must hold it alone."""
    insulation: Insulation | None = None
    """Kind of insulation it must give: `functional`, `basic`, `supplementary`, `double` or `reinforced`.
    `double` is two barriers in series: each holds the whole voltage as basic insulation, their distances
    add up. Left out: by the `insulation` section.
    """
    creepage: Length | None = None
    """Creepage between conductors of the two boards. Left out: not checked."""
    clearance: Length | None = None
    """Clearance between conductors of the two boards. Left out: not checked."""


class BoardNode(Part):
    """One node, or `count` equal ones, on a board type: how many of its inputs are wired."""

    type: Name
    """A node type."""
    cells: Inputs
    """Cell inputs that are wired: consecutive cells."""
    temperatures: Inputs = 0
    """Temperature inputs that are wired."""
    count: Count = 1
    """So many equal nodes, one above the other."""


class BoardType(Part):
    """A monitoring board: its nodes from its lowest cell upward, and the hop between them."""

    nodes: Annotated[list[BoardNode], Field(min_length=1, max_length=64)]
    """The nodes from the lowest cell upward, at least one."""
    between_nodes: SegmentSpec | None = None
    """The hop from one node of the board to the next. Left out: not needed for one node."""
    note: Note = ""
    """Free text for readers of the plan."""


class Character(Part):
    """The smallest unit on the wire: `data` bits carried in `wire` bit times (start, stop, parity)."""

    data: Bits = Span(8, 8, 8)
    """Data bits of a character."""
    wire: Bits = Span(8, 8, 8)
    """Bit times it takes: 8 clocked, 10 with start and stop bit, 11 with parity."""


class CheckCode(Part):
    """Check bits that close every frame, or every node's block of a summation frame.

    A `hamming_distance` that is claimed here is worked out from the polynomial at the longest block that the
    plan puts under the check, and checked against the claim.
    """

    width: Bits = ZERO
    """How many check bits."""
    polynomial: Annotated[int, Field(gt=0, lt=1 << 64, strict=True)] | None = None
    """Without its highest term: x¹⁶ + x¹² + x⁵ + 1 is `0x1021`. Left out: not known."""
    hamming_distance: Annotated[int, Field(ge=1, le=64, strict=True)] | None = None
    """A claim, checked against the distance worked out from the polynomial at the plan's longest block.
    Left out: no claim.
    """


class Protocol(Part):
    """What a frame costs on the wire, and how reads are framed.

    `request`, `answer` and `write` are the bits of a read request, of one node's answer and of a
    broadcast write apart from their data and their check.

    `answer_window` is how long the host waits, from the end of its request, for the first bit of an answer;
    in a summation frame it is what the loop may delay a bit, out to the tail and back.
    """

    bit_rate: BitRate
    """Bit rate on the wire, with the tolerance of the clock."""
    character: Character = Character.model_construct()
    """The smallest unit on the wire. Left out: 8 data bits in 8 bit times."""
    preamble: Bits = ZERO
    """In front of every frame."""
    trailer: Bits = ZERO
    """At the end of every frame."""
    byte_gap: Time = ZERO
    """Pause between two characters of a frame."""
    frame_gap: Time = ZERO
    """Pause after every exchange."""
    answer_gap: Time = ZERO
    """Pause between two answers to one request."""
    shortest_frame: Bits = ZERO
    """Shorter frames are filled up to this."""
    allowance: UpTo = ZERO
    """How much slower than its bits a sender may be, as a share of a frame's time, or what stuffed bits add:
    `10 %` alone is 0 to 10 %, a range written out stays what it is.
    """
    read_style: ReadStyle
    """`summation`: one long frame carries every node's block. `sequential`: one request, every node answers
    with a frame of its own. `polled`: a request and an answer per node.
    """
    request: Bits = ZERO
    """Bits of a read request apart from data and check."""
    answer: Bits = ZERO
    """Bits of one node's answer apart from data and check."""
    write: Bits = ZERO
    """Bits of a broadcast apart from data and check."""
    check: CheckCode = CheckCode.model_construct()
    """Check bits that close every frame, or every node's block of a summation frame. Left out: no check."""
    time_out: Time = ZERO
    """How long the host waits for an answer before it counts as missing."""
    answer_window: Time | None = None
    """Longest wait the host can take: from the end of its request to the first bit of an answer; for a
    summation frame, what the loop may delay a bit. Left out: not limited.
    """
    signal: SignalPlan | None = None
    """The signal that every port and node sends anew. Left out: no link margin."""
    bit_errors: BitErrors | None = None
    """How often a bit is hit on one segment. Left out: not known."""
    note: Note = ""
    """Free text for readers of the plan."""
