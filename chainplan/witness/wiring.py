"""Between host and nodes: the bus to the bridge, the chains, and what goes wrong on the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from chainplan.chain.network import Chain, Controller
from chainplan.quantity import Span
from chainplan.witness.draw import Values
from chainplan.witness.faults import Cut, Faults
from chainplan.witness.line import HOST, DrawnLine, WireLine, bit_time
from chainplan.witness.messages import WireMessage
from chainplan.witness.noise import Channel
from chainplan.witness.record import ControllerRecord
from chainplan.witness.wire import Passage, Watcher, pass_message


@dataclass(slots=True)
class Sent:
    """What became of a message: when the last of it was back at the port, or was given up.

    A read is `good` when every answer came and passed its check, and `missing` when it was given up. The
    first `reached` nodes heard it. The port is free `gap` fs after the answers are in memory.
    """

    passage: Passage
    good: bool
    missing: bool
    reached: int
    ended: int
    gap: int


@dataclass(slots=True)
class Crossing:
    """How long a message takes over the host bus, fs: out until its first bit leaves, home from its last bit.

    Whole frames are on the bus for all of `out` and of `home`. Where bits are passed on as they come the bus
    is with the message from first to last, and a slow one holds its answers up by `held_up`.
    """

    out: int
    home: int
    held_up: int
    streams: bool
    request: int = 0
    answers: int = 0


@dataclass(slots=True)
class _Break:
    """A cut, and when it falls: None until its run has ended. `needed` is when its segment was last used.

    ``segments[number]`` is the number of its segment along each chain, as it is simulated, that it is on.
    """

    cut: Cut
    segments: dict[int, int]
    at: int | None
    needed: int = 0

    def stops(self, used: int, start: int) -> bool:
        """Tell whether a message that starts at `start` and uses the segment until `used` meets the cut."""
        if self.at is None:
            return False
        if self.cut.until is not None and start >= self.cut.until:
            return False
        return used > self.at


class PackWiring:
    """The host bus and the chains of one controller, as they are simulated."""

    def __init__(
        self,
        controller: Controller,
        chains: tuple[Chain, ...],
        values: Values,
        faults: Faults,
        random: Random,
        record: ControllerRecord,
        watcher: Watcher | None,
    ) -> None:
        self._values = values
        self._record = record
        self._watcher = watcher
        self._settings = controller.settings
        self._chains = chains
        own = {chain.name: number for number, chain in enumerate(chains) if not chain.ring}
        self._own = [own[chain.wires] for chain in chains]
        self._late = [_line(chain, values) for chain in chains]
        self._early = self._late
        if values.draw.kind == "early then late":
            self._early = [WireLine(chain, lambda span: span.min) for chain in chains]
        self._slowest = [WireLine(chain, lambda span: span.max) for chain in chains]
        self._patience: dict[int, int] = {}
        noise = faults.noise
        self._channels = [Channel(noise, random) for _ in controller.chains] if noise else []
        cuts = [cut for cut in faults.cuts if cut.chain in own]
        self._breaks = [_Break(cut, _seen(cut, chains), cut.at) for cut in cuts]
        self.fixed = sorted(cut.until for cut in cuts if cut.until is not None)
        """When cuts are fixed."""
        self.busy: dict[int, list[tuple[int, int]]] | None = None
        """Per chain, where it is asked for: when exchanges were under way on the wire, or waited for."""

    @property
    def fell(self) -> int | None:
        """Return when the first cut fell, None while there is none."""
        return min((each.at for each in self._breaks if each.at is not None), default=None)

    def end_run(self, task: str, run: int) -> None:
        """Let the cuts fall that wait for this run of a task: just after their segment was last needed."""
        for each in self._breaks:
            if (each.cut.task, each.cut.run) == (task, run):
                each.at = each.needed

    def buses(self, message: WireMessage) -> tuple[str | None, str | None]:
        """Return the names of the host buses by which a request goes out and an answer comes home."""
        chain = self._chains[message.chain]
        across = chain.plan.read_from == "across" and chain.back is not None
        home = chain.back if across else chain.head
        return self._settings.bus_name(chain.head), self._settings.bus_name(home or chain.head)

    def crossing(self, message: WireMessage) -> Crossing:
        """Return how long a message takes over its host buses."""

        def taken(name: str, what: str, span: Span) -> int:
            return self._values.device(f"host bus {name} {what}", span)

        line = self._line(message)
        # Where each frame draws its own time anew, one of a bus that is too slow is held up by the least.
        steady = self._slowest[message.chain] if isinstance(line, DrawnLine) else line
        return self._crossing(message, steady, taken)

    def _crossing(
        self, message: WireMessage, line: WireLine, taken: Callable[[str, str, Span], int]
    ) -> Crossing:
        out, home = self.buses(message)
        found = Crossing(0, 0, 0, streams=False)
        answers = sum(message.answers)
        if out is not None:
            bus = self._settings.buses[out]
            found.out = taken(out, "latency", bus.latency)
            found.streams = bus.bridge == "streaming"
            filled = message.style == "summation" and not bus.fills_blocks
            bits = message.request + (answers if filled else 0)
            found.request = bits * taken(out, "bit", bit_time(bus.bit_rate))
        if home is not None and message.asks:
            bus = self._settings.buses[home]
            found.home = taken(home, "latency", bus.latency)
            found.answers = answers * taken(home, "bit", bit_time(bus.bit_rate))
        if not found.streams:
            found.out += found.request
            found.home += found.answers
        elif message.style == "summation":  # bits go out and come home at once
            on_wire = line.frame(message.request + answers, HOST)
            found.out += max(found.request - on_wire, 0)
            found.held_up = max(found.answers - max(found.request, on_wire), 0)
        else:
            found.out += max(found.request - line.frame(message.request, HOST), 0)
            if message.asks:
                first = message.polled if message.style == "polled" else 0
                frames = sum(line.frame(bits, first + place) for place, bits in enumerate(message.answers))
                found.held_up = max(found.answers - frames, 0)
        return found

    def _line(self, message: WireMessage) -> WireLine:
        return (self._early if self._values.early else self._late)[message.chain]

    def send(self, message: WireMessage, start: int, *, missing: bool) -> Sent:
        """Send a message at `start`; `missing` keeps its answers from coming."""
        line = self._line(message)
        passage = pass_message(line, message, start, self._watcher)
        heard, answered = self._errors(message)
        reached = line.nodes if heard else 0
        for each in self._breaks:
            segment = each.segments.get(message.chain)
            if segment is None:
                continue
            used = passage.used(segment - 1)
            each.needed = max(each.needed, used)
            if each.stops(used, start):
                missing = True
                reached = min(reached, segment - 1)
        if message.asks and (missing or not heard):
            given_up = start + self.longest_wait(message)
            if self.busy is not None:
                self.busy.setdefault(self._own[message.chain], []).append((start, given_up))
            return Sent(passage, False, True, reached, given_up, 0)
        gap = line.frame_gap()
        if self.busy is not None:
            self.busy.setdefault(self._own[message.chain], []).append((start, passage.last_bit + gap))
        return Sent(passage, answered, False, reached, passage.last_bit, gap)

    def _errors(self, message: WireMessage) -> tuple[bool, bool]:
        """Let the bits of a message through the noise; tell whether the request and the answers are good.

        After a bad request nobody answers. In a summation frame a bad bit shows when the frame is back.
        """
        if not self._channels:
            return True, True
        channel, record = self._channels[self._own[message.chain]], self._record
        good = []
        for bits in message.frames:
            hit = channel.hits(bits)
            record.frames[bits] += 1
            record.bad_frames[bits] += hit
            good.append(not hit)
            if hit and len(good) == 1 and message.style != "summation":
                return False, False
        return True, all(good)

    def longest_wait(self, message: WireMessage) -> int:
        """Return how long the host waits for an answer from the first bit of its request on.

        The longest the exchange can take without a fault, then the time-out.
        """
        key = id(message)
        if key not in self._patience:
            line = self._slowest[message.chain]
            longest = pass_message(line, message, 0).last_bit + line.frame_gap()
            home = self._crossing(message, line, lambda _name, _what, span: span.max)
            longest += home.held_up + home.home
            self._patience[key] = longest + self._chains[message.chain].protocol.time_out.max
        return self._patience[key]


def _seen(cut: Cut, chains: tuple[Chain, ...]) -> dict[int, int]:
    return {number: cut.seen_along(chain) for number, chain in enumerate(chains) if chain.wires == cut.chain}


def _line(chain: Chain, values: Values) -> WireLine:
    """Return a chain with values in force: each event's own, or those of its devices."""
    if values.draw.kind == "each event":
        return DrawnLine(chain, values.random)
    if values.draw.kind == "each device":
        return WireLine(chain, values.between)
    end = {"best": 0, "typical": 1}.get(values.draw.kind, 2)
    return WireLine(chain, lambda span: span[end])
