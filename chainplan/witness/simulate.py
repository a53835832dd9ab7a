"""One simulation of a pack: every controller, scan after scan."""

from __future__ import annotations

from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults
from chainplan.witness.host import SimulatedHost
from chainplan.witness.pack import Pack
from chainplan.witness.record import Record
from chainplan.witness.wire import Watcher

_ANY = Draw()
_NONE = Faults()


def simulate(
    pack: Pack,
    phases: dict[str, tuple[int, ...]],
    scans: int,
    draw: Draw = _ANY,
    seed: int = 0,
    faults: Faults = _NONE,
    watcher: Watcher | None = None,
) -> Record:
    """Simulate `scans` scans of every controller and return what was observed.

    `phases` holds for each controller the phase (scans) of every task that does something there, in the
    plan's order of tasks. The same arguments always give the same record. `watcher` is told of
    every passage of a frame over a segment. Raises ValueError where phases and tasks do not match, and for
    faults on chains, segments or tasks that do not exist.
    """
    _check_names(pack, faults)
    record = Record()
    for name in pack.network.controllers:
        host = SimulatedHost(pack, name, phases[name], draw, f"{seed} {name}", faults, watcher)
        record.controllers[name] = host.simulate(scans)
    return record


def _check_names(pack: Pack, faults: Faults) -> None:
    tasks = [lost.task for lost in faults.lost] + [cell.task for cell in faults.cell]
    tasks += [loss.task for loss in faults.loss] + [cut.task for cut in faults.cuts if cut.task is not None]
    for task in tasks:
        if task not in pack.tasks:
            raise ValueError(f"a fault names the task {task!r}, which the plan has not")
    for cut in faults.cuts:
        chain = pack.network.chains.get(cut.chain)
        if chain is None:
            raise ValueError(f"a cut names the chain {cut.chain!r}, which the plan has not")
        if cut.segment > len(chain.segments):
            raise ValueError(f"chain {cut.chain!r} has {len(chain.segments)} segments, not {cut.segment}")
