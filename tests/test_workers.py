"""Worker processes: what must not be interrupted is not."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from queue import Queue
from typing import Any

import pytest

from chainplan.workers import worker_pool


@pytest.fixture(name="_ctrl_c", autouse=True)
def _raising() -> Iterator[None]:
    """Ctrl-C raises, whatever the program that runs the tests makes of it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def nothing() -> None:
    """Do what a worker is asked for here."""


def test_a_pool_is_not_interrupted_while_it_takes_a_task(monkeypatch: pytest.MonkeyPatch) -> None:
    taken: list[Any] = []
    put = Queue.put

    def interrupted(self: Queue[Any], *item: Any) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        put(self, *item)
        taken.append(item)

    def work() -> None:
        with worker_pool(1, nothing) as pool:
            monkeypatch.setattr(Queue, "put", interrupted)
            pool.submit(nothing)

    with pytest.raises(KeyboardInterrupt):
        work()
    assert len(taken) == 1
