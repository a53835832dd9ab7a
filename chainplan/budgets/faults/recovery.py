"""Recovery: from a fault until every cell that can still be seen is monitored again.

    recovery = known + switch + re-addressing + wait for a scan + scans until the task is due + its run

The wait ends at a planned start, and the scan that shows the fault has begun at one: being known late and
waiting long make up for one another.

What the controller does, which the terms follow from (each an assumption):

- it finishes the scan under way before it touches the chains;
- it switches a broken ring to reading from both ends, which takes the plan's `recovery: {switch: TIME}`,
  and addresses one after another the nodes that are reached from the back and the node that has become the
  last one from the head;
- it scans on at its old pace, with its old slot table; a scan whose start has passed by then is left out;
- while a node babbles every attempt fails, and the next one follows at once.

Nodes that are polled one by one from the head stay addressed: in front of a break they are read on without a
break in time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from functools import cached_property
from math import gcd
from typing import NamedTuple

from chainplan.budgets.faults.known import Known
from chainplan.budgets.faults.rescan import Rescan, Rescans, scans_before
from chainplan.budgets.scanning.runs import TaskWork, applies_to
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.values.age import overlap_fits
from chainplan.chain.degraded import Fault, Left
from chainplan.chain.network import Chain
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.quantity import TIME


class Recovery:
    """The time until all cells left are monitored again, worst case, fs; None, with the reason as `note`.

    Its terms are laid out when asked for.
    """

    def __init__(self, total: int | None, note: str = "", lay_out: Callable[[], Sum] | None = None) -> None:
        self.total = total
        self.note = note
        self._lay_out = lay_out

    @cached_property
    def time(self) -> Sum | None:
        """Return the same time with its terms."""
        return self._lay_out() if self._lay_out else None

    @property
    def unknown(self) -> bool:
        """Tell whether there is something to recover and no bound for it."""
        return self.note in (NOT_SHOWN, NO_SWITCH, NO_TASK, NOT_READY)


NOTHING_LEFT = "nothing of the broken chain is left to be read"
READ_ON = "what is left is read on without a break in time"
NOT_SHOWN = "nothing the controller reads shows the fault"
NO_SWITCH = "the controller's `recovery` is not in the plan"
NO_TASK = "no task reads what is left"
NOT_READY = "no task brings new values in every run: its overlapped conversion may not be over by the next"

Addressing = tuple[tuple[int, int], ...]
"""Times that nodes take to get an address, fs, each with how many nodes take it."""


class Recoveries:
    """The recoveries from faults on one controller's chains; what no fault changes is worked out once."""

    def __init__(self, rescans: Rescans) -> None:
        self._rescans = rescans
        self._scan = rescans.scan
        self._chains = {
            chain.name: _BrokenChain(rescans.scan, chain) for chain in rescans.scan.controller.chains
        }

    def after(self, fault: Fault, lefts: Sequence[Left], known: Known | None) -> Recovery:
        """Return the recovery from a fault.

        A task's run brings its cells back; where several tasks read a chain the fastest counts, and of
        several chains the slowest.
        """
        limit = self._jabber_limit(fault)
        breaks = [(self._chains[left.chain], left) for left in lefts if left.ahead + left.behind]
        waiting = [(chain, left) for chain, left in breaks if chain.all_interrupted(left, limit)]
        reason = self._reason([chain for chain, _ in breaks], [chain for chain, _ in waiting], known)
        if reason or known is None:
            return Recovery(None, reason)
        tasks = [self._reading(chain, left) for chain, left in waiting]
        if not any(tasks):
            return Recovery(None, NOTHING_LEFT)
        rescan = self._rescans.after(lefts)
        switch = self._switch([chain for chain, _ in waiting])
        addressing = _together([chain.addressed(left) for chain, left in waiting])
        set_up = self._scan.controller.settings.set_up.max
        action = switch + sum([(set_up + time) * count for time, count in addressing])
        way = min([self._way(rescan, tasks, wait, known) for wait in self._waits(action, known)])
        jitter = self._scan.controller.settings.scan_jitter.max
        attempt = action + jitter + way.time
        spoiled = 0 if limit is None else max(0, limit + attempt - known.total)

        def lay_out() -> Sum:
            return Sum(
                f"recovery: {fault.name}",
                TIME,
                nonzero(
                    Term("until the fault is known", known.total, parts=known.time.terms),
                    Term("attempts that the babbling spoils", spoiled),
                    Term("switch to reading from both ends", switch),
                    *(
                        Term("addressing of a node, set-up included", set_up + time, count)
                        for time, count in addressing
                    ),
                    Term("wait for the next scan", way.wait.time, how=way.wait.how),
                    Term("scan jitter", jitter),
                    *_until_run(rescan, way.task, way.scans),
                ),
                "known + switch + re-addressing + wait for a scan + scans until the task is due + its run",
            )

        return Recovery(known.total + spoiled + attempt, "", lay_out)

    def _reading(self, chain: _BrokenChain, left: Left) -> list[int]:
        """Return the tasks that bring back what is left of a chain: those with something to read there."""
        return [index for index in chain.tasks if self._rescans.reads(index, left)]

    def _jabber_limit(self, fault: Fault) -> int | None:
        """Return how long a babbling node sends at most before it is cut off, fs; None for another fault."""
        if fault.kind != "node babbling":
            return None
        limit = self._chains[fault.chain].chain.nodes[fault.place - 1].type.jabber_limit
        return limit.max if limit is not None else None

    def _reason(self, breaks: list[_BrokenChain], waiting: list[_BrokenChain], known: Known | None) -> str:
        """Return why there is no recovery time; empty where there is one."""
        if not breaks:
            return NOTHING_LEFT
        if not all(chain.tasks for chain in breaks):
            return NO_TASK
        if not waiting:
            return READ_ON
        if any(chain.never_ready for chain in waiting):
            return NOT_READY
        if known is None:
            return NOT_SHOWN
        switches = self._scan.controller.settings.recovery is not None
        return "" if switches or not any(each.chain.is_ring for each in waiting) else NO_SWITCH

    def _switch(self, waiting: list[_BrokenChain]) -> int:
        """Return what the switch to reading broken rings from both ends takes, fs."""
        plan = self._scan.controller.settings.recovery
        return plan.switch.max if plan is not None and any(each.chain.is_ring for each in waiting) else 0

    def _waits(self, action: int, known: Known) -> list[_Wait]:
        """Return the ways to bound the wait for a scan on what is left; each is a bound by itself.

        Whenever the fault becomes known: a scan that has just begun is finished first, or after it the action
        just misses a start. Where no scan runs into the next one, the scan that shows the fault has its place
        among the planned starts, and so has the first scan after the action.
        """
        plan, busy = self._scan.controller.settings, known.delays.busiest
        period, jitter = plan.scan_period, plan.scan_jitter.max
        if jitter + busy > period.min:
            return [_Wait(busy + period.max, "a scan is finished first, and then a start just missed")]
        starts = _rounded_up(jitter + busy + action, period.min)
        wait = min(starts * period.max - action, busy + period.max)
        found = [_Wait(period.max, "the action has just missed a start")]
        if wait > period.max:
            found = [_Wait(wait, "the scan under way is finished first")]
        onset = known.onset
        if onset is not None:
            # From the planned start of the scan that shows the fault: known at the latest in a pause or in a
            # scan that has begun by then.
            after = _rounded_up(onset.late + action, period.min)
            after = max(after, onset.late // period.min + starts)
            begin = (onset.scans + after) * period.max - onset.fell
            how = f"planned start {after} after that of the scan that shows it"
            found.append(_Wait(begin - known.total - action, how, after))
        return found

    def _way(self, rescan: Rescan, chains: Sequence[Sequence[int]], wait: _Wait, known: Known) -> _Way:
        """Return when what is left is read, by the fastest task of the slowest chain."""

        def by(index: int) -> _Way:
            scans = self._scans_before(index, wait, known)
            saved = scans_before(self._scan.works[index]) - scans
            return _Way(wait.time + rescan.until_run(index) - saved * rescan.period, wait, index, scans)

        return max([min([by(index) for index in tasks]) for tasks in chains if tasks])

    def _scans_before(self, index: int, wait: _Wait, known: Known) -> int:
        """Return how many scans pass from the first one on what is left until a task brings new values.

        The task that misses answers has its turn in the scan that shows the fault, so that this task's next
        turn is some whole number of their periods' common divisor away.
        """
        scans = scans_before(self._scan.works[index])
        if wait.after is None or known.onset is None:
            return scans
        phases, periods, shows = self._scan.phases.phases, self._scan.periods, known.onset.task
        common = gcd(periods[index], periods[shows])
        turn = (phases[index] - phases[shows] - wait.after) % common
        return scans - (common - 1 - turn)


class _Wait(NamedTuple):
    """A wait for the first scan on what is left, beside the action itself, fs.

    That scan comes `after` so many scans after the one that shows the fault, at the latest; None: not known.
    """

    time: int
    how: str
    after: int | None = None


class _Way(NamedTuple):
    """Wait, scans until a task's turn and its run together, fs; the task, and the scans until its turn."""

    time: int
    wait: _Wait
    task: int
    scans: int


def _rounded_up(time: int, period: int) -> int:
    """Return how many periods it takes until a time has passed."""
    return -(-time // period)


class _BrokenChain:
    """A chain with the tasks that bring its cells back, and the nodes that get addresses anew."""

    def __init__(self, scan: ControllerScan, chain: Chain) -> None:
        self.chain = chain
        tasks = _tasks_for(scan, chain)
        in_time = [index for index in tasks if overlap_fits(scan, index)]
        self.never_ready = bool(tasks) and not in_time
        self.tasks = in_time or tasks
        self._works = [scan.works[index] for index in self.tasks]

    def all_interrupted(self, left: Left, limit: int | None) -> bool:
        """Tell whether a break keeps all these tasks for a time from nodes that are left."""
        return all(_interrupted(work, self.chain, left, limit) for work in self._works)

    def addressed(self, left: Left) -> Addressing:
        """Return the addressing of the nodes that get a new part: the new last one, those behind."""
        behind = self._addressing[left.behind]
        if not left.ahead:
            return behind
        return _with_first(self.chain.nodes[left.ahead - 1].type.addressing.max, behind)

    @cached_property
    def _addressing(self) -> list[Addressing]:
        """Return the addressing of the last 0, 1, ... nodes, the times in the order from the head."""
        found: list[Addressing] = [()]
        for node in reversed(self.chain.nodes):
            found.append(_with_first(node.type.addressing.max, found[-1]))
        return found


def _with_first(time: int, others: Addressing) -> Addressing:
    """Return the addressing with one more node, before all others."""
    alike = sum([count for other, count in others if other == time])
    return ((time, 1 + alike), *[each for each in others if each[0] != time])


def _together(parts: list[Addressing]) -> Addressing:
    if len(parts) == 1:
        return parts[0]
    found: Counter[int] = Counter()
    for part in parts:
        for time, count in part:
            found[time] += count
    return tuple(found.items())


def _tasks_for(scan: ControllerScan, chain: Chain) -> list[int]:
    """Return the tasks that bring a chain's cells back: those that read cell voltages, else any that read."""
    reading = [
        index
        for index, work in enumerate(scan.works)
        if work.task.kind != "write" and applies_to(work.task, chain)
    ]
    cells = [index for index in reading if scan.works[index].task.reads == "cell voltages"]
    return cells or reading


def _interrupted(work: TaskWork, chain: Chain, left: Left, limit: int | None) -> bool:
    """Tell whether a break keeps a task for a time from nodes that are left."""
    style = work.task.read_style or chain.protocol.read_style
    from_back = work.task.sent_from == "back" and chain.is_ring
    own, other = (left.behind, left.ahead) if from_back else (left.ahead, left.behind)
    if limit is not None or other:
        return True
    if own == len(chain.nodes):  # the way to the other port of a ring is broken
        return style == "summation" and not from_back and chain.plan.read_from == "across"
    return style != "polled"


def _until_run(rescan: Rescan, index: int, scans: int) -> tuple[Term, ...]:
    """Return what passes from the start of the first scan on what is left until a task is done."""
    work = rescan.scan.works[index]
    return (
        Term("scans until it is due", rescan.period, scans, how=f"task {work.name}"),
        Term("slots before it", rescan.slot_start(index)),
        Term(f"run of {work.name} over what is left", rescan.lengths[index]),
        rescan.reserve,
    )
