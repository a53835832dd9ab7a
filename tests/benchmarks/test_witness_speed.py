"""How fast the witness simulates, beside the plainest SimPy model of the same chain: print only.

Run with ``pytest -m benchmark -s tests/benchmarks/test_witness_speed.py``.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from time import perf_counter
from typing import Any

import pytest
import simpy

from chainplan.plan.model import Plan
from chainplan.witness.draw import Draw
from chainplan.witness.messages import WireMessage, lay_out
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

SCANS = 100

Events = Generator[simpy.Event, None, None]


def chain_of(nodes: int, style: str) -> Pack:
    data: dict[str, Any] = {
        "chainplan": 1,
        "title": "speed",
        "cell_types": {"cell": {"voltage": "4.2 V"}},
        "node_types": {
            "monitor": {
                "cell_inputs": 12,
                "forwarding": {"downstream": "500 ns", "upstream": "500 ns"},
                "turn_around": "2 us",
                "conversions": {"cell voltages": {"time": "2 ms", "step": "10 us"}},
            }
        },
        "board_types": {"board": {"nodes": [{"type": "monitor", "cells": 12}]}},
        "cable_types": {"pair": {"velocity": "2e8 m/s"}},
        "protocols": {
            "wire": {
                "bit_rate": "2 Mbit/s",
                "read_style": style,
                "request": "4 byte",
                "answer": "2 byte",
                "write": "4 byte",
                "answer_gap": "1 us",
                "frame_gap": "5 us",
            }
        },
        "strings": {
            "S": {
                "cell_type": "cell",
                "stack": [{"cells": 12 * nodes}],
                "boards": [{"type": "board", "count": nodes}],
            }
        },
        "controllers": {
            "C": {
                "set_up": "10 us",
                "scan_period": "1 s",
                "evaluation": {"period": "10 ms", "run_time": "1 ms"},
            }
        },
        "chains": {
            "chain": {
                "head": "C:1",
                "protocol": "wire",
                "order": [f"S.1..{nodes}"],
                "segments": {"cable": "pair", "length": "300 mm"},
            }
        },
        "tasks": {"cells": {"reads": "cell voltages", "value": "16 bit"}},
    }
    return Pack.of(Plan.model_validate(data))


def plainest_simpy(pack: Pack, scans: int) -> int:
    """Simulate the same reads with one SimPy time-out per hop and nothing else; return the frames."""
    controller = pack.network.controllers["C"]
    chain = controller.chains[0]
    cables = [segment.hop.delay.max for segment in chain.segments]
    relays = [node.type.forwarding.downstream.max for node in chain.nodes]
    bit = 10**15 // (2 * 10**6)
    work = lay_out(controller, pack.tasks)[0]
    frames = 0
    environment = simpy.Environment()

    def passes(bits: int, hops: range) -> Events:
        nonlocal frames
        frames += 1
        for hop in hops:
            yield environment.timeout(cables[hop] + relays[hop])
        yield environment.timeout(bits * bit)

    def answers(message: WireMessage) -> Events:
        nodes = [message.polled] if message.polled >= 0 else range(len(chain.nodes) - 1, -1, -1)
        for node, bits in zip(nodes, reversed(message.answers), strict=True):
            yield environment.process(passes(bits, range(node, -1, -1)))

    def host() -> Events:
        for _ in range(scans):
            for message in [*work.triggers[chain.head], *work.reads[chain.head]]:
                yield environment.timeout(10 * 10**9)
                last = message.polled if message.polled >= 0 else len(chain.nodes) - 1
                yield environment.process(passes(message.request, range(last + 1)))
                if message.asks and message.style != "summation":
                    yield environment.process(answers(message))

    environment.process(host())
    environment.run()
    return frames


def per_second(frames: int, simulate: Callable[..., object], *arguments: object) -> float:
    begin = perf_counter()
    simulate(*arguments)
    return frames / (perf_counter() - begin)


@pytest.mark.benchmark
@pytest.mark.parametrize("style", ["summation", "sequential", "polled"])
def test_frames_per_second_beside_the_plainest_simpy_model(style: str) -> None:
    print(f"\n{style}: frames per second")
    draws = [Draw("worst"), Draw("each device"), Draw("each event")]
    for nodes in (1, 8, 32, 128):
        pack = chain_of(nodes, style)
        frames = plainest_simpy(pack, SCANS)
        plain = per_second(frames, plainest_simpy, pack, SCANS)
        line = f"  {nodes:4} nodes: SimPy {plain:9.0f}"
        for draw in draws:
            ours = per_second(frames, simulate, pack, {"C": (0,)}, SCANS, draw)
            line += f", {draw.kind} {ours:9.0f} ({ours / plain:4.1f} x)"
        print(line)
