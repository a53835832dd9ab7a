"""What no input may cost, as an alarm and not as a measurement: ten seconds of the processor's own time."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

SECONDS = 10.0


class TooSlowError(Exception):
    """The work took longer than anything a user would call working."""


@contextmanager
def never_hangs(seconds: float = SECONDS) -> Iterator[None]:
    """Raise :class:`TooSlowError` in work that takes more of the processor's time."""

    def stop(*_: Any) -> None:
        raise TooSlowError(f"more than {seconds} s")

    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
