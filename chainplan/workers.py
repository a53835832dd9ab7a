"""Worker processes that end with the work: done, given up or interrupted, or with its process."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import Any


@contextmanager
def worker_pool(count: int, begin: Callable[..., None], *arguments: Any) -> Iterator[ProcessPoolExecutor]:
    """Yield a pool of processes in each of which `begin` is called with the arguments first.

    Leaving by an exception ends the processes in the middle of their work, and so does the end of this
    process, even by a signal that it cannot catch: they hold on to a line that closes with it. Signals of the
    keyboard reach this process alone; it decides what they mean.
    """
    line, held = Pipe(duplex=False)
    pool = ProcessPoolExecutor(count, initializer=_begin, initargs=(line, held, begin, arguments))
    try:
        with (
            _no_signals()
        ):  # a process that has not come to its own handlers yet would answer by those of here
            pool.submit(_nothing)
        yield pool
    except BaseException:
        held.close()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        held.close()
        line.close()


_SIGNALS = {signal.SIGINT, signal.SIGTERM}


@contextmanager
def _no_signals() -> Iterator[None]:
    """Let signals wait; processes that are begun here let them wait, too, until they have handlers."""
    if not hasattr(signal, "pthread_sigmask"):  # not a POSIX system
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(
    line: Connection, held: Connection, begin: Callable[..., None], arguments: tuple[Any, ...]
) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _SIGNALS)
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
