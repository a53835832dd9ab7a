"""Files are written atomically: into a temporary file beside the target, then renamed over it."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import BinaryIO

from chainplan.cli.guard import UserError, write_out
from chainplan.plan.problems import escape

Content = str | bytes | Callable[[BinaryIO], None]
"""What a file gets: a text, bytes, or something that writes into it piece by piece."""


class OutputError(UserError):
    """A file that no result can or may be written to."""


KEPT = 16 * 1024 * 1024
"""Characters of a result for stdout that are kept in memory until it is complete; of a longer one on disk."""


def write_result(content: str | Iterable[str], out: str | None) -> None:
    """Write a text, or pieces of one, to a file, or to stdout where none is named (or ``-``).

    Nothing goes to stdout before the last piece is there. Raises :class:`UserError` for a file, ``OSError``
    for stdout.
    """
    if out is not None and out != "-":
        pieces = [content] if isinstance(content, str) else content
        write_whole(out, lambda stream: stream.writelines(piece.encode() for piece in pieces))
    elif isinstance(content, str):
        write_out(content)
    else:
        _print_whole(content)


def _print_whole(pieces: Iterable[str]) -> None:
    from tempfile import SpooledTemporaryFile  # here, because most results are short

    with SpooledTemporaryFile(KEPT, "w+", encoding="utf-8", newline="") as kept:
        kept.writelines(pieces)
        kept.seek(0)
        while text := kept.read(1 << 16):
            write_out(text)


def check_output(out: str | None, read: Iterable[str]) -> None:
    """Refuse a file that a result cannot be written to, before any work; `read` are the files it comes from.

    Raises :class:`OutputError`.
    """
    if out is None or out == "-":
        return
    for name in read:
        if same_file(out, name):
            raise OutputError(f"{escape(out)}: the result comes from this file and does not replace it")
    folder = os.path.dirname(os.path.realpath(out)) if "\0" not in out else ""
    if folder and not os.path.isdir(folder):
        raise OutputError(
            f"{escape(out)}: the file cannot be written: there is no directory {escape(folder)}"
        )


def same_file(one: str, other: str) -> bool:
    """Tell whether two names lead to one file, or would if it were there."""
    with suppress(OSError, ValueError):
        if os.path.realpath(one) == os.path.realpath(other):
            return True
        return os.path.samefile(one, other)  # two names of one file; fails where one of them is not there
    return False


def write_whole(name: str, content: Content, *, replace: bool = True) -> None:
    """Write a file, text as UTF-8; what was there before stays until the new file is complete.

    Raises :class:`UserError` when the file is there and must not be replaced, and when it cannot be written.
    """
    try:
        target = os.path.realpath(name)  # a link keeps pointing at its file
    except (OSError, ValueError) as error:
        raise UserError(_reason(name, error)) from None
    if not replace and os.path.lexists(name):
        raise UserError(f"{escape(name)}: the file is there already; --force replaces it")
    if os.path.exists(name) and not os.path.isfile(name):  # /dev/stdout has no real name where it is a pipe
        _write_through(name, content)
        return
    import secrets  # here, because most commands write no file

    temporary = f"{target}.{secrets.token_hex(4)}.part"
    try:
        # The mode of a new file follows the user's umask, as for any other program.
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        try:
            with open(handle, "wb") as stream:
                _fill(stream, content)
            if os.path.exists(target):
                os.chmod(temporary, stat.S_IMODE(os.stat(target).st_mode))
            os.replace(temporary, target)
        except BaseException:
            with suppress(OSError):
                os.unlink(temporary)
            raise
    except (OSError, ValueError) as error:
        raise UserError(_reason(name, error)) from None


def _write_through(name: str, content: Content) -> None:
    """Write to something that is no regular file, such as a pipe or /dev/stdout."""
    try:
        with open(name, "wb") as stream:
            _fill(stream, content)
    except BrokenPipeError:
        raise
    except (OSError, ValueError) as error:
        raise UserError(_reason(name, error)) from None


def _fill(stream: BinaryIO, content: Content) -> None:
    """Write what there is. Raises ``ValueError`` for text that UTF-8 has no bytes for."""
    if callable(content):
        content(stream)
    else:
        stream.write(content.encode() if isinstance(content, str) else content)


def _reason(name: str, error: Exception) -> str:
    why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return f"{escape(name)}: the file cannot be written: {why}"
