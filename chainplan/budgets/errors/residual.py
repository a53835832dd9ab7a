"""Errors that no check sees: the residual error rate per hour, and the Hamming distance at the plan's blocks.

In the form of IEC 61784-3 (from memory):

    Lambda = sum over receivers of R(p) * v

with v messages per hour to a receiver and R the probability that one arrives wrong and passes its check.
Every node that takes in a request, and the host that takes in an answer, is a receiver. p is the bit error
probability from sender to receiver over all segments between; errors are independent. R comes from the weight
distribution A_k of the check code at the block's own length (:mod:`chainplan.budgets.errors.code_limits`):

    R = sum over k of A_k * p^k * (1 - p)^(n - k)

A plan says how bad p may be, so every p up to it counts: each term is taken at its largest there, at
min(p, k/n). Codes of more than 16 check bits are counted at their longest block only: a shorter block's words
are among the longer one's, so these A_k are upper bounds.

Not covered: start and stop bits that shift a frame's bits, and faults of the electronics; a node is taken
not to check what it relays.

No figure is given for bursts, for these reasons. The A_k count patterns by their weight alone, while in a
burst the hits stand together, so that patterns of one weight are not equally likely. Exact would be the
MacWilliams sum over both states: for each of the 2^r dual words a product of n two-by-two matrices, whose
sum cancels to some 1e-20 of its terms, more digits than floats have. A bound does exist: no codeword fits
into r bits in a row, so whatever else is hit, at most one pattern of any r bits in a row passes. Where these
all lie in a burst its probability is at most max(p_bad, 1 - p_bad)^r, and shorter bursts pass only together
with another hit or burst. At p_bad = 0.3 and r = 16 that is 3e-3, where an average pattern passes with 2^-16:
the figure would tell of the bound and not of the check, and miss any limit in use.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import lru_cache
from math import exp, fsum, inf, lgamma, log, log1p
from typing import TYPE_CHECKING, NamedTuple

from chainplan.budgets.errors.channel import frame_error_probability
from chainplan.budgets.errors.losses import HOUR, NO_ERRORS, ControllerErrors, per_hour, rate_limit
from chainplan.budgets.errors.noise import noise_of
from chainplan.budgets.scanning.crossings import Block, BlockKind, blocks, longest_blocks
from chainplan.chain.network import Chain
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.quantity import RATE

if TYPE_CHECKING:
    from chainplan.budgets.scanning.runs import TaskWork
    from chainplan.budgets.scanning.scan import ControllerScan

LONGEST_BLOCK = 8192
"""Bits of a block up to which weights are counted; the search of a Hamming distance has limits of its own."""

WIDEST_EXACT = 16
"""Check bits up to which every block length has its own weight distribution."""

USUAL_P = 0.01
"""Bit error probability that IEC 61784-3 takes where none is shown to be lower (from memory)."""

_LABELS: dict[BlockKind, str] = {
    "broadcast": "broadcasts, each node counted",
    "request": "requests, each node counted",
    "answer": "answers",
}


class ResidualBudget(NamedTuple):
    """Undetected errors per hour, all controllers together: at the plan's p, and at 0.01 end to end.

    `exact` is False where the first is an upper bound: some A_k are, or p is so large that R need not grow
    with it. The sums are None where something is unknown; `reason` then says what.
    """

    total: Sum | None
    usual: Sum | None
    exact: bool
    reason: str = ""


class _UnknownError(Exception):
    """What keeps a residual error rate from being known, in words."""


def why_no_residual(scans: dict[str, ControllerScan]) -> str:
    """Return what the plan lacks for a residual error rate, in words; empty if it lacks nothing."""
    for scan in scans.values():
        for chain in scan.controller.chains:
            check, noise = chain.protocol.check, noise_of(chain)
            if noise is None:
                return f"chain {chain.name} has no bit errors in the plan"
            if noise.bursts is not None:
                return f"errors on chain {chain.name} come in bursts, and the form is for independent ones"
            if check.width.max and check.polynomial is None:
                return f"the check of protocol {chain.plan.protocol} has no polynomial in the plan"
    return ""


class _Receivers:
    """What passes the check of one chain's protocol, block length by block length."""

    def __init__(self, chain: Chain, longest: int) -> None:
        noise = noise_of(chain)
        assert noise is not None  # see why_no_residual
        self._noise = noise
        self._check = chain.protocol.check
        self._longest = longest
        self.exact = True

    def passes(self, block: Block) -> tuple[float, float]:
        """Return R at the p that the plan gives, and at 0.01 from sender to receiver."""
        own, exact = self._passes(block.bits, self._noise.hit_after(block.crossings))
        self.exact = self.exact and exact
        return own, self._passes(block.bits, USUAL_P)[0]

    def _passes(self, bits: int, p: float) -> tuple[float, bool]:
        width, polynomial = self._check.width.max, self._check.polynomial
        if not width:
            return frame_error_probability(p, bits), True
        assert polynomial is not None  # see why_no_residual
        if bits <= width:  # nothing but check bits carries nothing that could be wrong
            return 0.0, True
        counted = bits if width <= WIDEST_EXACT else self._longest
        _, exact, distance = _weights(polynomial, width, counted)
        return _passing(
            polynomial, width, counted, bits, p
        ), exact and counted == bits and p * bits <= distance


