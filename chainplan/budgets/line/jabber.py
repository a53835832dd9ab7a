"""The longest sending without a pause on a chain, beside the jabber limit that cuts a node off for good.

Every node sends what it passes on, so on a chain whatever is sent without a pause is sent by some node:

    summation     the frame with all its blocks
    sequential    the longest of request and answers; all answers, where no gap is kept between two of them
    polled        the longest of request and answer
    broadcast     its frame

Two exchanges are taken to have a pause between them. The jabber function of IEEE 802.3 (9.6.5 and 14.2.1.6;
clauses from memory) cuts off what sends for longer than any frame takes: a limit below that contradicts the
plan's own frames. Times are in fs.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import frame_time
from chainplan.chain.network import Chain
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term
from chainplan.quantity import TIME


class LongestSending(NamedTuple):
    """What a chain's nodes send longest without a pause, beside the least jabber limit of any of them, fs.

    `node` is the first that has it.
    """

    chain: str
    node: str
    limit: int
    worst: Sum
    typical: Sum


@budget
def longest_sendings(scans: dict[str, ControllerScan]) -> tuple[LongestSending, ...]:
    """What is sent longest without a pause on each chain that has a node with a jabber limit."""
    found = []
    for scan in scans.values():
        for chain in scan.controller.chains:
            limits = [
                (node.type.jabber_limit.min, node.name)
                for node in chain.nodes
                if node.type.jabber_limit is not None
            ]
            exchanges = [each for work in scan.works for each in work.on(chain)]
            if limits and exchanges:
                limit, name = min(limits, key=lambda each: each[0])
                worst, typical = (_longest(chain, exchanges, case) for case in (Case.WORST, Case.TYPICAL))
                found.append(LongestSending(chain.name, name, limit, worst, typical))
    return tuple(found)


def _longest(chain: Chain, exchanges: list[Exchange], case: Case) -> Sum:
    found = [terms for each in exchanges for terms in _sent(chain, each, case)]
    terms = max(found, key=lambda each: sum(term.total for term in each))
    label = f"longest sending without a pause on {chain.name}"
    return Sum(label, TIME, terms, "the longest frame; answers without a gap between them are one")


def _sent(chain: Chain, exchange: Exchange, case: Case) -> Iterator[tuple[Term, ...]]:
    """Yield what is sent without a pause in an exchange."""
    protocol, task = chain.protocol, exchange.task
    if exchange.style == "summation":
        frame = frame_time(protocol, exchange.request + sum(exchange.answers), case)
        yield (Term(f"frame of {task}", frame),)
        return
    yield (Term(f"request of {task}", frame_time(protocol, exchange.request, case)),)
    answers = [frame_time(protocol, bits, case) for bits in exchange.answers]
    if exchange.style == "sequential" and protocol.answer_gap.min == 0 and answers:
        how = "no gap between two of them"
        yield (Term(f"answers of {task}", sum(answers), how=f"{len(answers)} answers, {how}"),)
    elif answers:
        yield (Term(f"answer of {task}", max(answers)),)


LONGEST_SENDING = Kind[LongestSending](
    "longest sending without a pause",
    TIME,
    ("chain",),
    "link budget",
    lambda each: each.worst,
    lambda each: each.typical,
    named="sending/{}",
    where=lambda each: f"`jabber_limit` of {each.node}",
    asked=lambda plan: any(each.jabber_limit for each in plan.node_types.values()),
)


@LONGEST_SENDING.of
def longest_sendings_judged(longest_sendings: tuple[LongestSending, ...]) -> Iterator[Figure]:
    """The longest sending without a pause, beside the jabber limit. Always checked."""
    for each in longest_sendings:
        yield LONGEST_SENDING(each.chain, item=each, limit=each.limit)
