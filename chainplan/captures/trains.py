"""The frames of one exchange as a port sees them: the bounds of their lengths and of the gaps between."""

from __future__ import annotations

from typing import NamedTuple

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.captures.ranges import Range
from chainplan.chain.network import Chain
from chainplan.exports.passages import SegmentPassage, Train, exchange_train
from chainplan.figures.terms import Case
from chainplan.quantity import Span

BEST, WORST = Case.BEST, Case.WORST


class PortFrame(NamedTuple):
    """A frame at a port. Times since the exchange's first bit left the head port, fs.

    `start` and `end` hold wherever on the port's segment it is measured, `at_port` is its end at the port
    itself (best and worst case), `delay` the segment's longest. `before` bounds the gap after the
    frame ahead in the same exchange.
    """

    what: str
    chain: str
    node: str
    time: Range
    start: Range
    end: Range
    at_port: Range
    delay: int
    before: Range


def gap_within(ahead: PortFrame, frame: PortFrame) -> Range:
    """Return the bounds of the gap between two frames of an exchange, however measured."""
    del ahead  # a frame knows its own
    return frame.before


def port_frames(chain: Chain, exchange: Exchange, port: str, *, trigger: bool) -> tuple[PortFrame, ...]:
    """Return the frames of an exchange that pass a port, in order; none where it has no part in it."""
    trains = [exchange_train(chain, exchange, case) for case in (BEST, WORST)]
    if port == chain.head:
        segment = 0
    elif port == chain.back:
        segment = len(chain.segments) - 1
    else:
        return ()
    early, late = ([each for each in train.passages if each.segment == segment] for train in trains)
    if port != chain.head:  # answers come home to the head; a back port sees what runs across
        early, late = ([each for each in side if each.way == "out"] for side in (early, late))
        return tuple(
            _frame(chain, exchange, first, last, trigger) for first, last in zip(early, late, strict=True)
        )
    frames = [_frame(chain, exchange, first, last, trigger) for first, last in zip(early, late, strict=True)]
    if exchange.style == "summation" and len(frames) == 2:
        return _there_and_back(chain, frames, early, late)
    for place in range(1, len(frames)):
        gap = _turn(early, late) if place == 1 else _queue(chain, trains[0], trains[1], late[place])
        frames[place] = frames[place]._replace(before=gap)
    return tuple(frames)


def _frame(
    chain: Chain, exchange: Exchange, early: SegmentPassage, late: SegmentPassage, trigger: bool
) -> PortFrame:
    home = early.way == "home"
    # A ring's back port lies at the far end of its segment, a head port at the near end.
    at_port = home or early.segment > 0
    return PortFrame(
        _words(exchange, early, trigger),
        chain.name,
        chain.nodes[early.answer].name if early.answer is not None else "",
        Range(early.time, late.time),
        Range(early.sent, late.sent + late.delay),
        Range(early.sent + early.time, late.end),
        Range(*(each.end if at_port else each.sent + each.time for each in (early, late))),
        late.delay,
        Range(0, 0),
    )


def _words(exchange: Exchange, passage: SegmentPassage, trigger: bool) -> str:
    if exchange.style == "summation":
        return "summation frame" if passage.way == "out" else "summation frame coming home"
    if exchange.style == "write":
        return "trigger" if trigger else "write"
    return "answer" if passage.way == "home" else "request"


def _turn(early: list[SegmentPassage], late: list[SegmentPassage]) -> Range:
    """Bound the gap from the request to the first answer: a way there and back, each part at its own pace.

    At the far end of the segment neither lies on it, at the port both do.
    """
    low = early[1].sent - early[0].time - early[0].delay
    return Range(low, late[1].sent - late[0].time + late[0].delay)


def _there_and_back(
    chain: Chain, frames: list[PortFrame], early: list[SegmentPassage], late: list[SegmentPassage]
) -> tuple[PortFrame, ...]:
    """Return a summation frame that goes out and comes home: one stretch where it always meets itself."""
    turn = Range(early[1].sent - early[0].delay, late[1].sent + late[0].delay)
    out, home = frames
    if any(node.type.forwarding.style == "store-and-forward" for node in chain.nodes):
        return out, home._replace(before=_turn(early, late))  # it comes home whole stored times later
    gap = Range(turn.min - out.time.max, turn.max - out.time.min)
    if gap.max >= 0:
        return out, home._replace(before=gap)
    whole = Range(turn.min + out.time.min, turn.max + out.time.max)
    ends = Range(out.start.min + whole.min, home.end.max)
    both = out._replace(
        what="summation frame out and home", time=whole, end=ends, at_port=home.at_port, delay=home.delay
    )
    return (both,)


def _queue(chain: Chain, early: Train, late: Train, passage: SegmentPassage) -> Range:
    """Bound the gap between two answers in turn.

    They leave a node the answer gap apart, or further where the nearer one is not ready. On the way to the
    head cut-through relays can shift them by the width of each delay, but never so that they meet; relays
    that store take the queue in and let it out with the gap anew, at the latest when all is at its worst.
    """
    node = passage.answer
    assert node is not None
    nodes, gap = chain.nodes, chain.protocol.answer_gap
    hops = [segment.hop.delay for segment in chain.segments[: len(nodes)]]
    relays = [Span(0, 0, 0), *(each.type.forwarding.upstream for each in nodes[:-1])]
    widths = [hop.max - hop.min + relay.max - relay.min for hop, relay in zip(hops, relays, strict=True)]
    stores = [place for place, each in enumerate(nodes) if each.type.forwarding.style == "store-and-forward"]
    anew = stores[0] if stores else len(nodes) - 1  # from this node on nothing sets the gap anew
    # Where a frame can catch up with the one ahead, it is held up there, and the next one may catch up too.
    apart = sum(widths[: anew + 1]) < gap.min
    low = gap.min - sum(widths[: min(node, anew) + 1]) if apart else 0
    if stores and stores[0] < node:
        return Range(low, _FOREVER)
    return Range(low, max(gap.max, late.ready[node] - early.left[node]) + sum(widths[: node + 1]))


_FOREVER = 10**30
