"""A progress bar on stderr where someone watches, and nothing where no one does."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol


class Moves(Protocol):
    """Moves a bar to so many done, of so many wanted where that has become known."""

    def __call__(self, done: int, wanted: int | None = None) -> None:
        """Move the bar."""


@contextmanager
def progress(of: str, wanted: int | None = None, *, in_bytes: bool = False) -> Iterator[Moves | None]:
    """Show a bar; yield what moves it, or None where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    amount = DownloadColumn() if in_bytes else MofNCompleteColumn()
    columns = (TextColumn(of), BarColumn(), amount, TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=wanted)

        def move(done: int, wanted: int | None = None) -> None:
            if wanted is None:
                bar.update(task, completed=done)
            else:
                bar.update(task, completed=done, total=wanted)

        yield move
