"""Worker processes that never outlive their parent, and whose death their parent is told of.

The parent has one line to each worker and hands it one task at a time. It takes no lock and starts no thread,
so that a signal may interrupt it anywhere, and so that nobody waits for ever where memory ends.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing import Pipe, Process
from multiprocessing.connection import Connection, wait
from pathlib import PurePath
from traceback import extract_tb
from typing import Any, NamedTuple, TypeVar

_Item = TypeVar("_Item")
_Done = TypeVar("_Done")

AHEAD = 8
"""Tasks for each worker that may be done, or begun, before the one whose result is due."""

LOOKED_AFTER = 0.5
"""Seconds after which a worker looks whether its parent is still there."""


class WorkerDiedError(Exception):
    """A worker process has ended before its work was done."""


class WorkerPool:
    """Processes that wait for tasks."""

    def __init__(self) -> None:
        self._workers: list[_Worker] = []

    def start(self, count: int, begin: Callable[..., None], arguments: tuple[Any, ...]) -> None:
        """Start so many processes, in each of which `begin` is called first. Raises ``OSError``."""
        for _ in range(count):
            here, there = Pipe()
            process = Process(target=_serve, args=(there, os.getpid(), begin, arguments), daemon=True)
            process.start()
            there.close()  # or the end of the process would not close the line
            self._workers.append(_Worker(process, here))

    def map(self, work: Callable[[_Item], _Done], items: Iterable[_Item]) -> Iterator[_Done]:
        """Yield what `work` makes of every item, in their order; an item is taken once a worker is free.

        Raises what `work` raises, and :class:`WorkerDiedError`; after either, no more than :meth:`end`.
        """
        numbered = enumerate(items)
        done: dict[int, _Done] = {}
        busy: dict[_Worker, int] = {}
        idle = list(self._workers)
        due = 0
        while True:
            while idle and len(done) + len(busy) < AHEAD * len(self._workers):
                number, item = next(numbered, (-1, None))
                if number < 0:
                    break
                worker = idle.pop()
                worker.send((work, item))
                busy[worker] = number
            if due not in done and not busy:
                return
            ready = wait([worker.line for worker in busy], 0 if due in done else None)
            for worker in [each for each in busy if each.line in ready]:
                done[busy.pop(worker)] = worker.answer()
                idle.append(worker)
            if not ready:  # all that are free have been given work
                yield done.pop(due)
                due += 1

    def end(self) -> None:
        """End all processes, in the middle of their work if need be."""
        for worker in self._workers:
            worker.process.kill()  # in the first moments of a process any other signal could be missed
        for worker in self._workers:
            worker.process.join()
            worker.line.close()


class _Worker(NamedTuple):
    process: Process
    line: Connection

    def send(self, task: tuple[Callable[[Any], Any], Any]) -> None:
        with suppress(ConnectionError):  # it has died; what it had to say of it is still to be read
            self.line.send(task)

    def answer(self) -> Any:
        try:
            is_result, found = self.line.recv()
        except (EOFError, ConnectionError):
            self.process.join()
            code = self.process.exitcode or 0
            by = f"killed by signal {-code}" if code < 0 else "without a word, as where memory is short"
            raise WorkerDiedError(f"a worker process has died, {by}") from None
        if is_result:
            return found
        raise found


@contextmanager
def worker_pool(count: int, begin: Callable[..., None], *arguments: Any) -> Iterator[WorkerPool]:
    """Yield a pool of processes in each of which `begin` is called with the arguments first.

    Leaving ends the processes, by an exception in the middle of their work, and so does the end of this
    process, even by a signal that it cannot catch. Signals of the keyboard reach this process alone; it
    decides what they mean. Raises ``OSError`` where no more processes can be started.
    """
    pool = WorkerPool()
    try:
        with _signals_wait():
            pool.start(count, begin, arguments)
        yield pool
    finally:
        pool.end()


@contextmanager
def _signals_wait() -> Iterator[None]:
    """Note signals that come and raise them at the end: a new process would answer by the handlers of here.

    A mask would not do: it holds for one thread, and a signal then goes to another one. Python's handlers run
    in the main thread alone.
    """
    came: list[int] = []
    handlers: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        names = ("SIGINT", "SIGTERM", "SIGHUP")
        numbers = [int(getattr(signal, name)) for name in names if hasattr(signal, name)]
        handlers = {each: signal.getsignal(each) for each in numbers}
    for each, handler in handlers.items():
        if callable(handler):  # what is ignored, or ends the process at once, needs nobody to wait
            signal.signal(each, lambda number, _: came.append(number))
    try:
        yield
    finally:
        for each, handler in handlers.items():
            if callable(handler):
                signal.signal(each, handler)
        for number in came:
            signal.raise_signal(number)


def _serve(line: Connection, parent: int, begin: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    """Be a worker, until the process is ended."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # what it has to say goes over the line
        end_with(parent)
        begin(*arguments)
        while True:
            work, item = line.recv()
            line.send((True, work(item)))
    except BaseException as error:
        with suppress(BaseException):  # nothing more can be done about it, such as where the parent has gone
            _tell(line, error)
        os._exit(1)  # at once: what is to be done when the program ends is the parent's to do


def _tell(line: Connection, error: BaseException) -> None:
    error.add_note(place_of(error))
    try:
        line.send((False, error))
    except (AttributeError, TypeError, ValueError, ImportError):  # it cannot be sent
        line.send((False, RuntimeError(f"{type(error).__name__}: {error}")))


def end_with(parent: int) -> None:
    """Let this process end soon after its parent, and not by signals of the keyboard.

    A timer looks after the parent, as a thread might not start where memory is short. A system without it has
    no processes that take over the lines of others either: there the end of the line ends a worker.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if hasattr(signal, "setitimer"):

        def look(*_: object) -> None:
            if os.getppid() != parent:
                os._exit(1)

        signal.signal(signal.SIGALRM, look)
        signal.setitimer(signal.ITIMER_REAL, LOOKED_AFTER, LOOKED_AFTER)


def place_of(error: BaseException) -> str:
    """Return where an error was raised, as file and line: in a worker, or the last place in this package."""
    notes: list[str] = getattr(error, "__notes__", [])
    if notes:
        return notes[-1]
    package = PurePath(__file__).parent
    frames = [each for each in extract_tb(error.__traceback__) if package in PurePath(each.filename).parents]
    if not frames:
        return "outside of the package"
    return f"{PurePath(frames[-1].filename).relative_to(package.parent).as_posix()}:{frames[-1].lineno}"
