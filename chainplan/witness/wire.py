"""Frames on the wire: every frame walked hop by hop along a chain, through cables and relays.

A cut-through relay lets a frame go on after its delay; a store-and-forward relay takes it in whole and
sends it anew with its own clock. Answers stay in order: none leaves a node before the one ahead has
left, and a storing relay keeps the answer gap between them. Times are absolute, in fs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from chainplan.witness.line import HOST, WireLine
from chainplan.witness.messages import WireMessage

Watcher = Callable[[str, int, str, int, int], None]
"""Told of each passage over a segment: chain, segment (0 at the head), ``out`` or ``home``, and when the
first and the last bit of the frame come out of the sender (upstream) or reach the far end (outward). A ring
that is read from its back goes by the name it has then, its segments counted from there."""


@dataclass(slots=True)
class Passage:
    """What became of a message.

    ``last_bit`` is when its last bit reached the place where it ends. ``heard[k]`` is when the request was
    whole at the far end of segment k: at node k, or at a ring's back port. ``latched[k]`` is when node k took
    hold of the values it sends. ``left[k]`` is when the last answer left node k towards the head.
    """

    last_bit: int
    heard: list[int]
    latched: list[int]
    left: list[int]

    def used(self, segment: int) -> int:
        """Return when a segment (0 at the head) was last needed (0: never)."""
        heard = self.heard[segment] if segment < len(self.heard) else 0
        return max(heard, self.left[segment]) if segment < len(self.left) else heard


def pass_message(line: WireLine, message: WireMessage, start: int, watch: Watcher | None = None) -> Passage:
    """Simulate a message whose first bit leaves the head port at `start`."""
    if message.style == "summation":
        return _summation(line, message, start, watch)
    last = message.polled if message.style == "polled" else line.nodes - 1
    heard, _ = _outward(line, message.request, start, last + 1, watch)
    passage = Passage(heard[-1], heard, heard, [])
    if message.style == "sequential":
        _answers_in_turn(line, message, passage, watch)
    elif message.style == "polled":
        passage.left = [0] * (last + 1)
        leaving, content = heard[-1] + line.turn(last), message.answers[0]
        time = line.frame(content, last)
        passage.last_bit = _upstream(line, content, last, leaving, time, passage.left, 0, watch)
    return passage


def _summation(line: WireLine, message: WireMessage, start: int, watch: Watcher | None) -> Passage:
    """Simulate a frame that every node puts its block into; the tail returns it, or lets it out of a ring.

    A node takes hold of its values when the frame reaches it; one that stores frames, when it has it whole.
    """
    content = message.request + sum(message.answers)
    ends, times = _outward(line, content, start, line.nodes + line.across, watch)
    latched = [
        end if stored else end - time for end, time, stored in zip(ends, times, line.stores, strict=False)
    ]
    passage = Passage(ends[-1], ends, latched, [])
    if not line.across:
        tail = line.nodes - 1
        passage.left = [0] * line.nodes
        leaving = latched[tail] + line.turn(tail)
        time = line.frame(content, tail) if line.stores[tail] else times[tail]
        passage.last_bit = _upstream(line, content, tail, leaving, time, passage.left, 0, watch)
    return passage


def _answers_in_turn(line: WireLine, message: WireMessage, passage: Passage, watch: Watcher | None) -> None:
    """Let the tail answer, then every nearer node once it has passed on the last frame from beyond."""
    left = passage.left = [0] * line.nodes
    heard = passage.heard
    for node in range(line.nodes - 1, -1, -1):
        content, gap = message.answers[node], line.answer_gap()
        leaving = heard[node] + line.turn(node)
        if left[node] and leaving < left[node] + gap:
            leaving = left[node] + gap
        time = line.frame(content, node)
        passage.last_bit = _upstream(line, content, node, leaving, time, left, gap, watch)


def _outward(
    line: WireLine, content: int, start: int, segments: int, watch: Watcher | None
) -> tuple[list[int], list[int]]:
    """Walk a frame over the first segments; return when it is whole at their far ends and its time there."""
    time = line.frame(content, HOST)
    end = start + time
    ends: list[int] = []
    times: list[int] = []
    sender = HOST
    for hop, stored in zip(line.hops_out(segments), (False, *line.stores), strict=False):
        if stored:
            time = line.frame(content, sender)
            end += time
        end += hop
        ends.append(end)
        times.append(time)
        sender += 1
    if watch:
        for segment, (end, time) in enumerate(zip(ends, times, strict=True)):
            watch(line.chain.name, segment, "out", end - time, end)
    return ends, times


def _upstream(
    line: WireLine,
    content: int,
    node: int,
    leaving: int,
    time: int,
    left: list[int],
    gap: int,
    watch: Watcher | None,
) -> int:
    """Walk a frame from a node's output to the head port; return when its last bit is there.

    ``left[k]`` is when the frame ahead has left node k towards the head (0: none has), and is moved on.
    """
    hops, stores = line.hops_home(node + 1), line.stores
    for k in range(node, 0, -1):
        left[k] = leaving + time
        if watch:
            watch(line.chain.name, k, "home", leaving, leaving + time)
        leaving += hops[k]
        nearer = k - 1
        if stores[nearer]:
            leaving += time
            time = line.frame(content, nearer)
            if left[nearer] and leaving < left[nearer] + gap:
                leaving = left[nearer] + gap
        elif leaving < left[nearer]:
            leaving = left[nearer]
    left[0] = leaving + time
    if watch:
        watch(line.chain.name, 0, "home", leaving, leaving + time)
    return leaving + hops[0] + time
