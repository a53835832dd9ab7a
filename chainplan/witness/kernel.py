"""The kernel of the simulation: processes as generators, woken in the order of their time.

A process yields the absolute time (fs) at which it wants to go on, or a :class:`Signal` to wait for.
"""

from __future__ import annotations

from collections.abc import Generator
from heapq import heappop, heappush

Process = Generator["int | Signal", None, None]


class Signal:
    """Something processes wait for. Once fired it stays so."""

    __slots__ = ("_kernel", "_waiting", "fired")

    def __init__(self, kernel: Kernel) -> None:
        self._kernel = kernel
        self._waiting: list[Process] = []
        self.fired = False

    def fire(self) -> None:
        """Wake all that wait, now."""
        self.fired = True
        for process in self._waiting:
            self._kernel.wake(process, self._kernel.now)
        self._waiting.clear()

    def add(self, process: Process) -> None:
        """Let a process wait."""
        self._waiting.append(process)


class Kernel:
    """A clock and the processes that wait for it. Processes due at one time go in the order of waiting."""

    def __init__(self) -> None:
        self.now = 0
        self._agenda: list[tuple[int, int, Process]] = []
        self._sequence = 0

    def wake(self, process: Process, time: int) -> None:
        """Let a process go on at a time; ValueError for a time that has passed."""
        if time < self.now:
            raise ValueError(f"a process wants to go on at {time} fs, but it is {self.now} fs")
        self._sequence += 1
        heappush(self._agenda, (time, self._sequence, process))

    def start(self, process: Process) -> None:
        """Start a process now."""
        self.wake(process, self.now)

    def run(self) -> None:
        """Run until no process waits for a time any more."""
        agenda = self._agenda
        while agenda:
            time, _, process = heappop(agenda)
            self.now = time
            for wanted in process:
                if isinstance(wanted, int):
                    if wanted < self.now or (agenda and agenda[0][0] <= wanted):
                        self.wake(process, wanted)
                        break
                    self.now = wanted  # nothing else happens before
                elif not wanted.fired:
                    wanted.add(process)
                    break
