"""Bit errors and what they cost: reads that fail, retries, scans lost per hour, and the mean scan time.

An exchange fails if any of its frames is hit on any segment it crosses, with probability

    q = 1 - product over frames of (1 - h(bits))^segments

where h is the probability that a frame is hit on one segment. A failed read is repeated while the scan's
reserve of retries lasts; a scan that needs more is lost. Broadcasts have no answer and are never retried:
how often one is not heard everywhere is counted apart.

**Independent errors**: attempts are independent, and scans lost per hour are exact (up to rounding).

**Bursts**: an attempt after a failure is more likely to fail than one out of the blue. The figure is then an
upper bound, the smaller one of two; both hold whether the channel stands still between frames or goes on. The
first failure of a scan falls on the first attempt of some read, with at most its q.

1. Every later attempt, whatever went before, fails with at most q*: each of its frames begins bad with at
   most the share that a frame can leave behind
   (:func:`~chainplan.budgets.errors.channel.bad_share_after_frame`):

       P(lost) <= (sum of q) * P(reads that fail with q* need more than reserve - 1 retries)

2. A scan is lost by reserve + 1 hits in that many attempts. A hit is out of the blue, or follows an earlier
   one on the same segment. What an earlier hit adds to all later frames of its segment together is at most
   c = d * e * (1 + l^b + l^2b + ...): e is the share that it can leave behind above the steady one, which
   every frame of b bits or more shrinks by l^b, l = 1 - leave_good - leave_bad, and d the most that beginning
   bad adds to a frame's risk. With Q the sum of -log(1 - q) over all reads and the retries that there can be,
   which is at least the expected number of hits out of the blue:

       P(lost) <= (sum of q) * (Q + c) * (Q + 2 c) * ... * (Q + reserve * c)

   A smaller reserve loses no fewer scans, so any shorter product is a bound too.

The typical figure takes every attempt to meet a fresh channel.

Means (retries, scan time) take attempts as independent; they are no bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache, partial
from math import ceil, floor, fsum, inf, log1p

from chainplan.budgets.errors.channel import expected_retries_of_each, probability_more_than_k_retries
from chainplan.budgets.errors.failing import Failing, TaskErrors, failing_of
from chainplan.budgets.errors.noise import noise_of
from chainplan.budgets.scanning.runs import TaskWork, exchange_cost
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.quantity import RATE, TIME, Span
from chainplan.remembered import remembered

HOUR = 3600 * 10**15
"""fs"""

PER_HOUR = int(RATE.units["/h"])

MOST_RETRIES = 1000
"""Retries of one scan that are counted; a larger reserve is taken as this one, which loses more scans."""

_MOST_TERMS = 12


@dataclass(frozen=True)
class ControllerErrors:
    """What bit errors cost one controller.

    `lost`, `unheard` and `stale` are per hour, `means` the mean number of retries per scan and the mean scan
    time.
    `bound` tells an upper bound (bursts, or a major cycle too long to walk through) from an exact figure of
    `lost`; `typical_lost` takes attempts as independent. `unknown` names chains without bit errors in the
    plan; there are no sums then.
    """

    controller: str
    tasks: tuple[TaskErrors, ...]
    lost: Sum | None
    typical_lost: Sum | None
    unheard: Sum | None
    stale: Sum | None
    work_out_means: Callable[[], tuple[float, Sum | None]]
    bound: bool
    unknown: tuple[str, ...] = ()

    @cached_property
    def means(self) -> tuple[float, Sum | None]:
        """Return the mean number of retries per scan, and the mean scan time in the typical case."""
        return self.work_out_means()

    @property
    def retries(self) -> float:
        """Return the mean number of retries per scan."""
        return self.means[0]

    @property
    def mean_scan(self) -> Sum | None:
        """Return the mean scan time in the typical case."""
        return self.means[1]


@budget
def errors(scans: dict[str, ControllerScan]) -> dict[str, ControllerErrors]:
    """What bit errors cost each controller; nothing of one without any in the plan."""
    found = {name: controller_errors(scan) for name, scan in scans.items()}
    return {name: errors for name, errors in found.items() if errors is not None}


def controller_errors(scan: ControllerScan) -> ControllerErrors | None:
    """Return what bit errors cost a controller; None if the plan has none on any of its chains."""
    noises = {chain.name: noise_of(chain) for chain in scan.outlines if not chain.ring}
    unknown = tuple(chain for chain, noise in noises.items() if noise is None)
    if len(unknown) == len(noises):
        return None
    name = scan.controller.name
    if unknown:
        return ControllerErrors(name, (), None, None, None, None, lambda: (0.0, None), False, unknown)
    failing = failing_of(scan.works, scan.outlines)
    reserve = min(scan.controller.settings.retry_reserve, MOST_RETRIES)
    period = scan.controller.settings.scan_period
    kinds = scan.meetings
    meeting = {due: number / kinds.total() for due, number in kinds.items()}
    lost, typical_lost = _losses(failing, name, tuple(kinds.items()), reserve, period)
    return ControllerErrors(
        name,
        failing.tasks,
        lost,
        typical_lost,
        _unheard_sum(failing, name, period.min),
        _stale_sum(scan.works, failing, name, period.min),
        partial(_means, scan, failing.tasks, meeting, reserve),
        failing.bursts,
    )


def _lost(tasks: Sequence[TaskErrors], reserve: int) -> float:
    """Return the probability that a scan with these tasks needs more retries than it has."""
    return probability_more_than_k_retries([q for task in tasks for q in task.failures], reserve)


def _lost_in_bursts(tasks: Sequence[TaskErrors], reserve: int, carry: float) -> float:
    """Return an upper bound of the same where errors come in bursts (see the top of this file)."""
    failures = [q for task in tasks for q in task.failures]
    first = min(1.0, fsum(failures))
    if reserve == 0 or first == 0:
        return first
    after = [q for task in tasks for q in task.after_failure]
    worst_beginning = probability_more_than_k_retries(after, reserve - 1)
    hits = [inf if q >= 1 else -log1p(-q) for q in failures]
    blue = fsum(hits) + reserve * max(hits)
    by_hits = 1.0
    for earlier in range(1, reserve + 1):
        factor = blue + earlier * carry
        if factor >= 1:  # the factors grow: no longer product is smaller
            break
        by_hits *= factor
    return first * min(worst_beginning, by_hits)


def per_hour(amount: float | Fraction) -> int:
    """Return a rate per hour in ticks, rounded up to eight digits, so that its terms stay readable."""
    ticks = ceil(Fraction(amount) * PER_HOUR)
    step = int(10 ** max(0, len(str(ticks)) - 8))
    return -(-ticks // step) * step


_Kinds = tuple[tuple[tuple[int, ...], int], ...]
"""The tasks that meet in a scan, and how many scans there are with these."""


@remembered
def _losses(failing: Failing, controller: str, kinds: _Kinds, reserve: int, period: Span) -> tuple[Sum, Sum]:
    """Return the scans lost per hour, at most and typically."""
    tasks = failing.tasks
    typical = {due: _lost([tasks[index] for index in due], reserve) for due, _ in kinds}
    worst = typical
    if failing.bursts:
        worst = {
            due: _lost_in_bursts([tasks[index] for index in due], reserve, failing.carry) for due, _ in kinds
        }
    return (
        _lost_sum(controller, tasks, kinds, worst, period.min),
        _lost_sum(controller, tasks, kinds, typical, period.typical),
    )


def _lost_sum(
    controller: str,
    tasks: Sequence[TaskErrors],
    kinds: _Kinds,
    chances: dict[tuple[int, ...], float],
    period: int,
) -> Sum:
    scans = dict(kinds)
    total = sum(scans.values())
    rates = {due: Fraction(chances[due]) * Fraction(HOUR * number, period * total) for due, number in kinds}
    heaviest = sorted(rates, key=rates.__getitem__, reverse=True)
    terms = [
        Term(
            f"scans with {', '.join(tasks[index].task for index in due) or 'no task'}",
            per_hour(rates[due]),
            how=f"{scans[due]} of {total} scans, each lost with {chances[due]:.3g}",
        )
        for due in heaviest[:_MOST_TERMS]
    ]
    others = sum((rates[due] for due in heaviest[_MOST_TERMS:]), Fraction(0))
    terms.append(Term("scans with other tasks", per_hour(others)))
    return Sum(
        f"scans lost per hour of {controller}",
        RATE,
        nonzero(*terms),
        "scans per hour x probability that a scan needs more retries than its reserve",
        "independent errors: negative binomial; bursts: Gilbert 1960, Elliott 1963, as an upper bound",
    )


@remembered
def _unheard_sum(failing: Failing, controller: str, period: int) -> Sum:
    terms = (
        Term(f"task {task.task}", per_hour(Fraction(task.unheard) * Fraction(HOUR, period * task.every)))
        for task in failing.tasks
    )
    return Sum(
        f"broadcasts per hour that not every node of {controller} hears",
        RATE,
        nonzero(*terms),
        "runs per hour x probability that a broadcast is hit on some segment",
    )


@remembered
def _stale_sum(works: tuple[TaskWork, ...], failing: Failing, controller: str, period: int) -> Sum:
    """Return the runs whose trigger some node missed, in longer rows than the plan reckons with.

    Misses are nested, and a further run with old values in a row has the same chance again where errors are
    independent; in bursts one miss may bring all that follow. By a freshness counter of w bits an answer is
    taken for new after 2^w misses in a row only.
    """
    terms = []
    for work, task in zip(works, failing.tasks, strict=True):
        if work.task.kind == "measure":
            row = max(work.task.stale_runs + 1, 2**work.task.freshness if work.task.freshness else 0)
            chance = task.unheard if failing.bursts else task.unheard ** min(row, 2**16)
            rate = Fraction(chance) * Fraction(HOUR, period * task.every)
            how = f"{row} in a row, each with {task.unheard:.3g}"
            terms.append(Term(f"task {task.task}", per_hour(rate), how=how))
    return Sum(
        f"readings per hour of {controller} with old values that nobody notices",
        RATE,
        nonzero(*terms),
        "runs per hour x probability that triggers in a row are hit on some segment before the last node",
    )


_retries_of_each = lru_cache(maxsize=32)(expected_retries_of_each)


def _means(
    scan: ControllerScan,
    tasks: Sequence[TaskErrors],
    kinds: dict[tuple[int, ...], float],
    reserve: int,
) -> tuple[float, Sum]:
    """Return the mean number of retries per scan, and the mean scan time with its terms, typical case.

    `kinds` are the tasks that meet, each with its share of all scans.
    """
    ways = scan.ways[Case.TYPICAL]
    costs = [
        [
            exchange_cost(exchange, ways) + ways.chains[exchange.chain].protocol.time_out.typical
            for exchange in work.requests
            if exchange.answers
        ]
        for work in scan.works
    ]
    runs = scan.runs[Case.TYPICAL]
    cycle = scan.phases.major_cycle
    slots = sum([run.length * (cycle // task.every) for run, task in zip(runs, tasks, strict=True)])
    retries = again = 0.0
    for due, share in kinds.items():
        means = _retries_of_each(tuple([q for index in due for q in tasks[index].failures]), reserve)
        prices = [cost for index in due for cost in costs[index]]
        retries += share * fsum(means)
        again += share * fsum(mean * price for mean, price in zip(means, prices, strict=True))
    return retries, Sum(
        f"mean scan time of {scan.controller.name}",
        TIME,
        nonzero(
            Term("slots, mean over the major cycle", round(Fraction(slots, cycle))),
            Term("retries", ceil(again), how=f"{retries:.3g} per scan, exchange and time-out each"),
        ),
        "typical slots + mean retries x (exchange + time-out)",
    )


NO_ERRORS = "the plan gives no bit errors"


@lru_cache(maxsize=64)
def rate_limit(written: float) -> int:
    """Return a limit in ticks of a rate, rounded down: the decimal that was written, not the binary one."""
    return floor(Fraction(repr(written)) * PER_HOUR)


SCANS_LOST = Kind[ControllerErrors](
    "scans lost per hour",
    RATE,
    ("controller",),
    "errors",
    lambda each: each.lost,
    lambda each: each.typical_lost,
    named="scans-lost/{}",
    note=lambda each: (
        "an upper bound: bursts, or a major cycle too long to walk through" if each.bound else ""
    ),
    target="scans_lost_per_hour",
    limit=rate_limit,
)


@SCANS_LOST.of
def scans_lost(scans: dict[str, ControllerScan], errors: dict[str, ControllerErrors]) -> Iterator[Figure]:
    """Scans that need more retries than the reserve."""
    return _of_each(SCANS_LOST, scans, errors)


def _of_each(
    kind: Kind[ControllerErrors], scans: Iterable[str], errors: dict[str, ControllerErrors]
) -> Iterator[Figure]:
    """Yield a figure of every controller, or why there is none."""
    for name in scans:
        each = errors.get(name)
        if each is None:
            yield kind(name, note=NO_ERRORS)
        elif each.unknown:
            yield kind(name, note=f"chain {each.unknown[0]} has no bit errors in the plan")
        else:
            yield kind(name, item=each)


BROADCASTS_UNHEARD = Kind[ControllerErrors](
    "broadcasts unheard per hour",
    RATE,
    ("controller",),
    "errors",
    lambda each: each.unheard,
    named="broadcasts-unheard/{}",
)


@BROADCASTS_UNHEARD.of
def broadcasts_unheard(errors: dict[str, ControllerErrors]) -> Iterator[Figure]:
    """Broadcasts that not every node of a controller hears."""
    for name, each in errors.items():
        if not each.unknown:
            yield BROADCASTS_UNHEARD(name, item=each)


STALE = Kind[ControllerErrors](
    "stale readings per hour",
    RATE,
    ("controller",),
    "errors",
    lambda each: each.stale,
    named="stale/{}",
    target="stale_readings_per_hour",
    limit=rate_limit,
)


@STALE.of
def stale_readings(scans: dict[str, ControllerScan], errors: dict[str, ControllerErrors]) -> Iterator[Figure]:
    """Runs that answer with old values, because a node did not hear the trigger, and are taken for new."""
    return _of_each(STALE, scans, errors)


MEAN_SCAN = Kind[ControllerErrors](
    "mean scan time",
    TIME,
    ("controller",),
    "errors",
    lambda each: each.mean_scan,
    named="mean-scan/{}",
)


@MEAN_SCAN.of
def mean_scans(errors: dict[str, ControllerErrors]) -> Iterator[Figure]:
    """Mean of a controller's scan time, retries included, in the typical case."""
    for name, each in errors.items():
        if not each.unknown:
            yield MEAN_SCAN(name, item=each)
