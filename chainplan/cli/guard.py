"""How a command ends: the usual exit codes, messages on stderr, never a traceback for what a user did."""

from __future__ import annotations

import errno
import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import NoReturn

UNUSABLE = 2
"""Exit code for a plan, a name or a file that cannot be used, as for a mistyped option."""

UNFINISHED = 3
"""Exit code where the machine did not let the work come to its end: memory, a worker that was killed."""

FAULT = 70
"""Exit code for a fault of the program itself: EX_SOFTWARE of sysexits.h (BSD), quoted from memory."""

INTERRUPTED = 128 + 2
"""Exit code after Ctrl-C: 128 + SIGINT, as shells count it."""

PIPE_CLOSED = 128 + 13
"""Exit code when the reader has gone: 128 + SIGPIPE."""


MOST_COLUMNS = 1000
"""Width of the widest screen."""

MOST_LINES = 40
"""Lines that a terminal shows without the pager."""

_interruptions: list[int] = []
"""Signals of Ctrl-C that have come."""

ENDING = ("SIGTERM", "SIGHUP")
"""Signals that ask the program to end, by name: not every system has both."""


class UserError(Exception):
    """Something the user asked for that cannot be done; its text says what and why."""

    code = UNUSABLE


class UnfinishedError(UserError):
    """Work that could not come to its end on this machine."""

    code = UNFINISHED


def begin() -> None:
    """Ready the process: every stream is there, and a signal that ends it lets it clear up first.

    Otherwise a temporary file would stay behind, and worker processes would go on. What the caller told us to
    ignore, such as SIGHUP under nohup, stays ignored.
    """
    _open_streams()
    _bound_screen()
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupt)
    for name in ENDING:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, _end)


def _interrupt(number: int, _: object) -> NoReturn:
    _interruptions.append(number)
    raise KeyboardInterrupt


def heed_interruption() -> None:
    """Raise KeyboardInterrupt once more if it came before: compiled code of a library may swallow it."""
    if _interruptions:
        raise KeyboardInterrupt


def _end(number: int, _: object) -> NoReturn:
    signal.signal(number, signal.SIG_DFL)  # the second one does not wait
    sys.exit(128 + number)


def _open_streams() -> None:
    """Put something in place of streams that the caller has closed, lest a file of ours take their number.

    In place of stdout something that refuses to be written to: then results that go nowhere are told.
    """
    for number, flags in enumerate((os.O_RDONLY, os.O_RDONLY, os.O_WRONLY)):
        try:
            os.fstat(number)
        except OSError:
            with suppress(OSError):
                os.open(os.devnull, flags)  # takes the lowest number that is free, so this one
                os.set_inheritable(number, True)  # as any stream is, for the workers of a library
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - open to the end
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - open to the end


def _bound_screen() -> None:
    """Make sense of the size of the screen that the environment claims: libraries believe whatever it says.

    A width beyond what --width takes would fill the memory with blanks.
    """
    for name in ("COLUMNS", "LINES", "TERMINAL_WIDTH", "JUPYTER_COLUMNS", "JUPYTER_LINES"):
        text = os.environ.get(name)
        if text is None:
            continue
        digits = text.lstrip("0") if text.isascii() and text.isdigit() else ""
        if not digits:
            del os.environ[name]
        elif len(digits) > len(str(MOST_COLUMNS)) or int(digits) > MOST_COLUMNS:
            os.environ[name] = str(MOST_COLUMNS)


def guarded(work: Callable[[], int]) -> int:
    """Run a command and return the exit code it ends with."""
    try:
        code = work()
        sys.stdout.flush()
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        drop_output()
        return PIPE_CLOSED
    except Exception as error:
        if _interruptions:  # a library may have made another exception of it
            return INTERRUPTED
        if isinstance(error, OSError) and not _is_shortage(error):
            drop_output()
        try:
            code, message = told(error)
        except Exception:  # there is not even room for that
            code, message = UNFINISHED, f"this could not be finished: {NO_MEMORY}"
    else:
        return code
    complain(message)  # only here, where what filled the memory has gone with the exception
    return code


def told(error: Exception) -> tuple[int, str]:
    """Return the exit code for what a command ended with, and the message."""
    if isinstance(error, UserError):
        return error.code, str(error)
    if _is_shortage(error):
        why = NO_MEMORY if isinstance(error, _OF_MEMORY) else str(error)
        return UNFINISHED, f"this could not be finished: {why}\n   expected: {_MORE}"
    from chainplan.plan.problems import escape  # late: only what goes wrong needs these two
    from chainplan.workers import WorkerDiedError, place_of

    if isinstance(error, OSError) and error.filename is not None:
        return UNUSABLE, f"{escape(os.fsdecode(error.filename))}: {error.strerror}"
    if isinstance(error, OSError):  # the output cannot take it: a full disk, a closed terminal
        return UNUSABLE, f"the output cannot be written: {error.strerror or error}"
    if isinstance(error, WorkerDiedError):
        return UNFINISHED, f"this could not be finished: {error}\n   expected: {_MORE}"
    what = escape(f"{type(error).__name__}: {error}"[:_MOST_TOLD])
    return FAULT, f"a fault of chainplan, please report it with the plan: {what} ({place_of(error)})"


_MOST_TOLD = 300
"""Characters of an unexpected error that are told."""

_OF_MEMORY = (MemoryError, SyntaxError, SystemError)
"""What the interpreter raises where its memory ends: importing a file, its parser finds a fault in that."""

NO_MEMORY = "the memory has come to its end"
_MORE = "more memory for this process; where a command has --workers, fewer of them need less"


def _is_shortage(error: Exception) -> bool:
    """Tell whether the system had no more memory, processes, threads or open files to give."""
    if isinstance(error, OSError):
        is_output = hasattr(error, "characters_written")  # a pipe that does not wait says EAGAIN, too
        return not is_output and error.errno in (errno.ENOMEM, errno.EAGAIN, errno.EMFILE, errno.ENFILE)
    if isinstance(error, ImportError):  # of a library that finds no room, in the words of the system's loader
        return "failed to map segment" in str(error) or "cannot allocate memory" in str(error).lower()
    return isinstance(error, _OF_MEMORY) or "can't start new thread" in str(error)


def complain(text: str) -> None:
    """Print to stderr, as far as anyone is listening."""
    try:
        sys.stderr.write(text.rstrip("\n") + "\n")
        sys.stderr.flush()
    except OSError:
        pass


def write_out(text: str) -> None:
    """Print to stdout."""
    sys.stdout.write(text)


def write_pages(text: str) -> None:
    """Print to stdout, on a terminal page by page if it is longer than one screen."""
    if sys.stdout.isatty() and text.count("\n") > MOST_LINES:
        import pydoc

        pydoc.pager(text)
    else:
        write_out(text)


def drop_output() -> None:
    """Let what is still buffered for stdout go nowhere, or Python would complain of it on its way out."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        pass
