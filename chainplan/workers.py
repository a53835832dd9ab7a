"""A process pool whose workers never outlive their parent."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import Any, TypeVar

_Done = TypeVar("_Done")


@contextmanager
def worker_pool(count: int, begin: Callable[..., None], *arguments: Any) -> Iterator[ProcessPoolExecutor]:
    """Yield a pool of processes in each of which `begin` is called with the arguments first.

    Leaving by an exception ends the processes in the middle of their work, and so does the end of this
    process, even by a signal that it cannot catch: they hold on to a line that closes with it. Signals of the
    keyboard reach this process alone; it decides what they mean.
    """
    line, held = Pipe(duplex=False)
    pool = _Pool(count, initializer=_begin, initargs=(line, held, begin, arguments))
    try:
        pool.submit(_nothing)
        yield pool
    except BaseException:
        held.close()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        held.close()
        line.close()


class _Pool(ProcessPoolExecutor):
    """A pool that is not interrupted while it takes a task.

    A handler that raises there may leave the lock of its queue taken, for which the pool's own thread, and
    all that ends the pool, would wait for ever. And a process that is begun then and has not come to its own
    handlers yet would answer by those of here.
    """

    def submit(self, work: Callable[..., _Done], /, *arguments: Any, **named: Any) -> Future[_Done]:
        """Take a task; signals wait."""
        with _signals_wait():
            return super().submit(work, *arguments, **named)


@contextmanager
def _signals_wait() -> Iterator[None]:
    """Note signals that come and raise them at the end. Python's handlers run in the main thread alone.

    A mask would not do: it holds for one thread, and a signal then goes to another one.
    """
    came: list[int] = []
    handlers: dict[signal.Signals, Any] = {}
    if threading.current_thread() is threading.main_thread():
        handlers = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)}
    for each in handlers:
        signal.signal(each, lambda number, _: came.append(number))
    try:
        yield
    finally:
        for each, handler in handlers.items():
            signal.signal(each, handler)
        for number in came:
            signal.raise_signal(number)


def _begin(
    line: Connection, held: Connection, begin: Callable[..., None], arguments: tuple[Any, ...]
) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    held.close()  # or the line would be held by its own end
    threading.Thread(target=_end_with, args=(line,), daemon=True).start()
    begin(*arguments)


def _end_with(line: Connection) -> None:
    """Wait until the other end of the line is closed, and end the process at once."""
    try:
        line.recv_bytes()
    except (EOFError, OSError):
        os._exit(1)


def _nothing() -> None:
    """Be the first task, at which the processes begin."""
