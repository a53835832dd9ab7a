"""A lost chain or node as a hazard: from a cut to the run that is bad once too often.

The fault falls just after the last bit of a run that needed the lost part. How many bad runs it takes is in
:mod:`chainplan.budgets.values.recognition`; the place of a chain is the worst one. The single faults, each at
its own place, are in :mod:`chainplan.budgets.faults.known`.
"""

from __future__ import annotations

from chainplan.budgets.scanning.exchange import Exchange
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.time_outs import any_chain_lost, longest_period
from chainplan.budgets.scanning.wire import frame_time
from chainplan.budgets.values.age import slot_shift
from chainplan.budgets.values.recognition import Recognition, arrival_spread, recognition
from chainplan.budgets.values.sampling import Sampling, sampling_of
from chainplan.figures.terms import Case, Term
from chainplan.plan.layout import EvaluationPlan
from chainplan.plan.schedule import Hazard
from chainplan.remembered import remembered


def lost_runs(
    hazard: Hazard, scan: ControllerScan, index: int, evaluation: EvaluationPlan, case: Case
) -> Recognition | None:
    """Return the bad runs of a task until a lost chain is recognised."""
    worst = case is Case.WORST
    period = longest_period(scan) if worst else scan.controller.settings.scan_period.typical
    spread = arrival_spread(scan, index) + _give_up(scan, index) if worst else 0
    return recognition(hazard, scan, index, evaluation, case, period, spread)


@remembered
def _give_up(scan: ControllerScan, index: int) -> int:
    return max((each.until_bad(index) for each in any_chain_lost(scan)), default=0)


def loss_terms(scan: ControllerScan, index: int, runs: Recognition, case: Case) -> tuple[Term, ...]:
    """Return what passes until the last bad scan of a cut chain or a silent node is noticed.

    The cut falls just after the last bit of the run that needed the lost part; the next run that misses an
    answer is noticed at that exchange's time-out, or after its retries where there is a reserve. One fault
    makes the reads of one chain wait, or those of all chains of a dead port.
    """
    plan = scan.controller.settings
    worst = case is Case.WORST
    early = Case.BEST if worst else case
    give_up = _give_up(scan, index) if worst else 0
    return (
        *runs.terms("task period per bad scan"),
        Term("scan jitter", plan.scan_jitter.max if worst else 0),
        Term("shift of the slot between scans", slot_shift(scan, index, runs.readings, early, case)),
        Term("from the last answer to the first one missed", _first_miss(scan, index, early, case)),
        Term("time-outs", give_up, how="of the scan until the run is bad"),
        *((scan.reserve,) if worst else ()),
    )


def _first_miss(scan: ControllerScan, index: int, early: Case, late: Case) -> int:
    """Return the longest time from the last bit a part of the chain was needed for to its first miss, fs.

    Both counted since their own run's begin, so the result may be negative. A part is the tail of a chain
    (for polled reads: any node with all beyond it); the run is the earliest possible for the last bit and
    the latest for the miss.
    """
    sampling = sampling_of(scan, index, early)
    run = scan.runs[late][index]
    retried = scan.reserve.total > 0 and late is Case.WORST
    needed: dict[tuple[str, int], int] = {}
    for step in scan.runs[early][index].reads:
        part = _part(step.exchange)
        needed[part] = step.wire + _last_bit(sampling, step.exchange, early)
    missed: dict[tuple[str, int], int] = {}
    for step in run.reads:
        missed.setdefault(_part(step.exchange), run.length if retried else step.end)
    return max(missed[part] - passed for part, passed in needed.items())


def _part(exchange: Exchange) -> tuple[str, int]:
    """Return what a read needs last: the tail of its chain (-1), or the polled node."""
    return exchange.chain, -1 if exchange.node is None else exchange.node


def _last_bit(sampling: Sampling, exchange: Exchange, case: Case) -> int:
    """Return when some part of the chain is no longer needed, fs since the request's first bit.

    That is when the farthest node has sent its last bit of an answer; in a ring read across the frame
    leaves the head behind first.
    """
    chain = sampling.chains[exchange.chain]
    way = sampling.ways[exchange.chain]
    node = exchange.node if exchange.node is not None else len(chain.nodes) - 1
    turn = chain.nodes[node].type.turn_around[case]
    if exchange.style == "summation":
        frame = frame_time(chain.protocol, exchange.request + sum(exchange.answers), case)
        return frame if chain.plan.read_from == "across" else frame + way.reach(node, frame) + turn
    request = frame_time(chain.protocol, exchange.request, case)
    answer = frame_time(chain.protocol, exchange.answers[-1], case)
    return request + way.reach(node, request) + turn + answer
