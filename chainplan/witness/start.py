"""Start-up: a controller from its power-up until everything has been read once.

The controller starts, wakes its chains, gives every node its address, and runs every task that reads once, in
the plan's order. The wake signal goes from node to node: each wakes before it passes the signal on.
"""

from __future__ import annotations

from collections.abc import Callable

from chainplan.chain.network import Chain, Node
from chainplan.quantity import Span
from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults
from chainplan.witness.host import SimulatedHost, TaskJob
from chainplan.witness.kernel import Process
from chainplan.witness.pack import Pack
from chainplan.witness.ports import Item, simulate_on_ports
from chainplan.witness.record import ControllerRecord, Record
from chainplan.witness.tally import Tally

_NONE = Faults()


def simulate_start(
    pack: Pack,
    phases: dict[str, tuple[int, ...]],
    scans: int,
    draw: Draw,
    seed: int = 0,
    faults: Faults = _NONE,
) -> Record:
    """Simulate the start-up of every controller and return its milestones, fs since power-up.

    Nothing is scanned yet, so that `scans` and phases have no part in it; but phases must fit the tasks. Of
    `faults` only the noise and the lost reads count.
    """
    del scans
    faults = Faults(faults.noise, faults.lost)
    record = Record()
    for name in pack.network.controllers:
        host = _StartingHost(pack, name, phases[name], draw, f"{seed} {name}", faults)
        record.controllers[name] = host.start_up()
    return record


class _StartingHost(SimulatedHost):
    """One controller as it starts."""

    def start_up(self) -> ControllerRecord:
        """Simulate the start-up and return nothing but its milestones."""
        self._milestones = ControllerRecord()
        self._kernel.start(self._stages())
        self._kernel.run()
        return self._milestones

    def _reached(self, milestone: str) -> None:
        self._milestones.start_up.setdefault(milestone, Tally()).add(self._kernel.now)

    def _stages(self) -> Process:
        kernel = self._kernel
        if self._plan.start is not None:
            yield kernel.now + self._values.device("start", self._plan.start)
        self._reached("controller ready")
        chains: dict[str, list[Chain]] = {}
        nodes: dict[str, list[Node]] = {}
        for chain in self._chains:
            chains.setdefault(chain.head, []).append(chain)
            nodes.setdefault(chain.head, []).extend(chain.nodes)
        yield from self._on_ports(chains, self._wake)
        self._reached("all nodes awake")
        yield from self._on_ports(nodes, self._address)
        self._reached("all nodes addressed")
        yield from self._read_all(kernel.now)

    def _on_ports(self, lists: dict[str, list[Item]], action: Callable[[Item], Process]) -> Process:
        set_up = self._plan.set_up
        one_core = self._plan.set_up_by == "one core"
        return simulate_on_ports(
            self._kernel, lists, lambda: self._values.event(set_up), action, one_core=one_core
        )

    def _wake(self, chain: Chain) -> Process:
        """Let the wake signal go from node to node, and wait until each of them listens."""
        listens = self._kernel.now
        for node, segment in zip(chain.nodes, chain.segments, strict=False):
            yield self._kernel.now + self._taken(f"cable {segment.name}", segment.hop.delay)
            yield self._kernel.now + self._taken(f"wake {node.name}", node.type.wake)
            listens = max(listens, self._kernel.now + self._taken(f"ready {node.name}", node.type.ready))
        yield listens

    def _address(self, node: Node) -> Process:
        yield self._kernel.now + self._taken(f"addressing {node.name}", node.type.addressing)

    def _taken(self, key: str, span: Span) -> int:
        return self._values.device(key, span)

    def _read_all(self, addressed: int) -> Process:
        """Run every task that reads once; what is lost for good keeps the milestone from being reached."""
        reading = [job for job in self._jobs if job.work.task.kind != "write"]
        cells = [job for job in reading if job.work.task.reads == "cell voltages"]
        reserve = self._plan.retry_reserve
        complete = True
        for job in reading:
            reserve = yield from self._run(job, reserve, job.work.longest_conversion)
            complete &= _is_complete(job, addressed)
            if complete and cells and job is cells[-1]:
                self._reached("all cell voltages in memory")
        if reading and complete:
            self._reached("first complete set in memory")
        elif reading:
            self._milestones.beyond["start-up"] += 1


def _is_complete(job: TaskJob, addressed: int) -> bool:
    """Tell whether a run brought every value, none of them sampled before all nodes had their addresses."""
    return all(
        each.good
        and (
            not each.message.carried
            or (each.number in job.memory and job.memory[each.number][0].sampled >= addressed)
        )
        for each in job.reads
    )
