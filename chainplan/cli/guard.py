"""How a command ends: the usual exit codes, messages on stderr, never a traceback for what a user did."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

UNUSABLE = 2
"""Exit code for a plan, a name or a file that cannot be used, as for a mistyped option."""

INTERRUPTED = 128 + 2
"""Exit code after Ctrl-C: 128 + SIGINT, as shells count it."""

PIPE_CLOSED = 128 + 13
"""Exit code when the reader has gone: 128 + SIGPIPE."""


class UserError(Exception):
    """Something the user asked for that cannot be done; its text says what and why."""


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
