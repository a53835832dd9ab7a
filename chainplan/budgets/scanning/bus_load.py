"""The load of each host bus: how long its transfers hold it in the scan that moves most over it.

    load = sum over transfers of (latency + bits / bit rate) / shortest scan period

A bus carries one transfer at a time, so that with a load above 100 % no scan comes to its end in its period.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple

from chainplan.budgets.scanning.host_bus import sent_over_bus
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import bit_time_of
from chainplan.figures.budget import budget
from chainplan.figures.figure import WHOLE, Figure, Kind, always, share
from chainplan.figures.terms import Sum, Term, nonzero
from chainplan.plan.layout import HostBus
from chainplan.plan.schedule import Targets
from chainplan.quantity import RATIO, TIME


class Moved(NamedTuple):
    """What a run of a task moves over a host bus: transfers, each with the bus's latency, and bits."""

    transfers: int
    bits: int


class BusLoad(NamedTuple):
    """The load of one host bus of a controller; `bus` is empty where one serves all ports.

    `moved` are the runs of the scan's tasks, in their order.
    """

    scan: ControllerScan
    bus: str
    moved: tuple[Moved, ...]

    @property
    def controller(self) -> str:
        """Return the controller's name."""
        return self.scan.controller.name

    @property
    def _plan(self) -> HostBus:
        return self.scan.controller.settings.buses[self.bus]

    @property
    def busy(self) -> Sum:
        """Return how long it is held in the scan that moves most over it, worst case, fs."""
        tau, latency = bit_time_of(self._plan.bit_rate).max, self._plan.latency.max
        times = [each.transfers * latency + each.bits * tau for each in self.moved]
        heaviest = max(self.scan.due_together, key=lambda due: sum(times[index] for index in due))
        name = f"host bus {self.bus}" if self.bus else "host bus"
        return Sum(
            f"{name} of {self.controller} in a scan",
            TIME,
            nonzero(*(Term(f"task {self.scan.works[index].name}", times[index]) for index in heaviest)),
            "transfers of the scan that moves most: latency and bits, each one bit time",
        )

    @property
    def load(self) -> int:
        """Return the share of the scan period in which it is held, ticks of a ratio."""
        return share(self.busy.total, self.scan.controller.settings.scan_period.min)

    @property
    def bits_per_scan(self) -> Fraction:
        """Return what it carries in the mean over the major cycle, bits."""
        both = zip(self.moved, self.scan.works, strict=True)
        return sum((Fraction(each.bits, work.task.every) for each, work in both), Fraction(0))


@budget
def bus_loads(scans: dict[str, ControllerScan]) -> list[BusLoad]:
    """What every host bus of every controller carries."""
    return [
        BusLoad(scan, name, tuple(_moved(scan, index, name) for index in range(len(scan.works))))
        for scan in scans.values()
        for name in scan.controller.settings.buses
    ]


def _moved(scan: ControllerScan, index: int, bus: str) -> Moved:
    """Return what a run of a task moves over one bus."""
    settings, chains = scan.controller.settings, {chain.name: chain for chain in scan.chains}
    plan = settings.buses[bus]
    transfers = bits = 0
    for exchange in scan.works[index].exchanges:
        chain = chains[exchange.chain]
        home = chain.back if chain.back and chain.plan.read_from == "across" else chain.head
        received = sum(exchange.answers) if settings.bus_name(home) == bus else 0
        sent = 0
        if settings.bus_name(chain.head) == bus:
            sent = sent_over_bus(plan, exchange.style, exchange.request, sum(exchange.answers))
        transfers += (sent > 0) + (received > 0)
        at_once = plan.bridge == "streaming" and exchange.style == "summation"
        bits += max(sent, received) if at_once else sent + received
    return Moved(transfers, bits)


HOST_BUS_LOAD = Kind[BusLoad](
    "host bus load",
    RATIO,
    ("controller", "bus"),
    "bytes",
    lambda each: each.load,
    named=lambda each: f"host-bus/{each.controller}" + (f"/{each.bus}" if each.bus else ""),
    sums=lambda each: (each.busy, None),
    asked=always,
)


@HOST_BUS_LOAD.of
def host_bus_loads(
    scans: dict[str, ControllerScan], bus_loads: list[BusLoad], targets: Targets
) -> Iterator[Figure]:
    """Share of the scan period for which transfers hold a host bus, in the fullest scan: 100 % at most."""
    limit = WHOLE if targets.host_bus_load is None else min(targets.host_bus_load.min, WHOLE)
    for each in bus_loads:
        yield HOST_BUS_LOAD(each.controller, each.bus, item=each, limit=limit)
    for name, scan in scans.items():
        if not scan.controller.settings.buses and targets.host_bus_load is not None:
            yield HOST_BUS_LOAD(name, "", limit=limit, note="the controller has no host bus in the plan")
