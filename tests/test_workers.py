"""Worker processes: their results in order, their death told, none of them left behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections.abc import Iterator
from itertools import count, islice
from pathlib import Path

import pytest

from chainplan.workers import WorkerDiedError, place_of, worker_pool


@pytest.fixture(autouse=True, name="_signals")
def _own_signals() -> Iterator[None]:
    """Ctrl-C raises, whatever the program that runs the tests makes of it; and no process is left."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    children = set(multiprocessing.active_children())
    yield
    assert set(multiprocessing.active_children()) <= children
    signal.signal(signal.SIGINT, before)


def nothing() -> None:
    """Do what a worker is asked for at first."""


def squared(number: int) -> int:
    return number * number


def slow_at_first(number: int) -> int:
    if number == 0:
        time.sleep(0.2)  # so that others are done before
    return number


def long_text(size: int) -> bytes:
    return b"x" * size


def killed(number: int) -> int:
    if number == 5:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def out_of_memory(_: int) -> None:
    raise MemoryError


def wrong(_: int) -> None:
    raise KeyError("nothing of this name")


class OfNoWorldError(Exception):
    """An error that cannot be sent: it holds what only its process has."""

    def __init__(self) -> None:
        super().__init__("cannot be sent")
        self.held = open(os.devnull)  # noqa: SIM115 - it is never sent


def unsendable(_: int) -> None:
    raise OfNoWorldError


def raising() -> None:
    raise OSError("a library is missing")


def wait_for_ever(_: int) -> None:
    while True:
        time.sleep(60)


def signals_of(_: int) -> tuple[object, object]:
    return signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_results_come_in_order(workers: int) -> None:
    with worker_pool(workers, nothing) as pool:
        assert list(pool.map(squared, range(200))) == [number**2 for number in range(200)]
        assert list(pool.map(slow_at_first, range(30))) == list(range(30))
        assert list(pool.map(squared, [])) == []


def test_an_item_is_taken_once_it_can_be_worked_on() -> None:
    workers = 2
    taken: list[int] = []

    def items() -> Iterator[int]:
        for number in count():
            taken.append(number)
            yield number

    with worker_pool(workers, nothing) as pool:
        assert list(islice(pool.map(squared, items()), 10)) == [number**2 for number in range(10)]
    assert len(taken) < 10 + 8 * workers + 1


def test_large_tasks_and_results_do_not_wait_for_each_other() -> None:
    """Far above what a pipe holds (65536 bytes, pipe(7))."""
    with worker_pool(2, nothing) as pool:
        for text in pool.map(bytes.upper, [b"x" * 2_000_000] * 9):
            assert text == b"X" * 2_000_000
        assert [len(text) for text in pool.map(long_text, [3_000_000] * 9)] == [3_000_000] * 9


def test_a_worker_that_is_killed_is_told() -> None:
    with pytest.raises(WorkerDiedError, match="killed by signal 9"), worker_pool(2, nothing) as pool:
        list(pool.map(killed, range(10)))


def test_what_a_worker_raises_is_raised_here_with_its_place() -> None:
    with pytest.raises(KeyError, match="nothing of this name"), worker_pool(2, nothing) as pool:
        list(pool.map(wrong, range(10)))
    with pytest.raises(MemoryError), worker_pool(2, nothing) as pool:
        list(pool.map(out_of_memory, range(10)))
    with pytest.raises(RuntimeError, match="OfNoWorldError: cannot be sent"), worker_pool(2, nothing) as pool:
        list(pool.map(unsendable, range(10)))
    with pytest.raises(OSError, match="a library is missing") as told, worker_pool(2, raising) as pool:
        list(pool.map(squared, range(10)))
    assert place_of(told.value).startswith("chainplan/workers.py:")  # the last place in the package


def test_an_interrupt_while_processes_start_comes_when_all_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    start = multiprocessing.Process.start
    started: list[object] = []

    def interrupted(self: multiprocessing.Process) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        start(self)
        started.append(self)

    monkeypatch.setattr(multiprocessing.Process, "start", interrupted)
    with pytest.raises(KeyboardInterrupt), worker_pool(3, nothing):
        pytest.fail("this is not reached")
    assert len(started) == 3


def test_leaving_ends_workers_in_the_middle_of_their_work() -> None:
    def leave() -> None:
        with worker_pool(2, nothing) as pool:
            signal.signal(signal.SIGALRM, lambda *_: signal.raise_signal(signal.SIGINT))
            signal.setitimer(signal.ITIMER_REAL, 0.2)
            list(pool.map(wait_for_ever, range(4)))

    with pytest.raises(KeyboardInterrupt):
        leave()


def test_keyboard_signals_are_the_parents_alone() -> None:
    with worker_pool(1, nothing) as pool:
        assert list(pool.map(signals_of, [0])) == [(signal.SIG_IGN, signal.SIG_DFL)]


def test_processes_that_cannot_be_started_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    start = multiprocessing.Process.start
    started: list[object] = []

    def refused(self: multiprocessing.Process) -> None:
        if len(started) == 2:
            raise OSError(11, "Resource temporarily unavailable")  # EAGAIN: fork(2)
        start(self)
        started.append(self)

    monkeypatch.setattr(multiprocessing.Process, "start", refused)
    with pytest.raises(BlockingIOError), worker_pool(3, nothing):
        pytest.fail("this is not reached")


def test_what_a_worker_prints_to_stderr_is_nobodys(capfd: pytest.CaptureFixture[str]) -> None:
    """Where memory ends, the interpreter itself may have a lot to say."""
    with worker_pool(1, nothing) as pool:
        assert list(pool.map(shouted, [0])) == [None]
    assert capfd.readouterr().err == ""


def shouted(_: int) -> None:
    os.write(2, b"Fatal Python error\n")


def test_the_place_of_an_error_is_a_line_of_the_package(tmp_path: Path) -> None:
    from chainplan.plan.source import read_source

    try:
        read_source(tmp_path / "nothing")
    except Exception as error:
        place = place_of(error)
    assert place.startswith("chainplan/plan/source.py:")
    assert place_of(ValueError("never raised")) == "outside of the package"
