"""How long each node communicates and measures, which is what its supply current depends on.

A node communicates while it receives, forwards or sends, and measures while it converts. So in

- a *broadcast* every node receives the frame, and all but the last pass it on;
- a *summation* the frame passes every node outward and again upstream (once in a ring read across);
- a *sequential* read every node passes on the answers of all nodes beyond: the nearer the head, the more;
- a *polled* read the nodes up to the polled one pass request and answer; those beyond hear nothing.

Awake, a node that checks its inputs for an alarm converts once a check period; hazards whose checks make one
conversion in one period share the checks.

A cut-through relay is at work for the frame and its own delay; one that stores and forwards receives the
frame and sends it anew, so for the frame twice. Where it may receive one answer while it sends another, the
longest case counts both and the others only the sending. Gaps and turn-around times are at rest. Retries are
left out: these are times of the fault-free chain.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from itertools import accumulate
from typing import NamedTuple, TypeVar

from chainplan.budgets.scanning.exchange import Exchange, channels
from chainplan.budgets.scanning.runs import TaskWork
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import Way, frame_time, frame_times
from chainplan.budgets.values.alarm import shown, watch_awake
from chainplan.budgets.values.sampling import conversion_on
from chainplan.chain.network import Chain, Node, makes
from chainplan.figures.terms import Case
from chainplan.plan.schedule import Hazard
from chainplan.quantity import RATIO, Span, outward
from chainplan.remembered import remembered

_WHOLE = int(RATIO.units[""])
"""Ticks of the ratio 1."""


class Activity(NamedTuple):
    """What a node does in one major cycle of its controller, fs: at the least, typically, at the most.

    `free` says that it converts by itself whenever it does not communicate, because a task without a
    trigger reads it. `checking` is the share of the time awake in which it converts for checks of its own, in
    ticks of a ratio.
    """

    node: Node
    communicating: Span
    measuring: Span
    free: bool
    checking: Span


def activities(scan: ControllerScan, hazards: dict[str, Hazard]) -> list[Activity]:
    """Return what every node of a controller does in a major cycle, chain by chain from the head."""
    return [activity for chain in scan.controller.chains for activity in _on_chain(scan, chain, hazards)]


def _on_chain(scan: ControllerScan, chain: Chain, hazards: dict[str, Hazard]) -> list[Activity]:
    exchanges = _exchanges(scan.works, _as_met(scan, chain), scan.phases.major_cycle)
    busy = [[0] * len(chain.nodes) for _ in Case]
    for case, times in zip(Case, busy, strict=True):
        for exchange, count in exchanges.items():
            met, way = scan.ways[case].chains[exchange.chain], scan.ways[case].ways[exchange.chain]
            busy_from_there = communicating(met, way, exchange, case)
            for place, time in enumerate(reversed(busy_from_there) if met.ring else busy_from_there):
                times[place] += count * time
    works = [work for work in scan.works if any(work.on(chain))]
    converting = _per_make(
        chain.nodes,
        lambda node: (
            _measuring(scan, works, node),
            any(work.task.kind == "read" and _converts(work, node) for work in works),
            _checking(hazards, node),
        ),
    )
    return [
        Activity(node, Span(*times), *converts)
        for node, times, converts in zip(chain.nodes, zip(*busy, strict=True), converting, strict=True)
    ]


def _as_met(scan: ControllerScan, chain: Chain) -> tuple[str, ...]:
    """Return the names that a chain has as it is read: its own, one more for a ring read from the back."""
    return tuple(name for name, wires in scan.wires.items() if wires == chain.name)


_OfNode = TypeVar("_OfNode")


def _per_make(nodes: tuple[Node, ...], work_out: Callable[[Node], _OfNode]) -> list[_OfNode]:
    """Return for every node what its make alone sets, worked out once per make."""
    found: dict[int, _OfNode] = {}
    for make in makes(nodes):
        found.update(dict.fromkeys(make.places, work_out(make.node)))
    return [found[place] for place in range(len(nodes))]


@remembered
def _exchanges(works: tuple[TaskWork, ...], names: tuple[str, ...], major_cycle: int) -> dict[Exchange, int]:
    """Return the exchanges on a chain in a major cycle, equal ones counted, whatever task they belong to."""
    found: dict[Exchange, int] = {}
    for work in works:
        runs = major_cycle // work.task.every
        for each in work.exchanges:
            if each.chain in names:
                plain = each._replace(task="", payload=0, samples=0, first_channel=0)
                found[plain] = found.get(plain, 0) + runs
    return found


def _converts(work: TaskWork, node: Node) -> bool:
    return conversion_on(work.task, node) is not None and channels(work.task, node) > 0


def _measuring(scan: ControllerScan, works: list[TaskWork], node: Node) -> Span:
    """Return the time a node converts after triggers in a major cycle, fs."""
    ends = [0, 0, 0]
    for work in works:
        conversion = conversion_on(work.task, node)
        if work.task.kind == "measure" and conversion is not None:
            runs = scan.phases.major_cycle // work.task.every
            for case in Case:
                ends[case] += runs * conversion.time[case]
    return Span(*ends)


def _checking(hazards: dict[str, Hazard], node: Node) -> Span:
    """Return the share of the time in which a node converts for its own checks, rounded outward."""
    watches = {
        (watch.conversion, watch.check_every): watch
        for hazard in hazards.values()
        if hazard.alarm is not None and node.type.raises_alarms and shown(hazard, node)
        for watch in [watch_awake(hazard, hazard.alarm)]
    }
    shares = [
        [
            Fraction(check.time[case] * _WHOLE, max(watch.check_every[Case.WORST - case], check.time[case]))
            for case in Case
        ]
        for watch in watches.values()
        if (check := watch.check_on(node)) is not None and check.time.max
    ]
    return outward(*(sum((each[case] for each in shares), Fraction(0)) for case in Case))


def communicating(chain: Chain, way: Way, exchange: Exchange, case: Case) -> list[int]:
    """Return how long each node of a chain receives, forwards or sends in an exchange, fs."""
    protocol, nodes = chain.protocol, chain.nodes
    last = len(nodes) - 1
    if exchange.style == "summation":
        frame = frame_time(protocol, exchange.request + sum(exchange.answers), case)
        if chain.plan.read_from == "across":
            return _per_make(nodes, lambda node: _pass_out(node, frame, case))
        return _round_trips(chain, way, frame, case)
    if exchange.node is not None:
        last = exchange.node
    request = frame_time(protocol, exchange.request, case)
    times = [*_per_make(nodes, lambda node: _pass_out(node, request, case))[:last], request]
    if exchange.style == "sequential":
        answers = frame_times(protocol, exchange.answers, case)
        upstream = _in_turn(chain, answers, case)
    elif exchange.style == "polled":
        answer = frame_time(protocol, exchange.answers[0], case)
        upstream = [*_per_make(nodes, lambda node: _pass_home(node, answer, case))[:last], answer]
    else:
        upstream = [0] * len(times)
    rest = [0] * (len(nodes) - len(times))
    return [out + home for out, home in zip(times, upstream, strict=True)] + rest


def _stores(node: Node) -> bool:
    return node.type.forwarding.style == "store-and-forward"


def _pass_out(node: Node, frame: int, case: Case) -> int:
    return 2 * frame if _stores(node) else frame + min(frame, node.type.forwarding.downstream[case])


def _pass_home(node: Node, frame: int, case: Case) -> int:
    return 2 * frame if _stores(node) else frame + min(frame, node.type.forwarding.upstream[case])


def _round_trips(chain: Chain, way: Way, frame: int, case: Case) -> list[int]:
    """Return how long each node is at work for a frame that goes out to the tail and comes home, fs.

    A long frame may still go out while it already comes home. `beyond` is the time from the frame's first
    bit on its way out of the node to that bit back at the node. Stretches of one length that begin in order
    cover that length once, and of each gap between their begins as much as one of them can fill.
    """
    last, tail = len(chain.nodes) - 1, chain.nodes[-1]
    turn_around = tail.type.turn_around[case]
    there_and_back = way.out[last] + way.home[last] + turn_around
    all_stored = 2 * way.stores[last] + _stores(tail)
    times = [0] * len(chain.nodes)
    for make in makes(chain.nodes):
        relay, stores = make.node.type.forwarding, _stores(make.node)
        out, home = relay.downstream[case], relay.upstream[case]
        passed = min(frame, out) + min(frame, home)
        for index in make.places:
            stored = all_stored - 2 * (way.stores[index] + stores)
            beyond = there_and_back - way.out[index] - out - way.home[index] - home + stored * frame
            # One that stores receives it, sends it out, perhaps as it comes home already, and sends it home.
            times[index] = min(frame, beyond) + (3 * frame if stores else frame + passed)
    times[last] = 2 * frame if _stores(tail) else frame + min(frame, turn_around)
    return times


def _in_turn(chain: Chain, answers: list[int], case: Case) -> list[int]:
    """Return how long each node passes on the answers from beyond and sends its own, fs."""
    sent = _onward(answers)  # its own and all from beyond
    last = len(answers) - 1
    times = [0] * len(answers)
    for make in makes(chain.nodes):
        stores, delay = _stores(make.node), make.node.type.forwarding.upstream[case]
        # The same, each answer counted up to the relay's delay.
        short = [] if stores else _onward([min(answer, delay) for answer in answers])
        for index in make.places:
            if index == last:
                extra = 0
            elif not stores:
                extra = short[last if case is Case.BEST else index + 1]
            elif case is Case.WORST:
                extra = sent[index] - answers[index]  # received while nothing is sent
            else:
                extra = answers[last]  # only the first is received before anything is sent
            times[index] = sent[index] + extra
    return times


def _onward(amounts: list[int]) -> list[int]:
    """Return for each place the sum of the amounts from there on."""
    return [*accumulate(reversed(amounts))][::-1]
