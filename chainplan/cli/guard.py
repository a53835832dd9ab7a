"""How a command ends: the usual exit codes, messages on stderr, never a traceback for what a user did."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import NoReturn

UNUSABLE = 2
"""Exit code for a plan, a name or a file that cannot be used, as for a mistyped option."""

INTERRUPTED = 128 + 2
"""Exit code after Ctrl-C: 128 + SIGINT, as shells count it."""

PIPE_CLOSED = 128 + 13
"""Exit code when the reader has gone: 128 + SIGPIPE."""


_interruptions: list[int] = []
"""Signals of Ctrl-C that have come."""

ENDING = ("SIGTERM", "SIGHUP")
"""Signals that ask the program to end, by name: not every system has both."""


class UserError(Exception):
    """Something the user asked for that cannot be done; its text says what and why."""


def begin() -> None:
    """Ready the process: every stream is there, and a signal that ends it lets it clear up first.

    Otherwise a temporary file would stay behind, and worker processes would go on. What the caller told us to
    ignore, such as SIGHUP under nohup, stays ignored.
    """
    _open_streams()
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
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - open to the end
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - open to the end


def guarded(work: Callable[[], int]) -> int:
    """Run a command and return the exit code it ends with."""
    try:
        code = work()
        sys.stdout.flush()
    except UserError as error:
        complain(str(error))
        return UNUSABLE
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        _drop_output()
        return PIPE_CLOSED
    except OSError as error:  # the output cannot take it: a full disk, a closed terminal
        _drop_output()
        complain(f"the output cannot be written: {error.strerror or error}")
        return UNUSABLE
    except Exception:
        if _interruptions:  # a library may have made another exception of it
            return INTERRUPTED
        raise
    return code


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


def _drop_output() -> None:
    """Let what is still buffered for stdout go nowhere, or Python would complain of it on its way out."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        pass
