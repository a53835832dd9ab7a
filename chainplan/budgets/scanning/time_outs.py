"""What waiting for missing answers adds to a controller's scans: one time-out for every read that misses one.

Only tasks that meet in a scan wait in the same scan, and only reads of chains that the fault touches wait.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.figures.terms import Case
from chainplan.remembered import remembered


class Waits(NamedTuple):
    """The time-outs that a fault makes a controller wait for, worst case, fs.

    ``runs[i]`` is what a run of task i waits in all. `first` is the time-out of the read that fails first,
    where all reads that fail are of one chain; None where several chains fail.
    """

    scan: ControllerScan
    runs: tuple[int, ...]
    first: int | None

    @property
    def busiest(self) -> int:
        """Return the longest scan, retries and time-outs included, fs."""
        lengths = [run.length for run in self.scan.runs[Case.WORST]]
        longest = max(sum(lengths[index] + self.runs[index] for index in due) for due in self._meetings)
        return longest + self.scan.reserve.total

    @property
    def period(self) -> int:
        """Return the longest time from one scan's start to the next, fs."""
        return self.scan.controller.settings.pace(self.busiest)

    def until_bad(self, index: int) -> int:
        """Return the time-outs of a scan until task `index`'s run in it is known to be bad, at most, fs.

        With retries in reserve that is at its end, else at the first read that fails.
        """
        own = self.runs[index]
        if self.first is not None and not self.scan.reserve.total:
            own = min(own, self.first)
        return own + max(
            sum(self.runs[other] for other in due if other < index) for due in self._meetings if index in due
        )

    @property
    def _meetings(self) -> tuple[tuple[int, ...], ...]:
        return self.scan.due_together


def waits_for(scan: ControllerScan, lost: Sequence[dict[str, int]]) -> Waits:
    """Return the waits where ``lost[i][chain]`` reads of a run of task i miss their answers."""
    ways = scan.ways[Case.WORST]
    time_outs = {chain.name: ways.missed(chain, apart=ways.apart) for chain in scan.controller.chains}
    touched = {chain for reads in lost for chain in reads}
    return Waits(
        scan,
        tuple(sum(time_outs[chain] * number for chain, number in reads.items()) for reads in lost),
        time_outs[touched.pop()] if len(touched) == 1 else None,
    )


@remembered
def longest_period(scan: ControllerScan) -> int:
    """Return the longest time from one scan's start to the next where all reads at one port fail, fs."""
    return max(waits.period for waits in any_chain_lost(scan))


@remembered
def wholly_lost(scan: ControllerScan) -> Waits:
    """Return the waits where all reads of a scan fail."""
    asked = [Counter(scan.wires[read.chain] for read in work.requests if read.answers) for work in scan.works]
    return waits_for(scan, [dict(reads) for reads in asked])


@remembered
def period_of_a_lost_scan(scan: ControllerScan) -> int:
    """Return the longest time from a scan's start to the next where all its reads fail, fs."""
    return wholly_lost(scan).period


@remembered
def run_given_up(scan: ControllerScan, index: int) -> int:
    """Return when a run of a task is over whose reads all wait for their time-outs, fs since it began."""
    ways, work = scan.ways[Case.WORST], scan.works[index]
    apart = ways.host.apart(work.reads)
    asked = [ways.chains[read.chain] for read in work.requests if read.answers]
    waits = sum([ways.missed(chain, apart=apart) for chain in asked])
    return scan.runs[Case.WORST][index].length + waits


@remembered
def any_chain_lost(scan: ControllerScan) -> list[Waits]:
    """Return the waits where every read of the chains at one port fails, port by port.

    No fault on a chain and no dead port makes other reads miss answers, so no single fault waits longer than
    the longest of these.
    """
    asked = [Counter(scan.wires[read.chain] for read in work.requests if read.answers) for work in scan.works]
    ports: dict[str, set[str]] = {}
    for chain in scan.controller.chains:
        for end in (chain.head, chain.back):
            if end is not None:
                ports.setdefault(end, set()).add(chain.name)
    return [
        waits_for(scan, [{name: reads[name] for name in reads if name in chains} for reads in asked])
        for chains in {frozenset(chains) for chains in ports.values()}
    ]
