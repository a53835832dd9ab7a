"""Recovery: from a fault until every cell that can still be seen has been seen again.

    recovery = known + switch + re-addressing + wait for a scan + scans until the task is due + its run

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
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from chainplan.budgets.age import runs_from_sample_to_memory
from chainplan.budgets.fault_known import Detection, Known
from chainplan.budgets.fault_scan import Rescan, Rescans
from chainplan.budgets.scan import ControllerScan
from chainplan.budgets.schedule import TaskWork, applies_to
from chainplan.budgets.terms import Sum, Term, nonzero
from chainplan.chain.degraded import Fault, Gap, Left
from chainplan.chain.network import Chain, Node
from chainplan.quantity import TIME


class Recovery(NamedTuple):
    """The time until all cells that are left are seen again, worst case; None, with the reason as `note`."""

    time: Sum | None
    note: str = ""

    @property
    def unknown(self) -> bool:
        """Tell whether there is something to recover and no bound for it."""
        return self.note in (NOT_SHOWN, NO_SWITCH, NO_TASK)


NOTHING_LEFT = "nothing of the broken chain is left to be read"
READ_ON = "what is left is read on without a break in time"
NOT_SHOWN = "nothing the controller reads shows the fault"
NO_SWITCH = "the controller's `recovery` is not in the plan"
NO_TASK = "no task reads what is left"


def recovery_of(
    fault: Fault,
    gaps: Sequence[Gap],
    lefts: Sequence[Left],
    known: Known | None,
    detection: Detection,
    rescans: Rescans,
) -> Recovery:
    """Return the recovery from a fault on one controller's chains.

    A task's run brings its cells back; where several tasks read a chain the fastest counts, and of several
    chains the slowest.
    """
    scan = rescans.scan
    chains = {chain.name: chain for chain in scan.controller.chains}
    limit = _jabber_limit(fault, chains)
    breaks = [
        _Break(chain, left, _tasks_for(scan, chain))
        for left in lefts
        if left.ahead + left.behind
        for chain in [chains[left.chain]]
    ]
    waiting = [each for each in breaks if each.interrupts_all(scan, limit)]
    reason = _reason(breaks, waiting, known, scan)
    if reason or known is None:
        return Recovery(None, reason)
    rescan = rescans.after(lefts)
    action = nonzero(
        *_switch(scan, waiting), *_addressing(scan, (node for each in waiting for node in each.addressed))
    )
    busy = detection.waits(fault, gaps).busiest
    ways = [_until_read(rescan, each.tasks) for each in waiting]
    attempt = (*action, *_next_scan(scan, _total(action), busy), *max(ways, key=_total))
    spoiled = 0 if limit is None else max(0, limit + _total(attempt) - known.time.total)
    return Recovery(
        Sum(
            f"recovery: {fault.name}",
            TIME,
            nonzero(
                Term("until the fault is known", known.time.total, parts=known.time.terms),
                Term("attempts that the babbling spoils", spoiled),
                *attempt,
            ),
            "known + switch + re-addressing + wait for a scan + scans until the task is due + its run",
        )
    )


class _Break(NamedTuple):
    """A broken chain of which something is left, and the tasks that bring its cells back."""

    chain: Chain
    left: Left
    tasks: list[int]

    def interrupts_all(self, scan: ControllerScan, limit: int | None) -> bool:
        """Tell whether the break keeps all these tasks for a time from nodes that are left."""
        return all(_interrupted(scan.works[index], self.chain, self.left, limit) for index in self.tasks)

    @property
    def addressed(self) -> tuple[Node, ...]:
        """Return the nodes that get a new address or a new part to play: the new last one, those behind."""
        nodes = self.chain.nodes
        last = nodes[self.left.ahead - 1 : self.left.ahead] if self.left.ahead else ()
        return (*last, *nodes[len(nodes) - self.left.behind :])


def _reason(breaks: list[_Break], waiting: list[_Break], known: Known | None, scan: ControllerScan) -> str:
    """Return why there is no recovery time; empty where there is one."""
    if not breaks:
        return NOTHING_LEFT
    if not all(each.tasks for each in breaks):
        return NO_TASK
    if not waiting:
        return READ_ON
    if known is None:
        return NOT_SHOWN
    if scan.controller.plan.recovery is None and any(each.chain.is_ring for each in waiting):
        return NO_SWITCH
    return ""


def _switch(scan: ControllerScan, waiting: list[_Break]) -> tuple[Term, ...]:
    plan = scan.controller.plan.recovery
    if plan is None or not any(each.chain.is_ring for each in waiting):
        return ()
    return (Term("switch to reading from both ends", plan.switch.max),)


def _total(terms: Iterable[Term]) -> int:
    return sum(term.total for term in terms)


def _jabber_limit(fault: Fault, chains: dict[str, Chain]) -> int | None:
    """Return how long a babbling node sends at most before it is cut off, fs; None for any other fault."""
    if fault.kind != "node babbling":
        return None
    limit = chains[fault.chain].nodes[fault.place - 1].type.jabber_limit
    return limit.max if limit is not None else None


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
    if limit is not None or left.behind:
        return True
    if left.ahead == len(chain.nodes):  # the way back of a ring is broken
        return style == "summation" and chain.plan.read_from == "across"
    return style != "polled"


def _addressing(scan: ControllerScan, nodes: Iterable[Node]) -> list[Term]:
    """Return one term per kind of node: the host sets up and addresses one after another."""
    set_up = scan.controller.plan.set_up.max
    times = Counter(node.type.addressing.max for node in nodes)
    return [
        Term("addressing of a node, set-up included", set_up + time, count) for time, count in times.items()
    ]


def _next_scan(scan: ControllerScan, action: int, busy: int) -> tuple[Term, ...]:
    """Return what passes, beside the action itself, until a scan begins on what is left.

    `busy` is the longest scan before recovery, time-outs included, fs. The fault may become known when a scan
    has just begun, which is finished first, or after it, when the action just misses the next start.
    """
    plan = scan.controller.plan
    period = max(plan.scan_period.max, busy)
    starts = -(-(plan.scan_jitter.max + busy + action) // plan.scan_period.min)
    wait, how = period, "the action has just missed a start"
    if starts * period - action > period:
        wait, how = starts * period - action, "the scan under way is finished first"
    return nonzero(
        Term("wait for the next scan", wait, how=how),
        Term("scan jitter", plan.scan_jitter.max),
    )


def _until_read(rescan: Rescan, tasks: Sequence[int]) -> tuple[Term, ...]:
    """Return what passes from the start of the first scan on what is left until the fastest task is done."""
    return min((_until_run(rescan, index) for index in tasks), key=_total)


def _until_run(rescan: Rescan, index: int) -> tuple[Term, ...]:
    work = rescan.scan.works[index]
    later = work.task.every - 1 + work.task.every * runs_from_sample_to_memory(work.task)
    return nonzero(
        Term("scans until it is due", rescan.period, later, how=f"task {work.name}"),
        Term("slots before it", rescan.slot_start(index)),
        Term(f"run of {work.name} over what is left", rescan.lengths[index]),
        rescan.reserve,
    )