@lru_cache(maxsize=64)
def _weights(polynomial: int, width: int, bits: int) -> tuple[tuple[tuple[int, float], ...], bool, int]:
    """Return (k, log A_k) of every weight k >= 1 that occurs, whether exact, and the Hamming distance."""
    from chainplan.budgets.errors.code_limits import weight_limits

    if bits > LONGEST_BLOCK:
        raise _UnknownError(f"a block of {bits} bits is too long to count what passes its check")
    try:
        limits = weight_limits(polynomial, width, bits)
    except ValueError as error:
        raise _UnknownError(str(error)) from None
    logs = tuple((k, log(count)) for k, count in enumerate(limits.counts) if k and count)
    return logs, limits.exact, limits.hamming_distance


@lru_cache(maxsize=4096)
def _passing(polynomial: int, width: int, counted: int, bits: int, p: float) -> float:
    """Return the most that passes at any bit error probability up to p, rounded up."""
    logs = _weights(polynomial, width, counted)[0]
    if p == 0:
        return 0.0
    log_p, expected, most = log(p), p * bits, p * counted
    log_right = log1p(-p) if p < 1 else 0.0
    least = -inf
    terms = []
    for k, log_count in logs:
        if k > bits:
            break
        if k >= 2 * most and k * log(most) - lgamma(k + 1) < least:
            break  # no more than 2 (p n)^k / k! follows, as A_k <= C(n, k) <= n^k / k! in the counted n bits
        if k > expected:  # p^k (1-p)^(n-k) is largest at k/n
            term = exp(log_count + k * log_p + (bits - k) * log_right)
        else:
            q = k / bits
            term = exp(log_count + k * log(q) + ((bits - k) * log1p(-q) if k < bits else 0.0))
        terms.append(term)
        if len(terms) == 1 and term:
            least = log(term) - _NEGLIGIBLE
    return min(1.0, max(fsum(terms) * (1 + 1e-9), _TINIEST)) if terms else 0.0


_NEGLIGIBLE = 60.0
"""Natural logarithm of what is left out of a sum, against its first term: far below the reserve."""

_TINIEST = 5e-324
"""What underflow must not turn into nothing at all."""


@budget
def residual(scans: dict[str, ControllerScan], errors: dict[str, ControllerErrors]) -> ResidualBudget | None:
    """The residual error rate of all controllers together; None if the plan has no bit errors.

    `errors` are the controllers' own, by name: they say how many messages retries add.
    """
    if not errors:
        return None
    if reason := why_no_residual(scans):
        return ResidualBudget(None, None, False, reason)
    terms: list[Term] = []
    usual: list[Term] = []
    exact = True
    try:
        for name, scan in scans.items():
            receivers = _receivers(scan)
            for index, work in enumerate(scan.works):
                parts = _task_parts(scan, work, receivers, _attempts(scan, errors[name], index))
                for found, rates in zip((terms, usual), parts, strict=True):
                    found.append(_term(f"{work.name} of {name}", rates))
            exact = exact and all(each.exact for each in receivers.values())
    except _UnknownError as error:
        return ResidualBudget(None, None, False, str(error))
    return ResidualBudget(
        _sum("residual errors per hour", terms),
        _sum("residual errors per hour at a bit error probability of 0.01", usual),
        exact,
    )


