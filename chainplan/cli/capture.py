"""`capture`: a capture of the wire checked against the plan, frame by frame."""

from __future__ import annotations

import io
import os
import select
import stat
from collections.abc import Sequence
from typing import TYPE_CHECKING, BinaryIO, Literal, cast

from chainplan.cli.files import check_output, write_result
from chainplan.cli.guard import UserError, heed_interruption, write_out
from chainplan.cli.plans import open_plan
from chainplan.cli.progress import progress
from chainplan.plan.problems import escape, hint, nearest
from chainplan.plan.quantity_text import parse_quantity
from chainplan.quantity import RATIO, TIME, Dimension, QuantityError

if TYPE_CHECKING:
    from chainplan.captures.compare import CaptureChannel, CaptureOptions, Result
    from chainplan.evaluation import Evaluation


def run(
    plan: str,
    file: str,
    settings: Sequence[str] | None,
    channel: Sequence[str] | None,
    form: Literal["vcd", "csv"] | None,
    trace: Literal["busy", "edges"],
    active: Literal["high", "low"],
    idle: str | None,
    glitch: str | None,
    resolution: str | None,
    clock_error: str | None,
    time_unit: str | None,
    findings: int,
    width: int | None,
    out: str | None,
    *,
    as_json: bool,
) -> int:
    """Compare a capture; return 0 if all of it is inside the plan, 1 if anything is not."""
    loaded, evaluation = open_plan(plan, settings, out)
    check_output(out, [file])
    from chainplan.captures.compare import CaptureOptions

    options = CaptureOptions(
        trace,
        active == "low",
        _amount("--idle", idle, TIME),
        _amount("--glitch", glitch, TIME),
        _amount("--resolution", resolution, TIME),
        _amount("--clock-error", clock_error, RATIO) or 0,
        time_unit,
    )
    if not channel:
        used = ", ".join(escape(port) for port in _heads(evaluation))
        raise UserError(
            f"no channel is given\n   expected: --channel SIGNAL=PORT, at least once; PORT one of {used}"
        )
    result = _compare(file, [_channel(evaluation, each) for each in channel], options, form)
    if as_json or out is not None:
        from chainplan.report.captured_data import captured_json

        write_result(captured_json(loaded, file, result), out)
    else:
        from rich.console import Console

        from chainplan.report.captured import captured_text

        write_out(captured_text(Console(width=width), loaded, evaluation, file, result, findings))
    return 0 if result.inside else 1


def _amount(option: str, text: str | None, dimension: Dimension) -> int | None:
    if text is None:
        return None
    try:
        return parse_quantity(text, dimension).max
    except QuantityError as error:
        raise UserError(f"{option}: {error}\n   expected: {error.expected}") from None


def _heads(evaluation: Evaluation) -> list[str]:
    return sorted({chain.head for scan in evaluation.scans.values() for chain in scan.chains})


def _channel(evaluation: Evaluation, text: str) -> CaptureChannel:
    """Return the channel that ``SIGNAL=PORT`` means; the port by its name, or by the chain it is head of."""
    from chainplan.captures.compare import CaptureChannel

    signal, sign, wanted = text.rpartition("=")
    ports = {port: scan for scan in evaluation.scans.values() for port in scan.controller.ports}
    used = _heads(evaluation)
    if not sign or not signal or not wanted:
        raise UserError(
            f"--channel {escape(text)}: a signal of the capture and a port are wanted\n"
            f"   expected: SIGNAL=PORT, such as line={escape(used[0])}"
        )
    chain = evaluation.network.chains.get(wanted)
    found = [port for port in ports if wanted in (port, port.rpartition(":")[2])]
    if not found and chain is not None:
        found = [chain.head]
    if len(found) == 1:
        return CaptureChannel(signal, ports[found[0]], found[0])
    listed = ", ".join(map(escape, found or used))
    problem = "several controllers have that port" if found else "the plan has no such port"
    close = None if found else nearest(wanted, [*ports, *evaluation.network.chains])
    raise UserError(f"--channel {escape(text)}: {problem}\n   expected: {listed}{hint(close)}")


def _compare(
    file: str, channels: list[CaptureChannel], options: CaptureOptions, form: Literal["vcd", "csv"] | None
) -> Result:
    from chainplan.captures.compare import compare_capture
    from chainplan.captures.course import CourseError
    from chainplan.captures.source import CaptureError

    try:
        with _opened(file) as stream, progress("capture", _size(stream), in_bytes=True) as moves:
            return compare_capture(stream, channels, options, form, moves)
    except (CaptureError, CourseError) as error:
        first, *others = str(error).split("\n")
        raise UserError("\n".join([f"{escape(file)}: {escape(first)}", *map(escape, others)])) from None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise UserError(f"{escape(file)}: the file cannot be read: {why}") from None


class _Pipe(io.FileIO):
    """A pipe that is waited at in short turns: Ctrl-C just before a read would else go unheard in it."""

    def read(self, size: int | None = -1, /) -> bytes:
        """Read what has come, at most so many bytes."""
        while not select.select([self], [], [], _TURN)[0]:
            heed_interruption()
        return super().read(-1 if size is None else size) or b""


_TURN = 0.5
"""Seconds that a pipe is waited at before signals are looked at again."""


def _opened(file: str) -> BinaryIO:
    return cast(BinaryIO, _Pipe(file)) if stat.S_ISFIFO(os.stat(file).st_mode) else open(file, "rb")


def _size(stream: BinaryIO) -> int | None:
    """Return the bytes of a file; None of what is none, such as a pipe."""
    status = os.fstat(stream.fileno())
    return status.st_size if stat.S_ISREG(status.st_mode) else None
