"""The host buses of a controller: one transfer at a time, in an order of service of one's own.

A bus with a fixed order waits for the next transfer in it, even while another one is ready; one without takes
whoever asked first, or goes round its ports and skips those that do not ask.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from typing import Literal

from chainplan.witness.kernel import Kernel, Signal

Way = Literal["out", "home"]
Rule = Literal["by turns", "port by port", "first come", "round the ports"]
LEFT_OPEN: tuple[Rule, ...] = ("by turns", "first come", "round the ports")
"""What an order may be that a plan leaves open."""

Turn = tuple[str, Way]
"""A transfer that is to come: a port, and whether its request goes out or its answer comes home."""


class SimulatedBus:
    """A bus under simulation."""

    def __init__(self, kernel: Kernel, rule: Rule) -> None:
        self._kernel, self._rule = kernel, rule
        self._coming: deque[Turn] = deque()
        self._asking: dict[Turn, Signal] = {}
        self._ports: list[str] = []
        self._held = False

    def expect(self, lists: Mapping[str, Sequence[Iterable[Way]]]) -> None:
        """Prepare for the lists of its ports: which transfers each exchange will ask for."""
        self._ports = list(lists)
        if self._rule in ("by turns", "port by port"):
            self._coming = deque(_in_order(lists, self._rule))

    def take(self, port: str, way: Way) -> Generator[int | Signal, None, None]:
        """Wait until the bus is this transfer's."""
        asked = self._asking[port, way] = Signal(self._kernel)
        self._serve()
        if not asked.fired:
            yield asked

    def leave(self) -> None:
        """Let another one have it."""
        self._held = False
        self._serve()

    def give_up(self, port: str) -> None:
        """Expect no answer of a port any more."""
        if (port, "home") in self._coming:
            self._coming.remove((port, "home"))
            self._serve()

    def _serve(self) -> None:
        if self._held or not self._asking:
            return
        turn = self._next()
        if turn is None:
            return
        self._held = True
        if self._coming:
            self._coming.popleft()
        if self._rule == "round the ports":
            place = self._ports.index(turn[0])
            self._ports = [*self._ports[place + 1 :], *self._ports[: place + 1]]
        self._asking.pop(turn).fire()

    def _next(self) -> Turn | None:
        if self._coming:
            return self._coming[0] if self._coming[0] in self._asking else None
        if self._rule == "round the ports":
            return min(self._asking, key=lambda turn: self._ports.index(turn[0]))
        return next(iter(self._asking))


def _in_order(lists: Mapping[str, Sequence[Iterable[Way]]], rule: Rule) -> Iterator[Turn]:
    """Yield the transfers in a fixed order."""
    turns = max((len(exchanges) for exchanges in lists.values()), default=0)

    def at(turn: int, port: str, way: Way) -> Iterator[Turn]:
        exchanges = lists[port]
        if turn < len(exchanges) and way in exchanges[turn]:
            yield port, way

    if rule == "by turns":
        for turn in range(turns):
            for way in ("out", "home"):
                for port in lists:
                    yield from at(turn, port, way)
        return
    for port in lists:
        yield from at(0, port, "out")
    for turn in range(turns):
        for port in lists:
            yield from at(turn, port, "home")
            yield from at(turn + 1, port, "out")
