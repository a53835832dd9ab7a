"""Captures for the tests: what the simulation lets pass a port, written by an independent writer (pyvcd)."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from vcd import VCDWriter

from chainplan.captures.compare import CaptureChannel, CaptureOptions, ChannelResult, Result, compare_capture
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_plan
from chainplan.witness.compare import phases_of
from chainplan.witness.draw import Draw
from chainplan.witness.faults import Faults
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

CONFIGS = Path(__file__).parents[2] / "configs"

Spans = list[tuple[int, int]]

PS, NS, US, MS = 10**3, 10**6, 10**9, 10**12

_NONE = Faults()


def example(name: str) -> Evaluation:
    return Evaluation(load_plan(CONFIGS / f"{name}.yaml").plan)


def busy_spans(
    evaluation: Evaluation,
    port: str,
    scans: int,
    draw: Draw | None = None,
    seed: int = 0,
    faults: Faults = _NONE,
) -> Spans:
    """Simulate; return when the segment at a port carries a frame, fs.

    Outward frames are taken at its far end, upstream ones where they enter it, so all at the same point.
    """
    chains = [chain for scan in evaluation.scans.values() for chain in scan.chains]
    segments = {(chain.name, 0) for chain in chains if chain.head == port}
    passed: Spans = []

    def watch(chain: str, segment: int, way: str, first: int, last: int) -> None:
        if (chain, segment) in segments:
            passed.append((first, last))

    simulate(
        Pack.of(evaluation.plan),
        phases_of(evaluation),
        scans,
        draw or Draw("each event"),
        seed,
        faults,
        watch,
    )
    merged: Spans = []
    for first, last in sorted(passed):
        if merged and first <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(last, merged[-1][1])
        else:
            merged.append((first, last))
    return merged


def vcd_of(
    signals: dict[str, Spans], *, scale: int = PS, origin: int = 0, end: int | None = None, begin: int = 0
) -> bytes:
    """Write busy signals with pyvcd; `scale` fs a step, all shifted by `origin`, idle until `end`."""
    unit = {1: "1 fs", PS: "1 ps", 10 * NS: "10 ns", NS: "1 ns"}[scale]
    last = max((span[1] for spans in signals.values() for span in spans), default=0)
    changes = sorted(
        (round((time + origin) / scale), name, level)
        for name, spans in signals.items()
        for span in spans
        for time, level in zip(span, (1, 0), strict=True)
    )
    out = io.StringIO()
    start = round((begin + origin) / scale)
    with VCDWriter(out, timescale=unit, init_timestamp=start) as writer:
        other = writer.register_var("bench", "other", "wire", size=8, init=0)
        own = {name: writer.register_var("bench.wire", name, "wire", size=1, init=0) for name in signals}
        for step, name, level in changes:
            writer.change(own[name], step, level)
            if level:
                writer.change(other, step, step % 251)
        writer.close(round(((end or last + MS) + origin) / scale))
    return out.getvalue().encode("ascii")


def compare(
    evaluation: Evaluation,
    data: bytes,
    ports: dict[str, str] | None = None,
    options: CaptureOptions | None = None,
) -> Result:
    """Hold a capture in memory against a plan; `ports` by signal, ``line`` at the first head without."""
    scans = {port: scan for scan in evaluation.scans.values() for port in scan.controller.ports}
    ports = ports or {"line": first_head(evaluation)}
    channels = [CaptureChannel(signal, scans[port], port) for signal, port in ports.items()]
    return compare_capture(io.BytesIO(data), channels, options or CaptureOptions())


def first_head(evaluation: Evaluation) -> str:
    return next(iter(evaluation.network.chains.values())).head


def only(result: Result) -> ChannelResult:
    (channel,) = result.channels
    return channel


def found(channel: ChannelResult) -> Sequence[object]:
    """Return what lies outside, for the message of an assertion."""
    return channel.measured.findings[:5]


def trolley(scans: int = 40) -> tuple[Evaluation, Spans]:
    evaluation = example("rail-trolley")
    return evaluation, busy_spans(evaluation, first_head(evaluation), scans)
