"""Frames on the wire: every frame walked hop by hop along a chain, through cables and relays.

A cut-through relay lets a frame go on after its delay; a store-and-forward relay takes it in whole and
sends it anew with its own clock. Answers stay in order: none leaves a node before the one ahead has
left, and a storing relay keeps the answer gap between them. Times are absolute, in fs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from chainplan.witness.line import HOST, Line
from chainplan.witness.messages import Message, bits_on_wire

Watcher = Callable[[str, int, str, int, int], None]
"""Told of each passage over a segment: chain, segment (0 at the head), ``out`` or ``home``, and when the
first and the last bit of the frame come out of the sender (homeward) or reach the far end (outward)."""


@dataclass(slots=True)
class Passage:
    """What became of a message.

    ``last_bit`` is when its last bit reached the place where it ends. ``heard[k]`` is when node k had the
    request whole and ``latched[k]`` when it took hold of the values it sends. ``used[k]`` is when segment
    k was last needed (0: never). ``frames`` are the frames that passed the head port, in bits.
    """

    last_bit: int
    heard: list[int]
    latched: list[int]
    used: list[int]
    frames: list[int]


def pass_message(line: Line, message: Message, start: int, watch: Watcher | None = None) -> Passage:
    """Play a message whose first bit leaves the head port at `start`."""
    if message.style == "summation":
        return _summation(line, message, start, watch)
    last = message.polled if message.style == "polled" else line.nodes - 1
    places = _outward(line, message.request, start, last + 1, watch)
    heard = [end for _, end in places]
    used = heard + [0] * (len(line.chain.segments) - len(heard))
    passage = Passage(heard[-1], heard, heard, used, [bits_on_wire(line.chain.protocol, message.request)])
    if message.style == "sequential":
        _answers_in_turn(line, message, passage, watch)
    elif message.style == "polled":
        _one_answer(line, message, passage, watch)
    return passage


def _summation(line: Line, message: Message, start: int, watch: Watcher | None) -> Passage:
    """Play a frame that every node puts its block into; the tail turns it round, or lets it out of a ring.

    A node takes hold of its values when the frame reaches it; one that stores frames, when it has it whole.
    """
    content = message.request + sum(message.answers)
    places = _outward(line, content, start, line.nodes + line.across, watch)
    heard = [end for _, end in places[: line.nodes]]
    latched = [end if stored else begin for (begin, end), stored in zip(places, line.stores, strict=False)]
    used = [end for _, end in places] + [0] * (len(line.chain.segments) - len(places))
    passage = Passage(heard[-1], heard, latched, used, [bits_on_wire(line.chain.protocol, content)])
    if line.across:
        passage.last_bit = places[-1][1]
        return passage
    tail = line.nodes - 1
    leaving = latched[tail] + line.turn(tail)
    time = places[tail][1] - places[tail][0]
    if line.stores[tail]:
        time = line.frame(content, tail)
    left = [0] * line.nodes
    passage.last_bit = _homeward(line, content, tail, leaving, time, left, 0, watch)
    _needed_until(passage, left)
    return passage


def _answers_in_turn(line: Line, message: Message, passage: Passage, watch: Watcher | None) -> None:
    """Let the tail answer, then every nearer node once it has passed on the last frame from beyond."""
    left = [0] * line.nodes
    for node in range(line.nodes - 1, -1, -1):
        content, gap = message.answers[node], line.answer_gap()
        leaving = passage.heard[node] + line.turn(node)
        if left[node]:
            leaving = max(leaving, left[node] + gap)
        time = line.frame(content, node)
        passage.last_bit = _homeward(line, content, node, leaving, time, left, gap, watch)
        passage.frames.append(bits_on_wire(line.chain.protocol, content))
    _needed_until(passage, left)


def _one_answer(line: Line, message: Message, passage: Passage, watch: Watcher | None) -> None:
    node, content = message.polled, message.answers[0]
    left = [0] * line.nodes
    leaving = passage.heard[node] + line.turn(node)
    time = line.frame(content, node)
    passage.last_bit = _homeward(line, content, node, leaving, time, left, 0, watch)
    passage.frames.append(bits_on_wire(line.chain.protocol, content))
    _needed_until(passage, left)


def _needed_until(passage: Passage, left: list[int]) -> None:
    for segment, time in enumerate(left):
        passage.used[segment] = max(passage.used[segment], time)


def _outward(
    line: Line, content: int, start: int, segments: int, watch: Watcher | None
) -> list[tuple[int, int]]:
    """Walk a frame over the first `segments` segments; return when it begins and ends at each far end."""
    time = line.frame(content, HOST)
    stores = line.stores
    places = []
    begin = start
    for k, hop in enumerate(line.hops_out(segments)):
        if k and stores[k - 1]:
            begin += time
            time = line.frame(content, k - 1)
        begin += hop
        places.append((begin, begin + time))
        if watch:
            watch(line.chain.name, k, "out", begin, begin + time)
    return places


def _homeward(
    line: Line,
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
