"""The answer window: how long the host waits for an answer at most, in the worst case.

From the end of the request at the head port to the first bit of the first answer there:

    polled        way out to the node + turn-around + way home
    sequential    way out to the tail + turn-around + way home: the tail answers first
    summation     what the loop delays a bit: way out to the tail + turn-around + way home; across a ring, the
                  way to the back port

A store-and-forward relay takes a frame in whole before it sends, so it adds the frame's own time each way.
Delays count per chain: every node on the way relays. Times are in fs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property, partial

from chainplan.budgets.scanning.exchange import Exchange, Style
from chainplan.budgets.scanning.runs import Ways, shape_of
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import Way, frame_time
from chainplan.chain.network import Chain
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.quantity import TIME

FORMULA = "way out + turn-around + way home, relays and cables of the whole chain"


@dataclass(frozen=True)
class Wait:
    """The longest wait for an answer on a chain in one read style, and whose answer it is."""

    chain: str
    style: Style
    node: str
    worst: Sum
    lay_out: Callable[[Case], Sum]

    @cached_property
    def typical(self) -> Sum:
        """Return the wait in the typical case."""
        return self.lay_out(Case.TYPICAL)


def chain_waits(scan: ControllerScan, chain: Chain) -> tuple[Wait, ...]:
    """Return the longest wait on a chain, by whichever port it is read, for each style that its tasks use."""
    longest: dict[Style, tuple[int, Exchange]] = {}
    worst = scan.ways[Case.WORST]
    for exchange in _reads(scan, chain):
        wait = sum([term.total for term in _terms(worst, exchange)])
        if exchange.style not in longest or wait > longest[exchange.style][0]:
            longest[exchange.style] = wait, exchange
    return tuple(
        Wait(
            chain.name,
            style,
            _answering(worst.chains[exchange.chain], exchange),
            _sum(scan, exchange, Case.WORST),
            partial(_sum, scan, exchange),
        )
        for style, (_, exchange) in longest.items()
    )


def _reads(scan: ControllerScan, chain: Chain) -> Iterable[Exchange]:
    """Return the reads of a chain that can differ in their waits."""
    found: dict[tuple[object, ...], Exchange] = {}
    for work in scan.works:
        for exchange in work.on(chain):
            if exchange.answers:
                found.setdefault(shape_of(exchange), exchange)
    return found.values()


def _answering(chain: Chain, exchange: Exchange) -> str:
    return chain.nodes[-1 if exchange.node is None else exchange.node].name


def _sum(scan: ControllerScan, exchange: Exchange, case: Case) -> Sum:
    terms = _terms(scan.ways[case], exchange)
    return Sum(f"{exchange.style} answer on {exchange.chain}", TIME, terms, FORMULA)


def _terms(ways: Ways, exchange: Exchange) -> tuple[Term, ...]:
    return wait_terms(ways.chains[exchange.chain], ways.ways[exchange.chain], exchange, ways.case)


def wait_terms(chain: Chain, way: Way, exchange: Exchange, case: Case) -> tuple[Term, ...]:
    """Return the terms of the wait for an exchange's first answer, fs."""
    if exchange.style == "summation":
        return _loop(chain, way, exchange, case)
    node = len(chain.nodes) - 1 if exchange.node is None else exchange.node
    request = frame_time(chain.protocol, exchange.request, case)
    # The tail's answer comes first and meets no other, so nothing but its own frame holds it up.
    answer = frame_time(chain.protocol, exchange.answers[-1], case)
    stores = way.stores[node]
    return nonzero(
        Term("way out to the node", way.out[node]),
        Term("request stored and forwarded on the way out", request, stores),
        Term("turn-around", chain.nodes[node].type.turn_around[case]),
        Term("way home from the node", way.home[node]),
        Term("answer stored and forwarded on the way home", answer, stores),
    )


def _loop(chain: Chain, way: Way, exchange: Exchange, case: Case) -> tuple[Term, ...]:
    frame = frame_time(chain.protocol, exchange.request + sum(exchange.answers), case)
    if chain.plan.read_from == "across":
        return nonzero(
            Term("way across the ring", way.across),
            Term("stored and forwarded across the ring", frame, way.stores_across),
        )
    last = len(chain.nodes) - 1
    tail = chain.nodes[last].type
    stored_at_tail = tail.forwarding.style == "store-and-forward"
    return nonzero(
        Term("way out to the tail", way.out[last]),
        Term("turn-around at the tail", tail.turn_around[case]),
        Term("way home from the tail", way.home[last]),
        Term("stored and forwarded on the way", frame, 2 * way.stores[last] + stored_at_tail),
    )