def _receivers(scan: ControllerScan) -> dict[str, _Receivers]:
    """Return what passes on every chain of a controller; copies of a chain have theirs in common."""
    longest: dict[str, int] = {}
    for chain in scan.chains:
        lengths = (
            bits
            for work in scan.works
            for exchange in work.exchanges
            if exchange.chain == chain.name
            for _, bits in longest_blocks(chain, exchange)
        )
        longest[chain.family] = max(longest.get(chain.family, 0), *lengths, 0)
    families = {chain.family: chain for chain in scan.controller.chains}
    return {family: _Receivers(chain, longest[family]) for family, chain in families.items()}


def _attempts(scan: ControllerScan, errors: ControllerErrors, index: int) -> float:
    """Return how often a read is sent at most, on average: once and its retries."""
    most = 1.0 + scan.controller.settings.retry_reserve
    worst = errors.tasks[index].worst if errors.tasks else 1.0
    return most if worst >= 1 else min(most, 1 / (1 - worst))


_Rates = dict[BlockKind, tuple[float, float]]
"""By kind of block: undetected errors per hour, and messages received per hour.

Sums of positive floats: their rounding lies far below the reserve in :func:`_passing`.
"""


def _task_parts(
    scan: ControllerScan, work: TaskWork, receivers: dict[str, _Receivers], attempts: float
) -> tuple[_Rates, _Rates]:
    """Return a task's undetected errors per hour at the plan's p and at 0.01, by kind of block."""
    runs = HOUR / (scan.controller.settings.scan_period.min * work.task.every)
    found: tuple[_Rates, _Rates] = {}, {}
    received: dict[str, Counter[Block]] = {family: Counter() for family in receivers}
    named = {chain.name: chain for chain in scan.chains}
    for exchange in work.exchanges:
        chain = named[exchange.chain]
        received[chain.family].update(blocks(chain, exchange))
    for family, counted in received.items():
        for block, number in counted.items():
            rate = runs * number * (attempts if block.kind != "broadcast" else 1)
            for rates, passing in zip(found, receivers[family].passes(block), strict=True):
                errors, messages = rates.get(block.kind, (0.0, 0.0))
                rates[block.kind] = errors + passing * rate, messages + rate
    return found


def _term(label: str, rates: _Rates) -> Term:
    parts = tuple(
        Term(_LABELS[kind], per_hour(errors), how=f"{messages:.4g} received per hour")
        for kind, (errors, messages) in rates.items()
    )
    return Term(label, sum(part.total for part in parts), parts=parts)


def _sum(label: str, terms: list[Term]) -> Sum:
    return Sum(
        label,
        RATE,
        nonzero(*terms),
        "sum over receivers of R(p) x messages per hour",
        "IEC 61784-3 form, from memory; weights of the check code by the MacWilliams identity",
    )


RESIDUAL = Kind[ResidualBudget](
    "residual errors per hour",
    RATE,
    ("group of chains",),
    "errors",
    lambda each: each.total,
    named=lambda _: "residual-errors",
    sums=lambda each: (each.total, None),
    note=lambda each: "" if each.exact else "an upper bound",
    target="residual_errors_per_hour",
    limit=rate_limit,
)


@RESIDUAL.of
def residual_errors(residual: ResidualBudget | None) -> Iterator[Figure]:
    """Errors that no check sees, of all controllers together."""
    if residual is not None and residual.total is not None:
        yield RESIDUAL("all chains", item=residual)
    else:
        yield RESIDUAL("all chains", note=residual.reason if residual else NO_ERRORS)


USUAL_RESIDUAL = Kind[ResidualBudget](
    "residual errors per hour at 0.01",
    RATE,
    ("group of chains",),
    "errors",
    lambda each: each.usual,
    named=lambda _: "residual-errors/at 0.01",
    sums=lambda each: (each.usual, None),
)


@USUAL_RESIDUAL.of
def usual_residual_errors(residual: ResidualBudget | None) -> Iterator[Figure]:
    """Errors that no check sees, were every 100th bit hit from sender to receiver."""
    if residual is not None and residual.usual is not None:
        yield USUAL_RESIDUAL("all chains", item=residual)
